"""Every error that swapinfer raises on purpose, one exit code a class."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import ClassVar


class SwapinferError(Exception):
    """Root of the tree; `str` of it is the one line that a person reads."""

    exit_code: ClassVar[int] = 1

    def __init_subclass__(cls, exit_code: int = 0) -> None:
        """Give a class of errors the exit code that it names, or else that of its base."""
        cls.exit_code = exit_code or cls.exit_code


class InputError(SwapinferError, exit_code=2):
    """A word, number or file typed by the user is not acceptable."""


class PackError(InputError, exit_code=7):
    """A priors file is unreadable, malformed or contradicts itself."""


class PlaceError(InputError, exit_code=8):
    """A part or place that this engine, or this job, does not have."""


class DoubtError(InputError, exit_code=11):
    """A value that can be, but hardly is meant; it is taken from whoever insists."""


class LedgerError(SwapinferError, exit_code=3):
    """The store cannot be used or a job's chain of events is broken."""


class JobError(LedgerError, exit_code=9):
    """No such job, or the job's state forbids the event."""


class ConflictError(LedgerError, exit_code=10):
    """The event contradicts one that someone else recorded first."""


class UnconfirmedError(LedgerError, exit_code=11):
    """Something speaks against the event; it is recorded once someone confirms it."""


class EvidenceError(SwapinferError, exit_code=4):
    """The findings cannot be handled exactly within the stated bounds."""


class LearnError(SwapinferError, exit_code=5):
    """History cannot be read, or the sampler did not become healthy."""


class ClaimError(SwapinferError, exit_code=6):
    """A write-up cannot be made, or does not verify."""


class OwnPriorsError(ClaimError, exit_code=14):
    """A write-up verifies, but its priors are not the published ones."""


class IncompleteError(ClaimError, exit_code=15):
    """A write-up lacks what its template requires, or goes beyond its limits."""


class ExtraError(SwapinferError, exit_code=12):
    """A library that only some commands need is not installed; the message says what to install."""


class BusError(SwapinferError, exit_code=13):
    """The diagnostic bus cannot be used, or what came over it is not whole."""


EXTRAS = {
    "PIL": "claim", "pypdf": "claim", "typst": "claim",
    "arviz": "learn", "matplotlib": "learn", "numba": "learn", "nutpie": "learn",
    "pandas": "learn", "pyarrow": "learn", "pymc": "learn", "scipy": "learn",
    "can": "bus", "jinja2": "page", "segno": "page", "starlette": "page", "uvicorn": "page",
    "psycopg": "postgres",
}  # fmt: skip
"""Extra of this distribution that brings a library in; the others it needs always."""


def missing_extra(library: str) -> ExtraError | None:
    """Say which extra, if any, would bring a library in that could not be imported."""
    top = library.partition(".")[0]
    if top not in EXTRAS:
        return None
    return ExtraError(
        f'this needs {top}, which is not installed; pip install "swapinfer[{EXTRAS[top]}]"'
    )


_HIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""What breaks lines, moves the cursor, turns the direction of reading, or is no character."""


def printable(text: str, keep: str = "") -> str:
    r"""Show control characters, but those to keep, as escapes, so that a name stays on its line.

    Examples
    --------
    >>> printable("two\nlines")
    'two\\nlines'
    """
    return _HIDDEN.sub(
        lambda found: found[0] if found[0] in keep else found[0].encode("unicode_escape").decode(),
        text,
    )


LISTED = 20
"""Known words that are listed when none comes near."""


def one_word(text: str) -> str:
    """Join the words of a text as ids join them."""
    return "-".join(text.lower().split())


def known_word(typed: str, known: Iterable[str], refusal: str) -> str:
    """Return the id that was typed, with blanks for hyphens or capitals if need be.

    Raises
    ------
    InputError
        With the refusal if it is none of those known; what comes near is said behind it.
    """
    word, options = one_word(typed), list(known)
    if word not in options:
        raise InputError(refusal + near_match(word, options))
    return word


def near_match(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant: ``'; did you mean "x"?'``, or what is known."""
    options = list(known)
    close = difflib.get_close_matches(word.lower(), options, n=1, cutoff=0.6)
    if close:
        return f'; did you mean "{close[0]}"?'
    more = f" and {len(options) - LISTED} more" if len(options) > LISTED else ""
    return "; known: " + ", ".join(options[:LISTED]) + more if options else ""


_KINDS = {
    "array": "a list", "bool": "true or false", "float": "a number", "int": "a whole number",
    "null": "nothing", "object": "a table", "str": "a text",
}  # fmt: skip


def misfit(error: Exception) -> str:
    """Say what of a table is not as it should be: "minutes must be a number, got a text".

    Parameters
    ----------
    error : msgspec.ValidationError
        Raised while it was read.
    """
    what, _, where = str(error).partition(" - at ")
    said = re.sub(r"`([^`]+)`", lambda found: _kind_words(found[1]), what)
    for theirs, ours in (
        ("Expected", "must be"),
        ("Object missing required field", "lacks the field"),
        ("Object contains unknown field", "has no field"),
    ):
        said = said.replace(theirs, ours)
    return re.sub(r"[`$]\.?", "", f"{where} {said}").strip()


def _kind_words(name: str) -> str:
    kinds = name.split(" | ")
    return " or ".join(map(_KINDS.__getitem__, kinds)) if _KINDS.keys() >= {*kinds} else f'"{name}"'
