"""Time and cost of a job by standard times, access counted once while it stays open."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from swapinfer.claim.facts import RepairRange, Spent, SpentLine
from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, follow
from swapinfer.ledger.words import element_label
from swapinfer.pack.fixes import fix_shares, known_fix
from swapinfer.pack.model import Fix, Kind, Test
from swapinfer.plan.costing import Costing, PlanSettings, Task

POSSIBLE = 0.05
"""Share of an element's probability from which a way of failing counts as possible."""

WORK = ("testing", "moving", "repairing", "access", "driving")
"""Kinds of work that minutes are told apart by."""


def tally(
    job: Job,
    records: Sequence[Record],
    settings: ClaimSettings,
    modes_of: Callable[[str], Mapping[str, float]],
) -> Spent:
    """Add up standard times and prices of everything that stands in a job.

    Parameters
    ----------
    job : Job
        As replayed.
    records : sequence of Record
        For the times at which the job began and was last worked on.
    settings : ClaimSettings
        Currency and labour rate.
    modes_of : callable
        Element to the probability of each way in which it may have failed.
    """
    costs = job.pack.costs
    rate = costs.rate_per_hour if settings.rate_per_hour is None else settings.rate_per_hour
    count = _Tally(job, modes_of)
    for (_, event), before in zip(job.standing[1:], follow(job.standing, job.pack), strict=False):
        count.before = before
        event.book(count, before)
    count.close(count.open)
    lines = tuple(
        SpentLine(work, count.minutes[work], count.minutes[work] * rate / 60.0) for work in WORK
    )
    minutes, labour = sum(line.minutes for line in lines), sum(line.money for line in lines)
    return Spent(
        lines=lines,
        minutes=minutes,
        labour=labour,
        rate_per_hour=rate,
        parts=count.parts,
        parts_priced=count.priced,
        parts_fitted=count.fitted,
        other=count.other,
        total=labour + count.parts + count.other,
        currency=settings.currency or costs.currency,
        first_at=records[0].at,
        last_at=records[-1].at,
        unclear=tuple(count.unclear),
    )


class _Tally:
    """Counts what the events of a job took; `before` is the job as it was before each."""

    def __init__(self, job: Job, modes_of: Callable[[str], Mapping[str, float]]) -> None:
        self.job = self.before = job
        self.costing = Costing(job, PlanSettings(job.pack.costs))
        self.modes_of = modes_of
        self.unclear: list[RepairRange] = []
        self.minutes = dict.fromkeys(WORK, 0.0)
        self.parts = self.other = 0.0
        self.priced = self.fitted = 0
        self.open: set[str] = set()

    def drove(self, minutes: float, *, is_read: bool) -> None:
        """Count a drive, for which what does not stay open is put back."""
        self.close({name for name in self.open if not self.job.pack.access[name].stays_open})
        self.minutes["driving"] += minutes
        self.other += minutes * self.job.pack.costs.drive_cost_per_min
        if is_read:
            self._do("testing", self.costing.reading())

    def tested(self, test: Test, *, is_further: bool) -> None:
        """Count a test."""
        self._do("testing", self.costing.testing(test, is_further=is_further))

    def moved(self, kind: Kind) -> None:
        """Count a swap."""
        self._do("moving", self.costing.moving(kind))

    def reseated(self, kind: Kind) -> None:
        """Count a contact that was reseated."""
        self._do("moving", self.costing.reseating(kind))

    def repaired(self, place: str, price: float | None) -> None:
        """Count the repair that the element needed, as far as that is known."""
        kind, element = self.job.engine.kind_of(place), self.before.fitted[place]
        shares = fix_shares(kind, self.modes_of(element))
        fix = known_fix(shares)
        if fix is None:
            self._note_range(kind, element, shares)
        self._do("repairing", self.costing.repair_by(kind, {fix or kind.fix: 1.0}), price)
        self.fitted += 1
        self.priced += price is not None

    def _do(self, work: str, task: Task, price: float | None = None) -> None:
        """Count a task, its parts at what was paid for them if that is known."""
        for name in task.opens_p:
            if name not in self.open:
                self.open.add(name)
                self.minutes["access"] += self.job.pack.access[name].open_minutes
        self.minutes[work] += task.effort.minutes
        parts = task.effort.parts if price is None else price
        if work == "repairing":
            self.parts += parts
        else:
            self.other += parts

    def _note_range(self, kind: Kind, element: str, shares: Mapping[Fix, float]) -> None:
        """Note from where to where a repair may have gone, unless all take the same."""
        possible = [fix for fix, p in shares.items() if p >= POSSIBLE]
        ways = [self.costing.repair_by(kind, {fix: 1.0}) for fix in possible]
        minutes = [self.costing.work([way], (), now=False).effort.minutes for way in ways]
        if minutes and min(minutes) < max(minutes):
            label = element_label(self.job, element)
            self.unclear.append(RepairRange(label, min(minutes), max(minutes)))

    def close(self, names: set[str]) -> None:
        """Put back what is off."""
        self.open = self.open - names
        self.minutes["access"] += sum(self.job.pack.access[n].close_minutes for n in names)
