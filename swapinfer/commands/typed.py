"""Words and numbers as typed at the shell, turned into what workflow functions take."""

from __future__ import annotations

import re
from collections.abc import Sequence

from msgspec import Struct

from swapinfer.errors import InputError
from swapinfer.units import split_quantity, to_unit

NO_CODES = {"none", "no", "0", "-"}
"""What stands for "read, and none was set" where codes are asked for."""

TIME_UNITS = {"s", "min", "mins", "minute", "minutes", "h", "hour", "hours"}
"""What may stand apart from the running time."""

BELOW_ZERO = "m"
"""Of the quantities typed beside commands, only an altitude may be negative."""

MOVE = r"(\d+(?:\+\d+)*)\s*-\s*(\d+(?:\+\d+)*)"
"""Two places that change: ``3-1``, or of pairs ``1+4-2+5``."""

SWAPS = r"([a-z][a-z-]*?)((?:\s*\d+(?:\+\d+)*\s*-\s*\d+(?:\+\d+)*)+)"
"""A kind, and moves of it."""

OVER_LIMIT = "OL"

UNIT = r"[a-zµμΩω%°][\w%°µμΩω/²^]*"
"""A unit that stands apart from its number."""


def words(text: str, *, upper: bool = False) -> tuple[str, ...]:
    """Split by commas or spaces."""
    found = tuple(re.split(r"[,\s]+", text.strip())) if text.strip() else ()
    return tuple(word.upper() if upper else word.lower() for word in found)


def decimal(text: str) -> float:
    """Read a bare number, with a point or a comma before its decimals.

    Raises
    ------
    InputError
        If it is none.
    """
    value, unit = split_quantity(str(text), "plain figures")
    if unit:
        raise InputError(f'"{text}" must be a number alone, as in 52.50 or 52,50')
    return value


def trouble_codes(text: str) -> tuple[str, ...]:
    """Read ``P0300,P0303``; ``none`` is none."""
    return () if text.strip().lower() in NO_CODES else words(text, upper=True)


class DriveWords(Struct, frozen=True):
    """Options of a drive as typed, each as one text."""

    minutes: str
    when: str
    codes: str | None
    counts: str

    def with_strays(self, strays: Sequence[str]) -> DriveWords:
        """Give words that were parted by spaces instead of commas to the option they belong to.

        Raises
        ------
        InputError
            If one belongs to none that was named.
        """
        minutes, when, codes, counts = self.minutes, self.when, self.codes, self.counts
        for word in strays:
            if word.lower() in TIME_UNITS:
                minutes += word
            elif re.fullmatch(r"[A-Za-z]?\d{3,4}", word) and codes is not None:
                codes += f" {word}"
            elif re.fullmatch(r"\d+[=:]\d+,?", word) and counts:
                counts += f" {word}"
            elif re.fullmatch(r"[A-Za-z-]+,?", word) and when:
                when += f" {word}"
            else:
                raise InputError(
                    f'"{word}" stands alone; after the minutes come --codes P0303,P0304, '
                    "--when warm,load or --counts 1=0,3=140"
                )
        return DriveWords(minutes, when, codes, counts)


def one_place(typed: Sequence[str]) -> str:
    """Read ``coil3`` or ``coil 3``.

    Raises
    ------
    InputError
        If more than one place is named.
    """
    text = " ".join(typed)
    if sum(bool(re.search(r"\d", word)) for word in typed) > 1:
        raise InputError(f'"{text}" names more than one place; one at a time, as in coil3')
    return text


def quantity(text: str, unit: str) -> float | None:
    """Read a number with an optional unit, else the shop's; None when empty.

    Raises
    ------
    InputError
        If it is no number, negative where it cannot be, or of another quantity.
    """
    if not text.strip():
        return None
    from swapinfer.commands.settings import read_settings

    value = to_unit(text, unit, read_settings().bare_unit(unit))
    if unit != BELOW_ZERO and not 0 <= value < float("inf"):
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
        cylinder, count = _pair(word.replace(":", "="))
        if not cylinder.isdecimal() or not count.isdecimal():
            raise InputError(f'"{word}" must be cylinder=count in whole numbers, as in 3=140')
        out[int(cylinder)] = int(count)
    return out


def target_values(typed: Sequence[str]) -> dict[str, str] | list[str]:
    """Read ``3=12.1V`` pairs, or values alone.

    A colon does for the equals sign, and a space may part a number from its unit.

    Returns
    -------
    dict of str to str
        Target to value, where targets are named.
    list of str
        Values in order, where none is.

    Raises
    ------
    InputError
        If some have a target and some have none, or one has two values.
    """
    text = re.sub(r"\s*[=:]\s*", "=", " ".join(typed))
    text = re.sub(r",\s*(?=[^\s,=]*=)", " ", text)
    found: list[str] = []
    before = ""
    for word in text.split():
        is_unit = re.fullmatch(UNIT, word, re.IGNORECASE) and word.upper() != OVER_LIMIT
        if is_unit and found:
            found[-1] += f" {word}"
        elif is_unit:
            before += f"{word} "  # of a target, as in "cylinder 3=95"
        else:
            found.append(before + word)
            before = ""
    found += [before.strip()] if before else []
    if "=" not in text:
        return found
    pairs = [_pair(word) for word in found]
    targets = [target for target, _ in pairs]
    for target in targets:
        if targets.count(target) > 1:
            raise InputError(f'"{target}" is given more than one value')
    return dict(pairs)


def swap_pairs(typed: list[str]) -> list[tuple[str, str]]:
    """Read ``coil 3-1 plug 3-2`` or ``coil3 coil1``.

    Raises
    ------
    InputError
        If a kind has no places after it.
    """
    joined = re.sub(r"\s*(?:<?->|<-|\bwith\b|\bto\b)\s*", "-", " ".join(typed).lower())
    pairs = [
        (kind.strip("- ") + a, kind.strip("- ") + b)
        for kind, moves in re.findall(SWAPS, joined)
        for a, b in re.findall(MOVE, moves)
    ]
    left = re.sub(SWAPS, "", joined).split()
    if len(left) % 2 or (left and not all(re.search(r"\d", word) for word in left)):
        raise InputError(
            f'"{joined}" does not say which places; as in: coil 3-1 plug 3-2, coil-pack 1+4-2+5'
        )
    return pairs + list(zip(left[::2], left[1::2], strict=True))


def _pair(word: str) -> tuple[str, str]:
    name, equals, value = word.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError(f'"{word}" must be name=value')
    return name.strip(), value.strip()
