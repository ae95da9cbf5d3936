"""What was done: parts followed through their moves, repairs, and what all of it took."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import asdict

from swapinfer.claim.amounts import BookedLine, Charged, RepairRange, Spent, SpentLine
from swapinfer.claim.beliefs import Course
from swapinfer.claim.entries import Arrangement, Move, PartAt, PartLine, RepairLine, Trail
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, follow
from swapinfer.ledger.words import element_label, origin, place_label, where_words
from swapinfer.pack.model import Fix, Kind, Test, known_fix
from swapinfer.pack.money import OwnMoney
from swapinfer.plan.costing import Costing, PlanSettings, Task

POSSIBLE = 0.05
"""Share of an element's probability from which a way of failing counts as possible."""

WORK = ("testing", "moving", "repairing", "access", "driving")
"""Kinds of work that minutes are told apart by."""


def on_record(record: Record) -> tuple[int, str, str]:
    """Position, time and name: what every entry of a write-up begins with."""
    return record.seq, record.at, record.who


class Mended(Struct, frozen=True):
    """Something that was put right.

    Attributes
    ----------
    seq : int
        Position of the event.
    element : str
        What was there before.
    fix : Fix
        The repair that it needed, as far as that is known.
    price : float or None
        Of parts, where it was entered.
    fitted : frozenset of str
        All that was fitted just before.
    """

    seq: int
    element: str
    fix: Fix
    price: float | None
    fitted: frozenset[str]


class Sheet:
    """Time and cost of a job by standard times, access counted once while it stays open.

    Parameters
    ----------
    course : Course
        Says how what was repaired had failed.
    own : OwnMoney
        The shop's figures.

    Attributes
    ----------
    mended : list of Mended
        What was put right.
    minutes_of : dict of int to float
        Minutes of each event, when it was recorded.
    caused_by : dict of int to float
        Minutes that each event caused, the closing of what was opened for it among them.
    """

    def __init__(self, course: Course, own: OwnMoney) -> None:
        job = course.job
        self._course = course
        self._access = job.pack.access
        self._costing = Costing(job, PlanSettings.of_shop(job.pack, own))
        self._minutes = dict.fromkeys(WORK, 0.0)
        self._parts = self._other = 0.0
        self._priced = 0
        self._open: dict[str, int] = {}
        self._unclear: list[RepairRange] = []
        self.mended: list[Mended] = []
        self.minutes_of: dict[int, float] = {}
        self.caused_by: dict[int, float] = defaultdict(float)
        for (seq, event), before in zip(
            job.standing[1:], follow(job.standing, job.pack), strict=False
        ):
            self._seq, self._before = seq, before
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
        shares = kind.fix_shares(self._course.modes_of(element))
        fix = known_fix(shares)
        if fix is None:
            self._note_range(kind, element, shares)
        task = self._costing.repair_by(kind, {fix or kind.fix: 1.0})
        self._do("repairing", task, price)
        self._priced += price is not None
        fitted = frozenset(self._before.fitted.values())
        self.mended.append(Mended(self._seq, element, task.fix, price, fitted))

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
            label = self._course.label(element)
            self._unclear.append(RepairRange(label, min(minutes), max(minutes)))

    def _close(self, names: set[str]) -> None:
        for name in sorted(names):
            self._take("access", self._access[name].close_minutes, self._open.pop(name))

    def _take(self, work: str, minutes: float, seq: int) -> None:
        self._minutes[work] += minutes
        self.caused_by[seq] += minutes

    def total(self, records: Sequence[Record]) -> Spent:
        """Add everything up.

        Parameters
        ----------
        records : sequence of Record
            For the times at which the job began and was last worked on.
        """
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
            parts_priced=self._priced,
            parts_fitted=len(self.mended),
            other=self._other,
            total=labour + self._parts + self._other,
            currency=costs.currency,
            first_at=records[0].at,
            last_at=records[-1].at,
            unclear=tuple(self._unclear),
        )


def list_repairs(course: Course, sheet: Sheet, records: Sequence[Record]) -> tuple[RepairLine, ...]:
    """Say of every repair what it was, and how belief stood just then."""
    events = dict(course.job.standing)
    return tuple(
        _repair(course, mended, records[mended.seq], events[mended.seq]) for mended in sheet.mended
    )


