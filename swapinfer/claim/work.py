"""What was done: parts followed through their moves, repairs, and what all of it took."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from msgspec.structs import asdict

from swapinfer.claim.beliefs import Reasoning
from swapinfer.claim.facts import (
    Arrangement,
    BookedLine,
    Charged,
    PartAt,
    PartPapers,
    RepairLine,
    RepairRange,
    Spent,
    SpentLine,
    Trail,
)
from swapinfer.claim.words import WORK
from swapinfer.ledger.events import Replaced
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, follow
from swapinfer.ledger.words import element_label, origin, place_label, where_words
from swapinfer.pack.model import Fix, Kind, Test, known_fix
from swapinfer.pack.money import OwnMoney
from swapinfer.plan.costing import Costing, PlanSettings, Task

POSSIBLE = 0.05  # share of an element's probability from which a way of failing counts as possible


def on_record(record: Record) -> tuple[int, str, str]:
    """Position, time and name: what every entry of a write-up begins with."""
    return record.seq, record.at, record.who


class Sheet:
    """What was put right in a job, and what all of it took by standard times.

    Access counts once while it stays open. Of each event there are the minutes when it was
    recorded, and those that it caused, the closing of what was opened for it among them.
    """

    def __init__(self, reasoning: Reasoning, records: Sequence[Record], own: OwnMoney) -> None:
        job = reasoning.job
        self._reasoning, self._records, self._access = reasoning, records, job.pack.access
        self._costing = Costing(job, PlanSettings.of_shop(job.pack, own))
        self._minutes = dict.fromkeys(WORK, 0.0)
        self._parts = self._other = 0.0
        self._open: dict[str, int] = {}
        self._unclear: list[RepairRange] = []
        self._cautions = set(job.cautions_met())
        self.repairs: list[RepairLine] = []
        self.minutes_of: dict[int, float] = {}
        self.caused_by: dict[int, float] = defaultdict(float)
        for (seq, event), before in zip(
            job.standing[1:], follow(job.standing, job.pack), strict=False
        ):
            self._seq, self._event, self._before = seq, event, before
            so_far = sum(self._minutes.values())
            event.book(self, before)
            self.minutes_of[seq] = sum(self._minutes.values()) - so_far
        self._close(set(self._open))

    def drove(self, minutes: float, *, is_read: bool) -> None:
        """Count a drive, for which what does not stay open is put back."""
        self._close({name for name in self._open if not self._access[name].stays_open})
        self._minutes["driving"] += minutes
        self._other += minutes * self._costing.settings.costs.drive_cost_per_min
        if is_read:
            self._do("testing", self._costing.reading())

    def tested(self, test: Test, *, is_further: bool) -> None:
        """Count a test."""
        self._do("testing", self._costing.testing(test, is_further=is_further))

    def moved(self, kind: Kind) -> None:
        """Count a swap."""
        self._do("moving", self._costing.moving(kind))

    def reseated(self, kind: Kind) -> None:
        """Count a contact that was reseated."""
        self._do("moving", self._costing.reseating(kind))

    def repaired(self, place: str, price: float | None) -> None:
        """Count the repair that the element needed, as far as that is known."""
        kind, element = self._before.engine.kind_of(place), self._before.fitted[place]
        shares = kind.fix_shares(self._reasoning.modes_of(element))
        fix = known_fix(shares)
        if fix is None:
            self._note_range(kind, element, shares)
        task = self._costing.repair_by(kind, {fix or kind.fix: 1.0})
        self._do("repairing", task, price)
        job = self._reasoning.job
        self._cautions.update(job.access_cautions(kind.access_of(task.fix)))
        self.repairs.append(self._describe(task.fix, element, price))

    def _describe(self, fix: Fix, element: str, price: float | None) -> RepairLine:
        """Say what a repair was, and how belief stood just then."""
        reasoning = self._reasoning
        found = sum(1 for seq in reasoning.evidence.seqs if seq < self._seq)
        fault_e = reasoning.fault_ne[found]
        fitted = self._before.fitted.values()
        chances = {name: float(fault_e[reasoning.index(name)]) for name in fitted}
        probability = chances.pop(element)
        if element in reasoning.subjects:
            chances = {name: p for name, p in chances.items() if name not in reasoning.subjects}
        runner_up = max(chances, key=lambda name: (chances[name], name))
        done = self._event if isinstance(self._event, Replaced) else Replaced("")
        return RepairLine(
            *on_record(self._records[self._seq]),
            what=fix.title,
            element=element,
            label=reasoning.label(element),
            price=price,
            new=PartPapers(**asdict(done.new)) if done.new else PartPapers(),
            old=PartPapers(**asdict(done.old)) if done.old else PartPapers(),
            labour=done.labour.operation if done.labour else "",
            probability=probability,
            next_label=reasoning.label(runner_up),
            next_probability=chances[runner_up],
        )

    def _do(self, work: str, task: Task, price: float | None = None) -> None:
        """Count a task, its parts at what was paid for them if that is known."""
        for name in task.opens_p:
            if name not in self._open:
                self._open[name] = self._seq
                self._take("access", self._access[name].open_minutes, self._seq)
        self._take(work, task.effort.minutes, self._seq)
        parts = task.effort.parts if price is None else price
        if work == "repairing":
            self._parts += parts
        else:
            self._other += parts

    def _note_range(self, kind: Kind, element: str, shares: Mapping[Fix, float]) -> None:
        """Note from where to where a repair may have gone, unless all take the same."""
        possible = [fix for fix, p in shares.items() if p >= POSSIBLE]
        ways = [self._costing.repair_by(kind, {fix: 1.0}) for fix in possible]
        minutes = [w.effort.minutes + self._costing.reach(w.opens_p, now=False)[0] for w in ways]
        if minutes and min(minutes) < max(minutes):
            label = self._reasoning.label(element)
            self._unclear.append(RepairRange(label, min(minutes), max(minutes)))

    def _close(self, names: set[str]) -> None:
        for name in sorted(names):
            self._take("access", self._access[name].close_minutes, self._open.pop(name))

    def _take(self, work: str, minutes: float, seq: int) -> None:
        self._minutes[work] += minutes
        self.caused_by[seq] += minutes

    def total(self) -> Spent:
        """Add everything up, between the times of the first and the last record."""
        costs = self._costing.settings.costs
        rate = costs.rate_per_hour
        lines = tuple(
            SpentLine(work, minutes, minutes * rate / 60.0)
            for work, minutes in self._minutes.items()
        )
        labour = sum(line.money for line in lines)
        return Spent(
            lines=lines,
            minutes=sum(line.minutes for line in lines),
            labour=labour,
            rate_per_hour=rate,
            parts=self._parts,
            parts_priced=sum(one.price is not None for one in self.repairs),
            parts_fitted=len(self.repairs),
            other=self._other,
            total=labour + self._parts + self._other,
            currency=costs.currency,
            first_at=self._records[0].at,
            last_at=self._records[-1].at,
            unclear=tuple(self._unclear),
        )

    def charge(self, spent: Spent) -> Charged | None:
        """Add up what was booked, beside standard times of the same work; None if nothing was."""
        job = self._reasoning.job
        booked = {seq: event.labour for seq, event in job.standing if isinstance(event, Replaced)}
        work = [
            (labour, f"{one.what} ({one.label})", self.caused_by[one.seq])
            for one in self.repairs
            if (labour := booked.get(one.seq))
        ]
        if job.closing and job.closing.labour:
            left = spent.minutes - sum(standard for _, _, standard in work)
            work.append((job.closing.labour, "", left))
        if not work:
            return None
        rate = spent.rate_per_hour
        lines = tuple(
            BookedLine(one.operation, what, one.minutes, standard, one.minutes * rate / 60.0)
            for one, what, standard in work
        )
        money = sum(line.money for line in lines)
        parts = sum(one.price or 0.0 for one in self.repairs)
        return Charged(lines, sum(line.booked for line in lines), money, parts, money + parts)

    def cautions(self) -> tuple[str, ...]:
        """Texts of all cautions that belong to what was done, the general ones first."""
        known = self._reasoning.job.pack.cautions
        return tuple(caution.text for name, caution in known.items() if name in self._cautions)


def list_arrangements(job: Job) -> tuple[Arrangement, ...]:
    """Lay out, for each kind of part that moved, which part sat where after each change."""
    changed: dict[str, list[str]] = {}
    for place, where in job.engine.places.items():
        if any(stage.after[place] != place for stage in job.stages):
            changed.setdefault(where.kind, []).append(place)

    def part(element: str) -> PartAt:
        is_new = job.elements[element].is_new
        return PartAt(element, "new" if is_new else origin(job, element).where)

    arrangements = []
    for kind, places in changed.items():
        rows = [(0, tuple(map(part, places)))]
        rows += [
            (stage.seq, tuple(part(stage.after[place]) for place in places))
            for stage in job.stages
            if any(stage.after[place] != stage.before[place] for place in places)
        ]
        where_p = tuple(where_words(job.engine.places[place]) for place in places)
        arrangements.append(Arrangement(job.engine.kinds[kind].title, where_p, tuple(rows)))
    return tuple(arrangements)


def list_trails(job: Job) -> tuple[Trail, ...]:
    """Follow every part that ever changed its place, from where it began."""

    def where(place: str) -> str:
        if not place:
            return "off the vehicle"
        return where_words(job.engine.places[place]) or place_label(job.engine, place)

    trails = []
    for element, part in job.elements.items():
        stops = [(0, "" if part.is_new else element)]
        for stage in job.stages:
            place = next((place for place, fits in stage.after.items() if fits == element), "")
            if place != stops[-1][1]:
                stops.append((stage.seq, place))
        told = tuple((seq, where(place)) for seq, place in stops[part.is_new :])
        if len(told) > 1:
            trails.append(Trail(element, element_label(job, element), told))
    return tuple(trails)
