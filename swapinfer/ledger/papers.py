"""What the trade's papers ask for beside findings: parts by their numbers, labour as booked."""

from __future__ import annotations

from datetime import date

from msgspec import Struct

from swapinfer.errors import InputError
from swapinfer.ledger.record import check_text

MOST_BOOKED = 10_000.0
"""Minutes booked on one operation at most; our choice."""


class Part(Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """A part as its papers name it; what is not known is empty."""

    number: str = ""
    serial: str = ""
    supplier: str = ""


class OldPart(Part, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """A part that came off: also where it is kept, and what it showed when removed."""

    kept: str = ""
    showed: str = ""


class Labour(Struct, frozen=True, forbid_unknown_fields=True):
    """A labour operation by its number, and the time booked on it."""

    operation: str
    minutes: float


def check_papers(part: Part | None, labour: Labour | None) -> None:
    """Refuse names that nobody can read, and times that nobody books.

    Raises
    ------
    InputError
        Naming what is wrong.
    """
    for name in part.__struct_fields__ if part else ():
        if text := getattr(part, name):
            check_text(f"a part's {name}", text)
    if labour:
        check_text("a labour operation", labour.operation)
        if not 0.0 < labour.minutes <= MOST_BOOKED:
            raise InputError(
                f"a booked time must be more than 0 and at most {MOST_BOOKED:,.0f} minutes, got "
                f"{labour.minutes:,.12g}"
            )


def check_day(name: str, text: str) -> None:
    """Refuse what is no day.

    Raises
    ------
    InputError
        Saying how a day is written.
    """
    try:
        date.fromisoformat(text)
    except ValueError:
        raise InputError(f'{name} "{text}" must be a day as in 2029-05-03') from None
