"""What was begun in a job and not finished: work that no drive has yet shown the result of."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job
from swapinfer.ledger.runs import has_misfired, is_clean, proving_minutes

NOTHING_OWED: tuple[None, float] = None, 0.0


class Begun(Struct, frozen=True):
    """How far a job has come.

    Attributes
    ----------
    is_blind : bool
        Whether the engine was not even run yet.
    is_undriven : bool
        Whether something was moved, reseated or replaced since the last run.
    failed_in : tuple of str
        Conditions of the latest run in which a misfire was read.
    owed_in : tuple of str or None
        Conditions of the drive that the last repair still owes; None when it owes none.
    owed_minutes : float
        Minutes of it that are still to be driven clean; 0 when none is owed.
    lamp : bool
        Whether a run since the last repair felt as if a cylinder missed all the time.
    """

    is_blind: bool
    is_undriven: bool
    failed_in: tuple[str, ...]
    owed_in: tuple[str, ...] | None
    owed_minutes: float
    lamp: bool


def what_was_begun(job: Job) -> Begun:
    """Find what a job has begun and not finished.

    Parameters
    ----------
    job : Job
        As it stands.

    Returns
    -------
    Begun
    """
    events = [event for _, event in job.standing]
    repaired = max((n for n, e in enumerate(events) if isinstance(e, ev.Replaced)), default=0)
    before, after = _runs(events[:repaired]), _runs(events[repaired:])
    failed = [run for run in (*before, *after) if has_misfired(job, run)]
    owed_in, owed_minutes = _owed(job, before, after) if repaired else NOTHING_OWED
    at_work = max((n for n, e in enumerate(events) if e.is_work), default=0)
    return Begun(
        is_blind=not before and not after,
        is_undriven=at_work > 0 and not _runs(events[at_work:]),
        failed_in=failed[-1].conditions if failed else (),
        owed_in=owed_in,
        owed_minutes=owed_minutes,
        lamp=any(run.felt and job.pack.feelings[run.felt].hard for run in after),
    )


def _runs(events: Iterable[Event]) -> list[ev.Ran]:
    return [event for event in events if isinstance(event, ev.Ran)]


def _owed(
    job: Job, before: list[ev.Ran], after: list[ev.Ran]
) -> tuple[tuple[str, ...] | None, float]:
    """Conditions in which it failed before the repair and was not proven since; minutes missing."""
    if any(has_misfired(job, run) for run in after):
        return NOTHING_OWED
    clean = [run for run in after if is_clean(job, run)]
    failed_in = [run.conditions for run in before if has_misfired(job, run)]
    for tags in reversed(failed_in or [()]):
        driven = sum(run.minutes for run in clean if set(tags) <= set(run.conditions))
        if driven < proving_minutes(job):
            return tags, proving_minutes(job) - driven
    return NOTHING_OWED
