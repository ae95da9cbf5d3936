"""Times on record that do not fit one another, or the clock."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from swapinfer.claim.facts import Conflict
from swapinfer.ledger.event import Aside
from swapinfer.ledger.events import Opened, Ran, Reopened
from swapinfer.ledger.record import Record, as_utc, clock_steps
from swapinfer.ledger.replay import Job

ROUNDED = 5.0
"""Minutes by which a drive may be longer than the clock allows, and clocks may differ."""

FASTEST = 3.0
"""Times faster than by standard times that a job may have gone."""

ALL_ROUNDED = 30.0
"""Minutes of standard time that may be recorded in no time at all."""


def list_misfits(
    job: Job, records: Sequence[Record], minutes: Mapping[int, float], written_at: str
) -> list[Conflict]:
    """List the times that do not fit.

    Parameters
    ----------
    job : Job
        As replayed.
    records : sequence of Record
        The whole chain.
    minutes : mapping of int to float
        Standard time of each event.
    written_at : str
        Time of the write-up; empty where it has none.
    """
    misfits = [Conflict("clock", seq, records[seq].at) for seq in clock_steps(records)]
    misfits += _misfit_times(job, records, minutes)
    return misfits + (dated_after(records, as_utc(written_at)) if written_at else [])


def _misfit_times(
    job: Job, records: Sequence[Record], minutes: Mapping[int, float]
) -> Iterator[Conflict]:
    """Yield drives longer than the clock allows, and work that the whole time is too short for.

    What was driven before a job was opened, or opened again, may be recorded just after.
    """
    events = [(seq, event) for seq, event in job.standing if not isinstance(event, Aside)]
    taken = 0.0
    for (before, earlier), (seq, event) in pairwise(events):
        if isinstance(event, Ran) and isinstance(earlier, (Opened, Reopened)):
            continue
        taken += minutes[seq]
        if isinstance(event, Ran) and event.minutes > _passed(records, before, seq) + ROUNDED:
            since = records[before].at
            yield Conflict("drive", seq, records[seq].at, since=since, minutes=event.minutes)
    last = events[-1][0]
    if taken > FASTEST * _passed(records, 0, last) + ALL_ROUNDED:
        yield Conflict("work", last, records[last].at, since=records[0].at, minutes=taken)


def _passed(records: Sequence[Record], first: int, last: int) -> float:
    """Minutes on the clock from one record to another."""
    return (as_utc(records[last].at) - as_utc(records[first].at)).total_seconds() / 60.0


def dated_after(records: Sequence[Record], time: datetime) -> list[Conflict]:
    """List the records that are dated after a time, for which they were still to come."""
    latest = time + timedelta(minutes=ROUNDED)
    late = [record for record in records if as_utc(record.at) > latest]
    return [Conflict("future", record.seq, record.at) for record in late]
