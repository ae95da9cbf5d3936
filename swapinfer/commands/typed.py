"""Words and numbers as typed at the shell, turned into what is meant."""

from __future__ import annotations

import re
from typing import TypeVar

from msgspec import Struct

from swapinfer.errors import InputError, near_match
from swapinfer.ledger.papers import Labour
from swapinfer.units import split_quantity, to_unit

_Named = TypeVar("_Named", bound=Struct)

NOT_TAKEN = "-"
"""Stands for what was not read or seen, or is not known."""

BELOW_ZERO = "m"
"""Of the quantities typed beside commands, only an altitude may be negative."""


def parts(text: str) -> list[str]:
    """Split by commas or spaces."""
    return re.split(r"[,\s]+", text.strip()) if text.strip() else []


def words(text: str) -> tuple[str, ...]:
    """Split by commas or spaces, in lower case."""
    return tuple(parts(text.lower()))


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


def quantity(text: str, unit: str, bare: str = "") -> float | None:
    """Read a quantity; None when empty.

    Parameters
    ----------
    text : str
        A number, with or without a unit.
    unit : str
        In which it is wanted.
    bare : str, optional
        Unit of a number without one, where the shop has chosen it.

    Raises
    ------
    InputError
        If it is no number, negative where it cannot be, or of another quantity.
    """
    if not text.strip():
        return None
    value = to_unit(text, unit, bare)
    if unit != BELOW_ZERO and not 0 <= value < float("inf"):
        raise InputError(f'"{text}" must be a number of {unit} that is not negative')
    return value


def name_and_value(word: str) -> tuple[str, str]:
    """Read ``name=value``."""
    name, equals, value = word.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError(f'"{word}" must be name=value')
    return name.strip(), value.strip()


def named_fields(kind: type[_Named], typed: list[str] | None) -> _Named | None:
    """Read ``name=value`` pairs into a record of texts; None when there are none.

    Raises
    ------
    InputError
        If there is no such name, or one is given twice.
    """
    values = dict[str, str]()
    for name, value in map(name_and_value, typed or ()):
        if name not in kind.__struct_fields__:
            names = kind.__struct_fields__
            wanted = near_match(name, names) or f"; accepted: {', '.join(names)}"
            raise InputError(f'no "{name}" is kept of a part{wanted}')
        if name in values:
            raise InputError(f"{name} is given twice: {values[name]} and {value}")
        values[name] = value
    return kind(**values) if values else None


def labour(text: str) -> Labour | None:
    """Read ``operation=time``, as in ``IG-210=0.6 h``; None when empty."""
    if not text.strip():
        return None
    operation, time = name_and_value(text)
    return Labour(operation, quantity(time, "min") or 0.0)
