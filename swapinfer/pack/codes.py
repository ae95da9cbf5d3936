"""Trouble codes as typed, and what they are to an engine."""

from __future__ import annotations

import re
from collections.abc import Iterable

from swapinfer.errors import InputError, PlaceError
from swapinfer.pack.engine import CodeRead, Engine, format_code
from swapinfer.pack.model import Code, Pack

WEIGHTLESS = Code(
    id="", title="carries no weight", first=0, pattern="engine", role="", false_chance=0.0
)
"""Stands for every code that the pack does not speak of."""

LARGEST_CYLINDERS = 12
"""Generic numbering goes no further: P0301 to P0312."""

_SHORT = re.compile(r"^P?([1-9]\d\d)$")
_CODE = re.compile(r"([A-Z])([0-9A-F]{4})(?:-[0-9A-F]{2})?")


def parse_code(text: str) -> str:
    """Bring a code as typed into canonical form.

    Parameters
    ----------
    text : str
        Case and spaces do not matter, nor does a leading nought (``P303``) or, before three
        figures, the letter; a failure-type suffix (``-00``) is dropped.

    Returns
    -------
    str
        Such as ``P0303``.

    Raises
    ------
    InputError
        If it is no code, or one of another system than the powertrain.
    """
    text = " ".join(text.split())
    found = _CODE.fullmatch(_SHORT.sub(r"P0\1", text.replace(" ", "").upper()))
    if not found or found.group(1) not in "PBCU" or found.group(2)[0] not in "0123":
        raise InputError(f'"{text}" is no trouble code; accepted: P and four digits, as in P0303')
    if found.group(1) != "P":
        systems = {"B": "body", "C": "chassis", "U": "network"}
        raise InputError(
            f'"{text}" is a code of the {systems[found.group(1)]}, not of the powertrain; '
            "accepted: codes that begin with P"
        )
    return found.group(1) + found.group(2)


def read_codes(engine: Engine, texts: Iterable[str]) -> list[CodeRead]:
    """Say what codes as typed are to an engine.

    Parameters
    ----------
    engine : Engine
        Whose codes they are.
    texts : iterable of str
        As typed.

    Returns
    -------
    list of CodeRead
        In the order given, without repetition.

    Raises
    ------
    InputError
        If one is malformed or of another system.
    PlaceError
        If one names a cylinder, coil or bank that the engine does not have.
    """
    canonical = dict.fromkeys(map(parse_code, texts))
    return [engine.codes.get(text) or _unknown(engine, text) for text in canonical]


def title_of_code(pack: Pack, text: str) -> str:
    """Say what a code speaks of, whichever engine sets it.

    Parameters
    ----------
    pack : Pack
        Families of codes.
    text : str
        In canonical form.

    Returns
    -------
    str
        Empty for a code that carries no weight.
    """
    reads = (
        CodeRead(text, code, ()) for code in pack.codes.values() if _place_in_family(code, text)
    )
    return next((read.title for read in reads), "")


def _unknown(engine: Engine, text: str) -> CodeRead:
    for code in {read.code.id: read.code for read in engine.codes.values()}.values():
        if place := _place_in_family(code, text):
            has = len(engine.layout.groups(code.pattern))
            raise PlaceError(
                f"{text} is {code.title} {place}, but this {engine.layout.title} has {has}"
            )
    return CodeRead(text, WEIGHTLESS, engine.layout.cylinders)


def _place_in_family(code: Code, text: str) -> int:
    """Return the number of what a code of this family would name on a large engine, or 0."""
    largest = {"cylinder": LARGEST_CYLINDERS, "pair": LARGEST_CYLINDERS, "bank": 2, "engine": 1}
    step = max(code.step, 1)
    numbers = {format_code(code.first + i * step): i + 1 for i in range(largest[code.pattern])}
    return numbers.get(text, 0)
