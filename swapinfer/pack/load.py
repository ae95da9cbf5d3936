"""From priors files to a checked pack, with a copy of what was read before.

TOML is parsed in pure Python: the base pack takes several times longer from its files than from
the one JSON text that stands for it. What is kept of that is a copy and may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import copy
import json
import os
import re
import secrets
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
from msgspec.structs import replace

from swapinfer.errors import PackError, near_match
from swapinfer.pack.check import check_names, check_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import FROM, take_provenance
from swapinfer.pack.tables import (
    MisfitError,
    Table,
    check_format,
    decode,
    digest_text,
    pack_from_json,
    pack_to_json,
    under,
)

KEPT = 8
"""Packs kept; the longest unused go first."""


def load_pack(overlays: Sequence[Path] = (), root: Path | None = None) -> Pack:
    """Read the base pack and lay a shop's overlays over it.

    Parameters
    ----------
    overlays : sequence of Path
        TOML files, or folders of them; later ones win.
    root : Path, optional
        Folder of the base pack; the one that comes with swapinfer by default.

    Returns
    -------
    Pack
        Checked.

    Raises
    ------
    PackError
        If a file is unreadable or says something that cannot be; the message starts with
        ``file:line``.
    """
    base = read_files(root or base_folder(), "priors")
    over = [file for path in overlays for file in read_files(path)]
    code = [file.read_text(encoding="utf-8") for file in sorted(Path(__file__).parent.glob("*.py"))]
    said = [[file.name, file.text] for file in (*base, *over)]
    name = f"{digest_text(json.dumps([code, len(base), said]))}.json"
    with contextlib.suppress(OSError, RuntimeError, UnicodeDecodeError, PackError):
        kept = _folder() / name
        text = kept.read_text(encoding="utf-8")
        kept.touch()
        return pack_from_json(text)
    pack = _build(base, over)
    text = pack_to_json(pack)
    with contextlib.suppress(OSError, RuntimeError):
        _keep(_folder(), name, text)
    return replace(pack, digest=digest_text(text))


def base_folder() -> Path:
    """Where the base pack lies."""
    package = Path(__file__).parents[1]
    shipped = package / "_priors"
    return shipped if shipped.is_dir() else package.parent / "priors"


def _build(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> Pack:
    merged = Merged()
    for file in base:
        with _located(file):
            merged.add(file.parse(), once=True)
    with _located(*base):
        merged.take_over_likes()
    for file in over:
        with _located(file):
            merged.add_overlay(file)
    with _located(*base, *over):
        pack = decode({**merged.tables, "provenance": merged.sources, "digest": ""})
        check_names(merged.tables)
        check_pack(pack)
    return pack


@contextlib.contextmanager
def _located(*files: PriorsFile) -> Iterator[None]:
    """Say of a misfit in which of the files, and where, it stands."""
    try:
        yield
    except MisfitError as misfit:
        said = misfit.message
        is_whole = said.startswith(("unknown key", "no ", "nothing ", "needs ", "layout "))
        if misfit.path and not is_whole:
            said = f"{misfit.path[-1]} {said}"
        raise PackError(f"{where_written(files, misfit.path)}: {said}") from None


def _folder() -> Path:
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(named) if named else Path.home() / ".cache") / "swapinfer" / "packs"


def _keep(folder: Path, name: str, text: str) -> None:
    """Keep a copy, written beside and moved into place, and let the oldest go."""
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f"{name}.{secrets.token_hex(4)}.tmp"
    unfinished.write_text(text, encoding="utf-8")
    unfinished.replace(folder / name)
    by_age = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime)
    for path in by_age[:-KEPT]:
        path.unlink(missing_ok=True)


LIKE = "like"
"""Key of a table: take over from this sibling whatever is not said here."""

_NOT_IN_A_NAME = re.compile(r"[^a-z0-9-]+")

_KEY = r"""(?:[\w-]+|"[^"]*"|'[^']*')"""
_KEYS = rf"({_KEY}(?:\s*\.\s*{_KEY})*)"
_HEADER = re.compile(rf"\s*\[{{1,2}}\s*{_KEYS}\s*\]")
_ASSIGNMENT = re.compile(rf"\s*{_KEYS}\s*=")


class PriorsFile(msgspec.Struct, frozen=True):
    """One file as it stands on disk."""

    name: str  # how messages call it
    text: str

    def parse(self) -> Table:
        """Return what the file says as tables."""
        try:
            return tomllib.loads(self.text)
        except tomllib.TOMLDecodeError as error:
            what, _, where = str(error).partition(" (at ")
            line = re.match(r"line (\d+)", where)
            at = line[1] if line else self.text.rstrip().count("\n") + 1
            raise PackError(f"{self.name}:{at}: not valid TOML: {what}") from error
        except RecursionError:
            raise PackError(f"{self.name}: tables nested too deeply") from None


def read_files(path: Path, called: str | None = None) -> list[PriorsFile]:
    """Read one priors file, or every one below a folder in the order of their names."""
    called = called or str(path)
    try:
        if not path.is_dir():
            return [_read(path, called)]
        paths = sorted(path.rglob("*.toml"))
    except OSError as error:
        raise PackError(f"{called}: cannot be read ({error.strerror})") from error
    if not paths:
        raise PackError(f"{called}: no .toml file in this folder")
    return [_read(file, f"{called}/{file.relative_to(path).as_posix()}") for file in paths]


