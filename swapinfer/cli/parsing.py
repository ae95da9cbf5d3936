"""Words and numbers as typed at the shell, turned into what workflow functions take."""

from __future__ import annotations

import re

from swapinfer.errors import InputError
from swapinfer.units import to_unit


def words(text: str, *, upper: bool = False) -> tuple[str, ...]:
    """Split by commas or spaces."""
    found = tuple(re.split(r"[,\s]+", text.strip())) if text.strip() else ()
    return tuple(word.upper() if upper else word.lower() for word in found)


def quantity(text: str, unit: str) -> float | None:
    """Read a number with an optional unit, else the shop's; None when empty.

    Raises
    ------
    InputError
        If it is no number, negative, or of another quantity.
    """
    if not text.strip():
        return None
    from swapinfer.workflow.settings import read_settings

    value = to_unit(text, unit, read_settings().bare_unit(unit))
    if not 0 <= value < float("inf"):
        raise InputError(f'"{text}" must be a number of {unit} that is not negative')
    return value


def distance_km(text: str) -> float | None:
    """Read a distance; None when empty."""
    return quantity(text, "km")


def newer_parts(typed: list[str]) -> dict[str, float]:
    """Read ``coil2=5000km`` pairs."""
    return {place: distance_km(age) or 0.0 for place, age in map(_pair, typed)}


def firing_order(text: str) -> tuple[int, ...]:
    """Read ``1-3-4-2``."""
    if not text.strip():
        return ()
    numbers = re.split(r"[-,\s]+", text.strip())
    if not all(number.isdecimal() for number in numbers):
        raise InputError(f'firing order "{text}" must be cylinder numbers, as in 1-3-4-2')
    return tuple(map(int, numbers))


def cylinder_numbers(text: str) -> tuple[int, ...]:
    """Read ``1,3``."""
    found = words(text)
    for word in found:
        if not word.isdecimal():
            raise InputError(f'"{word}" must be a cylinder number, as in 1,3')
    return tuple(dict.fromkeys(map(int, found)))


def number_pairs(text: str) -> dict[int, int]:
    """Read ``1=0,3=140``."""
    out = {}
    for word in words(text):
        cylinder, count = _pair(word)
        if not cylinder.isdecimal() or not count.isdecimal():
            raise InputError(f'"{word}" must be cylinder=count in whole numbers, as in 3=140')
        out[int(cylinder)] = int(count)
    return out


def target_values(typed: list[str]) -> dict[str, str]:
    """Read ``3=12.1V`` pairs; a lone value is for the engine."""
    pairs = [_pair(word) if "=" in word else ("", word) for word in typed]
    targets = [target for target, _ in pairs]
    for target in targets:
        if targets.count(target) > 1:
            raise InputError(f'"{target or "engine"}" is given more than one value')
    return dict(pairs)


def swap_pairs(typed: list[str]) -> list[tuple[str, str]]:
    """Read ``coil 3-1 plug 3-2`` or ``coil3 coil1``.

    Raises
    ------
    InputError
        If a kind has no places after it.
    """
    joined = " ".join(typed).replace("->", "-").replace("<-", "-")
    found = re.findall(r"([a-z][a-z-]*?)((?:\s*\d+\s*-\s*\d+)+)", joined.lower())
    pairs = [
        (kind.strip("- ") + a, kind.strip("- ") + b)
        for kind, moves in found
        for a, b in re.findall(r"(\d+)\s*-\s*(\d+)", moves)
    ]
    left = re.sub(r"([a-z][a-z-]*?)((?:\s*\d+\s*-\s*\d+)+)", "", joined.lower()).split()
    if len(left) % 2 or (left and not all(re.search(r"\d", word) for word in left)):
        raise InputError(f'"{joined}" does not say which places; as in: coil 3-1 plug 3-2')
    return pairs + list(zip(left[::2], left[1::2], strict=True))


def _pair(word: str) -> tuple[str, str]:
    name, equals, value = word.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError(f'"{word}" must be name=value')
    return name.strip(), value.strip()