def _repair(course: Course, mended: Mended, record: Record, event: Event) -> RepairLine:
    found = sum(1 for seq in course.evidence.seqs if seq < record.seq)
    chances = {name: float(course.fault_ne[found, course.index(name)]) for name in mended.fitted}
    probability = chances.pop(mended.element)
    if mended.element in course.subjects:
        chances = {name: p for name, p in chances.items() if name not in course.subjects}
    runner_up = max(chances, key=lambda name: (chances[name], name))
    done = event if isinstance(event, ev.Replaced) else ev.Replaced("")
    return RepairLine(
        *on_record(record),
        what=mended.fix.title,
        element=mended.element,
        label=course.label(mended.element),
        price=mended.price,
        new=PartLine(**asdict(done.new)) if done.new else PartLine(),
        old=PartLine(**asdict(done.old)) if done.old else PartLine(),
        labour=done.labour.operation if done.labour else "",
        probability=probability,
        next_label=course.label(runner_up),
        next_probability=chances[runner_up],
    )


def charge(job: Job, sheet: Sheet, spent: Spent, repairs: Sequence[RepairLine]) -> Charged | None:
    """Add up what was booked, beside the standard times of the same work; None if nothing was.

    Parameters
    ----------
    job : Job
        As replayed.
    sheet : Sheet
        Standard times of its events.
    spent : Spent
        Their sum, and the shop's rate.
    repairs : sequence of RepairLine
        What was put right.
    """
    booked = {seq: event.labour for seq, event in job.standing if isinstance(event, ev.Replaced)}
    work = [
        (labour, f"{one.what} ({one.label})", sheet.caused_by[one.seq])
        for one in repairs
        if (labour := booked.get(one.seq))
    ]
    if job.closing and job.closing.labour:
        left = spent.minutes - sum(standard for _, _, standard in work)
        work.append((job.closing.labour, "", left))
    lines = tuple(
        BookedLine(
            labour.operation,
            what,
            labour.minutes,
            standard,
            labour.minutes * spent.rate_per_hour / 60.0,
        )
        for labour, what, standard in work
    )
    if not lines:
        return None
    money = sum(line.money for line in lines)
    parts = sum(one.price or 0.0 for one in repairs)
    return Charged(lines, sum(line.booked for line in lines), money, parts, money + parts)


def list_cautions(job: Job, sheet: Sheet) -> tuple[str, ...]:
    """Texts of all cautions that belong to what was done, the general ones first."""
    named = set(job.cautions_met())
    for mended in sheet.mended:
        kind = job.engine.kinds[job.elements[mended.element].home.kind]
        named.update(job.access_cautions(kind.access_of(mended.fix)))
    return tuple(caution.text for name, caution in job.pack.cautions.items() if name in named)


def list_moves(job: Job, records: Sequence[Record]) -> tuple[Move, ...]:
    """List what was moved, by whom and when."""
    return tuple(Move(*on_record(records[stage.seq]), stage.event.say(job)) for stage in job.stages)


def arrange(job: Job) -> tuple[Arrangement, ...]:
    """Lay out, for each kind of part that moved, which part sat where after each change."""
    changed: dict[str, list[str]] = {}
    for place, where in job.engine.places.items():
        if any(stage.after[place] != place for stage in job.stages):
            changed.setdefault(where.kind, []).append(place)
    return tuple(
        Arrangement(
            kind=job.engine.kinds[kind].title,
            places=tuple(where_words(job.engine.places[place]) for place in places),
            rows=tuple(_rows(job, places)),
        )
        for kind, places in changed.items()
    )


def _rows(job: Job, places: Sequence[str]) -> Iterator[tuple[int, tuple[PartAt, ...]]]:
    yield 0, tuple(_part(job, place) for place in places)
    for stage in job.stages:
        if any(stage.after[place] != stage.before[place] for place in places):
            yield stage.seq, tuple(_part(job, stage.after[place]) for place in places)


def _part(job: Job, element: str) -> PartAt:
    is_new = job.elements[element].is_new
    return PartAt(element, "new" if is_new else origin(job, element).where)


def list_trails(job: Job) -> tuple[Trail, ...]:
    """Follow every part that ever changed its place."""
    trails = (
        Trail(element, element_label(job, element), tuple(_stops(job, element)))
        for element in job.elements
    )
    return tuple(trail for trail in trails if len(trail.stops) > 1)


def _stops(job: Job, element: str) -> Iterator[tuple[int, str]]:
    """Yield each place of an element with the event that brought it there, from where it began."""
    starts = not job.elements[element].is_new
    last = element if starts else ""
    if starts:
        yield 0, _where(job, element)
    for stage in job.stages:
        place = next((place for place, fits in stage.after.items() if fits == element), "")
        if place != last:
            yield stage.seq, _where(job, place)
        last = place


def _where(job: Job, place: str) -> str:
    if not place:
        return "off the vehicle"
    return where_words(job.engine.places[place]) or place_label(job.engine, place)
