"""Words and numbers as typed at the shell, turned into what is meant."""

from __future__ import annotations

import re

from swapinfer.errors import InputError
from swapinfer.units import split_quantity, to_unit

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
