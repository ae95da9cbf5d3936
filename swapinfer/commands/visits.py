"""Visits of vehicles: what a history is learned from, and which of them are comebacks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.commands.shop import Shop
from swapinfer.ledger.events import Closed, Reopened, is_a
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Finding, Job


class Visit(Struct, frozen=True):
    """One visit: from a job's opening, or reopening, to its closing.

    Attributes
    ----------
    name : str
        The job's opaque id; later visits of a job have a number behind it.
    job : Job
        Of which it is a part, replayed to its end.
    records : sequence of Record
        Of that job.
    opened, ended : str
        Times; the end is that of the last record so far.
    since, until : int
        Time of its first event, and of the first that is no longer part of it.
    odometer_km : float or None
        When it began.
    closing : Closed or None
        How it ended.
    comeback_of : str
        Earlier visit whose complaint returned, or empty.
    """

    name: str
    job: Job
    records: Sequence[Record]
    opened: str
    ended: str
    since: int
    until: int
    odometer_km: float | None
    closing: Closed | None
    comeback_of: str = ""

    @property
    def findings(self) -> list[Finding]:
        """What was found in it."""
        return [one for one in self.job.findings if self.since <= one.time < self.until]


def list_visits(shop: Shop) -> list[Visit]:
    """List the visits of a shop's vehicles that have ended, and comebacks that have not.

    A job that was reopened is two visits, the second a comeback. So is another job of the same
    vehicle (by its identification number, which goes no further) within the pack's
    `comeback_days` of a verified repair.

    Parameters
    ----------
    shop : Shop
        Whose store is read; jobs that moved to another store are left to that one.

    Returns
    -------
    list of Visit
        In order of time.
    """
    visits: list[Visit] = []
    for row in shop.store.jobs():
        if row.status != "moved":
            records = shop.store.records(row.job)
            visits += visits_of(shop.replay(records), records)
    visits.sort(key=lambda one: datetime.fromisoformat(one.opened))
    linked = link_vehicles(visits, timedelta(days=shop.pack.custom.comeback_days))
    return [one for one in linked if one.closing or one.comeback_of]


def visits_of(job: Job, records: Sequence[Record]) -> Iterator[Visit]:
    """Part a job where it was reopened.

    Parameters
    ----------
    job : Job
        Replayed.
    records : sequence of Record
        That it was replayed from.
    """
    at = {record.seq: record.at for record in records}
    starts = [t for t, (_, event) in enumerate(job.standing) if is_a(event, Reopened)]
    before = ""
    for number, (since, until) in enumerate(
        zip([0, *starts], [*starts, len(job.standing)], strict=True)
    ):
        part = job.standing[since:until]
        seq, first = part[0]
        again = first.odometer_km if isinstance(first, Reopened) else None
        closed = [event for _, event in part if is_a(event, Closed)]
        name = f"{records[0].job}-{number + 1}" if number else records[0].job
        yield Visit(
            name=name,
            job=job,
            records=records,
            opened=at[seq],
            ended=at[part[-1][0]],
            since=since,
            until=until,
            odometer_km=job.opening.odometer_km if again is None else again,
            closing=closed[-1] if closed else None,
            comeback_of=before,
        )
        before = name


def link_vehicles(visits: Iterable[Visit], soon: timedelta) -> list[Visit]:
    """Link jobs of one vehicle that followed a verified repair too soon.

    Parameters
    ----------
    visits : iterable of Visit
        In order of time.
    soon : timedelta
        From the end of a verified repair to the opening of a comeback, at most.
    """
    last: dict[str, Visit] = {}
    linked = []
    for visit in visits:
        vin = "".join(visit.job.opening.vin.upper().split())
        before = last.get(vin)
        if vin and before and not visit.comeback_of and _gap(before, visit) <= soon:
            visit = replace(visit, comeback_of=before.name)  # noqa: PLW2901  the same visit, linked
        last[vin] = visit
        linked.append(visit)
    return linked


def _gap(before: Visit, after: Visit) -> timedelta:
    """Time from a verified repair to the next visit; longer than any if nothing was repaired."""
    if before.closing is None or not before.closing.verified:
        return timedelta.max
    ended, opened = (datetime.fromisoformat(at) for at in (before.ended, after.opened))
    return opened - ended
