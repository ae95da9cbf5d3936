"""Priors files: reading them, laying overlays over them, and finding a key's line again."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swapinfer.errors import PackError
from swapinfer.pack.codec import MisfitError
from swapinfer.pack.shape import Table

_HEADER = re.compile(r"\s*\[{1,2}([^\[\]]+)\]{1,2}\s*(?:#.*)?$")
_ASSIGNMENT = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*'|\s*\.\s*)+?)\s*=""")
_WORD = re.compile(r"""[\w-]+|"[^"]*"|'[^']*'""")


@dataclass(frozen=True, slots=True)
class PriorsFile:
    """One file as read.

    Attributes
    ----------
    name : str
        How messages call it.
    text : str
        As it stands on disk.
    table : dict
        What it says.
    """

    name: str
    text: str
    table: Table


def read_files(path: Path, called: str | None = None) -> list[PriorsFile]:
    """Read one priors file, or every one below a folder in the order of their names.

    Parameters
    ----------
    path : Path
        A TOML file or a folder.
    called : str, optional
        What messages call the folder.

    Returns
    -------
    list of PriorsFile
        At least one.

    Raises
    ------
    PackError
        If there is nothing there, a file cannot be read, or it is not TOML.
    """
    called = called or str(path)
    if path.is_dir():
        paths = sorted(path.rglob("*.toml"))
        if not paths:
            raise PackError(f"{called}: no .toml file in this folder")
        return [_read(file, f"{called}/{file.relative_to(path).as_posix()}") for file in paths]
    return [_read(path, called)]


def _read(path: Path, name: str) -> PriorsFile:
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise PackError(f"{name}: cannot be read ({error.strerror or error})") from error
    except UnicodeDecodeError as error:
        raise PackError(f"{name}: not UTF-8 text") from error
    try:
        return PriorsFile(name, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r" \(at line (\d+), column \d+\)$", message)
        line = place.group(1) if place else str(text.count("\n") + 1)
        what = message[: place.start()] if place else message.removesuffix(" (at end of document)")
        raise PackError(f"{name}:{line}: not valid TOML: {what}") from error


def lay_over(base: Table, over: Table, *, once: bool) -> None:
    """Put one table's values over another's, in place; lists are replaced whole.

    Parameters
    ----------
    base, over : dict
        Tables; `base` is changed.
    once : bool
        Whether a value that is there already is an error.

    Raises
    ------
    MisfitError
        If `once` and both say something about one key.
    """
    for key, value in over.items():
        there = base.get(key)
        if isinstance(value, dict) and isinstance(there, dict):
            try:
                lay_over(there, value, once=once)
            except MisfitError as misfit:
                raise misfit.under(key) from None
        elif once and key in base:
            raise MisfitError("said twice; the base pack says everything once", (key,))
        else:
            base[key] = _copy(value)


def _copy(value: Any) -> Any:  # noqa: ANN401 (any value of a table)
    return {key: _copy(item) for key, item in value.items()} if isinstance(value, dict) else value


def locate(files: Sequence[PriorsFile], path: Sequence[str]) -> str:
    """Say in which file and line a key stands.

    Parameters
    ----------
    files : sequence of PriorsFile
        In the order in which they were laid over each other.
    path : sequence of str
        Keys from the outermost table inwards.

    Returns
    -------
    str
        ``file:line`` of the innermost key of the path that is written anywhere; of two equally
        good places that in the later file.
    """
    best = (0, files[-1].name, 1)
    for file in files:
        depth, line = _deepest_line(file.text, tuple(path))
        if depth and depth >= best[0]:
            best = (depth, file.name, line)
    return f"{best[1]}:{best[2]}"


def _deepest_line(text: str, path: tuple[str, ...]) -> tuple[int, int]:
    header: tuple[str, ...] = ()
    best = (0, 1)
    for number, line in enumerate(text.splitlines(), start=1):
        if heading := _HEADER.match(line):
            written = header = _keys(heading.group(1))
        elif assignment := _ASSIGNMENT.match(line):
            written = header + _keys(assignment.group(1))
        else:
            continue
        common = len(written) if path[: len(written)] == written else 0
        if common > best[0]:
            best = (common, number)
    return best


def _keys(dotted: str) -> tuple[str, ...]:
    return tuple(word.strip("\"'") for word in _WORD.findall(dotted))