def _read(path: Path, name: str) -> PriorsFile:
    try:
        return PriorsFile(name, path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PackError(f"{name}: cannot be read ({error.strerror or error})") from error
    except UnicodeDecodeError as error:
        raise PackError(f"{name}: not UTF-8 text") from error


class Merged(msgspec.Struct):
    """Files laid over each other so far."""

    tables: Table = {}  # what they say together
    sources: Table = {}  # tables with the id of a source in the place of each number

    def add_overlay(self, file: PriorsFile) -> None:
        """Add an overlay, which wins over what was said before.

        Numbers without a source get one of the overlay's name.
        """
        table = file.parse()
        name = _NOT_IN_A_NAME.sub("-", str(table.pop("name", Path(file.name).stem)).lower())
        version = f"-{table.pop('version')}" if "version" in table else ""
        if FROM not in table:
            table[FROM] = name
            own = {"grade": "chosen", "text": f"overlay {name} of this shop"}
            lay_over(self.tables, {"source": {name: own}}, once=False)
        self.add(table, once=False)
        self.take_over_likes()
        self.tables["version"] = f"{self.tables.get('version')}+{name}{version}"

    def add(self, table: Table, *, once: bool) -> None:
        """Add what a file says; once if it may say nothing that was said before."""
        check_format(table)
        lay_over(self.sources, take_provenance(table), once=False)
        lay_over(self.tables, table, once=once)

    def take_over_likes(self) -> None:
        """Fill every table that is like another with what it does not say itself."""
        for section, table in self.tables.items():
            sources = self.sources.setdefault(section, {})
            if isinstance(table, dict) and isinstance(sources, dict):
                for key in table:
                    _take_over(section, table, sources, key)


def _take_over(
    section: str, table: Table, sources: Table, key: str, waiting: tuple[str, ...] = ()
) -> None:
    own = table[key]
    if not isinstance(own, dict) or LIKE not in own:
        return
    model = own.pop(LIKE)
    others = [name for name in table if name not in (key, *waiting)]
    if model not in others or not isinstance(table[model], dict):
        missing = f'no other {section} "{model}"{near_match(str(model), others)}'
        raise MisfitError(missing, (section, key, LIKE))
    _take_over(section, table, sources, model, (key, *waiting))
    for name, value in table[model].items():
        if name not in own:
            own[name] = copy.deepcopy(value)
            if name in sources.get(model, ()):
                sources.setdefault(key, {})[name] = copy.deepcopy(sources[model][name])


def lay_over(base: Table, over: Table, *, once: bool) -> None:
    """Put one table's values over another's, in place; lists are replaced whole."""
    for key, value in over.items():
        there = base.get(key)
        if isinstance(value, dict) and isinstance(there, dict):
            with under(key):
                lay_over(there, value, once=once)
        elif once and key in base:
            raise MisfitError("said twice; the base pack says everything once", (key,))
        else:
            base[key] = copy.deepcopy(value)


def where_written(files: Sequence[PriorsFile], path: Sequence[str]) -> str:
    """Say in which file and line a key stands, or the innermost of its path that is written.

    If several files say as much of the path, it is the last of them: that is the one that counts.
    """
    depths = [_depth(file.parse(), path) for file in files]
    deepest = max(range(len(files)), key=lambda number: (depths[number], number))
    return f"{files[deepest].name}:{_deepest_line(files[deepest].text, tuple(path))}"


def _depth(table: Any, path: Sequence[str]) -> int:  # noqa: ANN401 (any value of a table)
    """Say how far a path leads into nested tables."""
    for depth, key in enumerate(path):
        if not isinstance(table, dict) or key not in table:
            return depth
        table = table[key]
    return len(path)


def _deepest_line(text: str, path: tuple[str, ...]) -> int:
    header: tuple[str, ...] = ()
    best = (0, 1)
    for number, line in enumerate(text.splitlines(), start=1):
        if heading := _HEADER.match(line):
            written = header = _keys(heading.group(1))
        elif assignment := _ASSIGNMENT.match(line):
            written = header + _keys(assignment.group(1))
        else:
            continue
        shorter = min(len(written), len(path))
        common = shorter if path[:shorter] == written[:shorter] else 0
        if common > best[0]:
            best = (common, number)
    return best[1]


def _keys(dotted: str) -> tuple[str, ...]:
    return tuple(word.strip("\"'") for word in re.findall(_KEY, dotted))


_QUOTED_OR_REMARK = re.compile(r'"[^"]*"|#.*')

_THOUSANDS = re.compile(r"(?<![\w.])[1-9]\d{0,2}\.000(?![\w.])")


def thousands_written(files: Iterable[PriorsFile]) -> dict[str, str]:
    """Find numbers written like 335.000, which TOML takes for 335."""
    return {
        f"{file.name}:{number}": found.group()
        for file in files
        for number, line in enumerate(file.text.splitlines(), start=1)
        if (found := _THOUSANDS.search(_QUOTED_OR_REMARK.sub("", line)))
    }
