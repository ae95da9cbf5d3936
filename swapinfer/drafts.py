"""Files that appear whole, all of them together, or not at all."""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from swapinfer.errors import InputError


def draft_of(path: Path) -> Path:
    """Name a draft beside a file, on the same disk, so that it can take the file's place."""
    if not path.name:
        raise InputError(f"'{path}' is no file name; name a new file")
    return path.with_name(f".{path.name[:80]}.{uuid.uuid4().hex}")


def write_whole(contents: Mapping[Path, bytes]) -> None:
    """Write files, replacing those that are there: all of them, or none.

    What is there and is no plain file (a terminal, a pipe) is written to as it is. If one cannot be
    written, the `filename` of the OSError says which.
    """
    drafts: dict[Path, Path] = {}
    path = Path()
    try:
        for path in contents:
            if path.is_dir():
                raise IsADirectoryError(21, "Is a directory")
            if path.is_file() or not path.exists():
                drafts[path] = draft_of(path)
                drafts[path].write_bytes(contents[path])
        for path in contents.keys() - drafts.keys():
            path.write_bytes(contents[path])
        for path, draft in drafts.items():
            draft.replace(path.resolve())
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from error
    except ValueError as error:
        raise OSError(22, str(error), str(path)) from error
    finally:
        for draft in drafts.values():
            draft.unlink(missing_ok=True)


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Give an empty draft whose contents move into `folder` when all went well.

    The folder is made if need be; what is in it under other names stays.
    """
    draft = draft_of(folder.absolute())
    with _folder_errors(folder):
        if folder.exists() and not folder.is_dir():
            raise NotADirectoryError(20, "it is a file, not a folder")
        made = make_folders(draft)
    try:
        yield draft
        with _folder_errors(folder):
            if not folder.exists():
                draft.rename(folder)
            for new in draft.iterdir() if draft.exists() else ():
                old = folder / new.name
                if old.is_dir() and not old.is_symlink():
                    shutil.rmtree(old)
                new.replace(old)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
        remove_folders(made)


@contextmanager
def _folder_errors(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror}") from error


def make_folders(folder: Path, mode: int = 0o777) -> list[Path]:
    """Make a folder and those above it, and return the ones that were missing, outermost first."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(mode=mode, parents=True, exist_ok=True)
    return missing[::-1]


def remove_folders(folders: list[Path]) -> None:
    """Remove folders that are empty, innermost first."""
    for folder in reversed(folders):
        with suppress(OSError):
            folder.rmdir()
