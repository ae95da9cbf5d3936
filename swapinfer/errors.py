"""Every error that swapinfer raises on purpose, one exit code a class.

::

    SwapinferError            1
    ├── InputError            2   a word, number or file typed by the user
    │   ├── PackError         7   a priors file
    │   ├── PlaceError        8   a part or place that the engine or the job does not have
    │   └── DoubtError       11   a value that can be, but hardly is meant
    ├── LedgerError           3   the store or a job's chain of events
    │   ├── JobError          9   no such job, closed job, nothing to undo
    │   └── ConflictError    10   someone else was first
    ├── EvidenceError         4   findings that the exact engine cannot take
    ├── LearnError            5   history that cannot be learned from
    └── ClaimError            6   a write-up that cannot be made or does not verify
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import ClassVar


class SwapinferError(Exception):
    """Root of the tree; `str` of it is the one line that a person reads."""

    exit_code: ClassVar[int] = 1


class InputError(SwapinferError):
    """A word, number or file typed by the user is not acceptable."""

    exit_code = 2


class PackError(InputError):
    """A priors file is unreadable, malformed or contradicts itself."""

    exit_code = 7


class PlaceError(InputError):
    """A part or place that this engine, or this job, does not have."""

    exit_code = 8


class DoubtError(InputError):
    """A value that can be, but hardly is meant; it is taken from whoever insists."""

    exit_code = 11


class LedgerError(SwapinferError):
    """The store cannot be used or a job's chain of events is broken."""

    exit_code = 3


class JobError(LedgerError):
    """No such job, or the job's state forbids the event."""

    exit_code = 9


class ConflictError(LedgerError):
    """The event contradicts one that someone else recorded first."""

    exit_code = 10


class EvidenceError(SwapinferError):
    """The findings cannot be handled exactly within the stated bounds."""

    exit_code = 4


class LearnError(SwapinferError):
    """History cannot be read, or the sampler did not become healthy."""

    exit_code = 5


class ClaimError(SwapinferError):
    """A write-up cannot be made, or does not verify."""

    exit_code = 6


LISTED = 20
"""Known words that are listed when none comes near."""


def near_match(word: str, known: Iterable[str]) -> str:
    """Say which known word was probably meant.

    Parameters
    ----------
    word : str
        What was typed.
    known : iterable of str
        What would have been accepted.

    Returns
    -------
    str
        ``'; did you mean "x"?'`` or the list of what is known.
    """
    options = list(known)
    close = difflib.get_close_matches(word.lower(), options, n=1, cutoff=0.6)
    if close:
        return f'; did you mean "{close[0]}"?'
    more = f" and {len(options) - LISTED} more" if len(options) > LISTED else ""
    return "; known: " + ", ".join(options[:LISTED]) + more if options else ""
