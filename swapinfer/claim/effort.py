"""Time and cost of a job by standard times, access counted once while it stays open."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import singledispatchmethod

from swapinfer.claim.facts import RepairRange, Spent, SpentLine
from swapinfer.claim.moves import Stage
from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger import events as ev
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.pack.fixes import fix_shares, known_fix
from swapinfer.pack.model import Fix, Kind
from swapinfer.plan.costing import Costing, PlanSettings, Task

POSSIBLE = 0.05
"""Share of an element's probability from which a way of failing counts as possible."""

WORK = ("testing", "moving", "repairing", "access", "driving")
"""Kinds of work that minutes are told apart by."""


def tally(
    job: Job,
    course: Sequence[Stage],
    records: Sequence[Record],
    settings: ClaimSettings,
    modes_of: Callable[[str], Mapping[str, float]],
) -> Spent:
    """Add up standard times and prices of everything that stands in a job.

    Parameters
    ----------
    job : Job
        As replayed.
    course : sequence of Stage
        From `swapinfer.claim.moves.stages`.
    records : sequence of Record
        For the times at which the job began and was last worked on.
    settings : ClaimSettings
        Currency and labour rate.
    modes_of : callable
        Element to the probability of each way in which it may have failed.
    """
    costs = job.pack.costs
    rate = costs.rate_per_hour if settings.rate_per_hour is None else settings.rate_per_hour
    count = _Tally(job, course, modes_of)
    for stage_event in job.standing[1:]:
        count(*stage_event)
    count.close_all()
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
    """Goes through the events of a job."""

    def __init__(
        self, job: Job, course: Sequence[Stage], modes_of: Callable[[str], Mapping[str, float]]
    ) -> None:
        self.job = job
        self.costing = Costing(job, PlanSettings(job.pack.costs))
        self.modes_of = modes_of
        self.unclear: list[RepairRange] = []
        self.stages = {stage.seq: stage for stage in course}
        self.minutes = dict.fromkeys(WORK, 0.0)
        self.parts = self.other = 0.0
        self.priced = self.fitted = 0
        self.open: set[str] = set()
        self.last_test = ""

    def __call__(self, seq: int, event: ev.Event) -> None:
        self.seq = seq
        self.add(event)
        self.last_test = getattr(event, "test", "")

    @singledispatchmethod
    def add(self, event: ev.Event) -> None:
        """Refuse an event whose effort nobody knows."""
        raise ev.unhandled(event, "priced")

    @add.register
    def _(
        self, _event: ev.Opened | ev.Noted | ev.Attached | ev.Undone | ev.Closed | ev.Reopened
    ) -> None:
        """Count nothing."""

    @add.register
    def _(self, event: ev.Ran) -> None:
        self._close(name for name in self.open if not self.job.pack.access[name].stays_open)
        self.minutes["driving"] += event.minutes
        self.other += event.minutes * self.job.pack.costs.drive_cost_per_min
        if event.codes is not None or event.counts:
            self._do("testing", self.costing.reading())

    @add.register
    def _(self, event: ev.Measured | ev.Inspected) -> None:
        test, is_further = self.job.engine.tests[event.test], event.test == self.last_test
        self._do("testing", self.costing.testing(test, is_further=is_further))

    @add.register
    def _(self, event: ev.Swapped) -> None:
        for first, _ in event.swaps:
            self._do("moving", self.costing.moving(self.job.engine.kind_of(first)))

    @add.register
    def _(self, _event: ev.Returned) -> None:
        stage = self.stages[self.seq]
        moved = [place for place in stage.after if stage.after[place] != stage.before[place]]
        for place in moved[: (len(moved) + 1) // 2]:
            self._do("moving", self.costing.moving(self.job.engine.kind_of(place)))

    @add.register
    def _(self, event: ev.Reseated) -> None:
        self._do("moving", self.costing.reseating(self.job.engine.kind_of(event.place)))

    @add.register
    def _(self, event: ev.Replaced) -> None:
        kind = self.job.engine.kind_of(event.place)
        element = self.stages[self.seq].before[event.place]
        shares = fix_shares(kind, self.modes_of(element))
        fix = known_fix(shares)
        if fix is None:
            self._note_range(kind, element, shares)
        self._do("repairing", self.costing.repair_by(kind, {fix or kind.fix: 1.0}), event.price)
        self.fitted += 1
        self.priced += event.price is not None

    def _do(self, work: str, task: Task, price: float | None = None) -> None:
        """Count a task, its parts at what was paid for them if that is known."""
        for name in task.opens_p:
            self._open(name)
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

    def _open(self, name: str) -> None:
        if name not in self.open:
            self.open.add(name)
            self.minutes["access"] += self.job.pack.access[name].open_minutes

    def _close(self, names: Iterable[str]) -> None:
        for name in list(names):
            self.open.discard(name)
            self.minutes["access"] += self.job.pack.access[name].close_minutes

    def close_all(self) -> None:
        """Put back whatever is still off."""
        self._close(self.open)
