"""The fold: from a job's events to where every part is and what has been found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TypeAlias

import msgspec
from msgspec.structs import replace

from swapinfer.errors import ConflictError, InputError, JobError, PlaceError, near_match
from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Aside, Event, Tested, unhandled
from swapinfer.ledger.runs import DRIVEN, ending
from swapinfer.pack.engine import Engine, require_engine
from swapinfer.pack.model import Handling, Pack, Test

Numbered: TypeAlias = tuple[int, Event]
"""An event and its position in the job's chain."""

FOUND = (ev.Ran, ev.Scanned, ev.Measured, ev.Inspected, ev.Reopened)
"""Events that say something about faults."""


class Element(msgspec.Struct, frozen=True):
    """Something that can be faulty, with an identity of its own."""

    id: str  # home place, with ``.new`` and a number for what was fitted later
    home: Place
    is_new: bool  # fitted during the job
    age_km: float


class Disturbance(msgspec.Struct, frozen=True):
    """What was disturbed at a time, and what that may have done."""

    time: int  # index of the event among those that stand
    element: str
    handling: Handling


class Finding(msgspec.Struct, frozen=True):
    """An event that says something about faults."""

    seq: int  # position in the chain
    time: int  # index among the events that stand
    event: ev.Ran | ev.Scanned | ev.Measured | ev.Inspected | ev.Reopened
    fitted: Mapping[str, str]  # place to element, then


class Stage(msgspec.Struct, frozen=True):
    """A piece of work, and where everything was just before and just after."""

    seq: int
    event: Event
    before: Mapping[str, str]  # place to element
    after: Mapping[str, str]


class Job(msgspec.Struct, eq=False):
    """A job replayed."""

    opening: ev.Opened
    engine: Engine
    pack: Pack
    elements: dict[str, Element] = {}  # everything that is or was fitted, in order of appearance
    fitted: dict[str, str] = {}  # place to element, now
    disturbances: list[Disturbance] = []
    findings: list[Finding] = []
    stages: list[Stage] = []
    open_access: set[str] = set()  # what is off the engine now
    arrival: tuple[int, Mapping[str, str]] = (0, {})  # time it last came in, `fitted` then
    closing: ev.Closed | None = None  # set while the job is closed
    standing: list[Numbered] = []  # events that have not been undone
    undone: frozenset[int] = frozenset()  # positions of those that have
    odometer_km: float | None = None  # distance on the clock when last read
    returns: dict[int, float] = {}  # time of each reopening to km driven since the closing

    @property
    def time(self) -> int:
        """Index that the next event gets among those that stand."""
        return len(self.standing)

    @property
    def happened(self) -> list[Numbered]:
        """What stands, without the undoings: replayed, it leads to the same job."""
        return [(seq, event) for seq, event in self.standing if not isinstance(event, ev.Undone)]

    @property
    def status(self) -> str:
        """Open, closed (not verified) or verified."""
        if self.closing is None:
            return "open"
        return "verified" if self.ending(self.closing) == DRIVEN else "closed"

    def ending(self, closing: ev.Closed) -> str:
        """Say how the job ended, as far as the events before show."""
        return ending(self, closing)

    def place_of(self, element: str) -> Place | None:
        """Where an element sits now; None on the bench."""
        for place, fitted in self.fitted.items():
            if fitted == element:
                return self.engine.places[place]
        return None

    def away_from_home(self) -> list[str]:
        """Fitted parts that do not sit where they belong."""
        return [
            element
            for place, element in self.fitted.items()
            if self.elements[element].home.id != place
        ]

    def moves_home(self) -> list[tuple[str, str]]:
        """Fewest exchanges of two places that put every part back."""
        fitted, moves = dict(self.fitted), []
        at = {element: place for place, element in fitted.items()}
        for place in self.engine.places:
            belongs = self._owner(place, fitted)
            if belongs != fitted[place]:
                other = at[belongs]
                moves.append((place, other))
                fitted[place], fitted[other] = belongs, fitted[place]
                at[fitted[other]] = other
        return moves

    def _owner(self, place: str, fitted: Mapping[str, str]) -> str:
        return next(e for e in fitted.values() if self.elements[e].home.id == place)

    def disturbed_by(self, places: Iterable[str]) -> list[tuple[str, Handling]]:
        """List what handling these places disturbs, themselves first, and what it may do."""
        touched: list[tuple[str, Handling]] = []
        for name in places:
            place = self.engine.places[name]
            touched.append((self.fitted[name], Handling(place.kind, "", 0.0)))
            for handling in self.engine.kinds[place.kind].handling:
                touched += [
                    (self.fitted[other.id], handling)
                    for other in self.engine.places_for(handling.kind)
                    if set(other.cylinders) <= set(place.cylinders)
                ]
        return touched

    def disturbed_by_test(self, test: Test, target: str) -> list[tuple[str, Handling]]:
        """List what making a test on a target disturbs, and what it may do.

        It handles what serves any of the target's cylinders: a coil pack's connector is unplugged
        for a reading at one of them.
        """
        cylinders = set(self.engine.target_cylinders(target))
        return [
            (self.fitted[place.id], handling)
            for place in self.engine.places.values()
            for handling in test.disturbs
            if place.kind == handling.kind and cylinders & set(place.cylinders)
        ]

    def needs_open(self, access: str) -> list[str]:
        """List what must be off to reach something, outermost first."""
        if not access:
            return []
        needed = [inner for a in self.pack.access[access].needs for inner in self.needs_open(a)]
        return [*dict.fromkeys(needed), access]

    def access_cautions(self, access: str) -> Iterator[str]:
        """Yield the ids of the cautions that go with all that must be off to reach something."""
        for opened in self.needs_open(access):
            yield from self.pack.access[opened].cautions

    def cautions_met(self) -> frozenset[str]:
        """Ids of the cautions that some recorded work carries: whoever did it was shown them."""
        return frozenset(name for _, event in self.standing for name in event.cautions(self))

    def take(self, seq: int, event: Event) -> None:
        """Go on to after an event."""
        if self.closing and not isinstance(event, (ev.Reopened, Aside)):
            raise JobError(
                f'job {self.opening.ro} is closed; reopen it before recording "{event.type}"'
            )
        before = dict(self.fitted)
        event.apply(self)
        if isinstance(event, ev.Scanned):
            self._scan(seq, event)
        elif isinstance(event, ev.Ran):
            self.findings.append(Finding(seq, self.time, self._fresh(seq, event), before))
        elif isinstance(event, FOUND):
            self.findings.append(Finding(seq, self.time, event, before))
        elif isinstance(event, Tested):
            raise unhandled(event, "weighed")
        elif event.is_work:
            self.stages.append(Stage(seq, event, before, dict(self.fitted)))
        self.standing.append((seq, event))

    @property
    def latest(self) -> Finding | None:
        """Last run since the vehicle came in, or what was stored then; None before either."""
        told = (f for f in reversed(self.findings) if isinstance(f.event, ev.Coded))
        last = next(told, None)
        return last if last and last.time >= self.arrival[0] else None

    def _scan(self, seq: int, scanned: ev.Scanned) -> None:
        """Add what was read to the last run, or to what the vehicle came in with."""
        last = self.latest
        if last is None:
            time, fitted = self.arrival
            self.findings.append(Finding(seq, time, scanned, fitted))
            return
        fields = last.event.__struct_fields__
        more = {name: found for name, found in scanned.told.items() if name in fields}
        told = replace(last.event, **more)
        told = self._fresh(last.seq, told) if isinstance(told, ev.Ran) else told
        self.findings[self.findings.index(last)] = replace(last, event=told)

    @property
    def is_erased(self) -> bool:
        """Whether control units were emptied, and the engine did not run since."""
        for _, event in reversed(self.standing):
            if isinstance(event, (ev.Erased, ev.Ran, ev.Reopened)):
                return isinstance(event, ev.Erased)
        return False

    def _fresh(self, seq: int, run: ev.Ran) -> ev.Ran:
        """Leave out of a run what was stored before it.

        A code that a drive confirms is pending too, so where pending ones were read, those that
        are only stored and were so before are of an earlier drive.
        """
        if run.pending is None or not run.codes:
            return run
        old = {*self.listed_before(seq, "codes")} - {*run.pending}
        return replace(run, codes=tuple(code for code in run.codes if code not in old))

    def listed_before(self, seq: int, memory: str) -> Sequence[str]:
        """Return the ``codes`` or ``pending`` read last before an event, and not erased since."""
        for earlier, event in reversed(self.standing):
            if earlier < seq and isinstance(event, ev.Erased):
                return ()
            if earlier < seq and isinstance(event, ev.Coded) and memory in event.told:
                listed: Sequence[str] = event.told[memory]
                return listed
        return ()

    def swap(self, first: str, second: str) -> None:
        """Exchange the parts of two places."""
        a, b = self.engine.find_place(first), self.engine.find_place(second)
        if a == b:
            raise PlaceError(f"{first} cannot be swapped with itself; name another place")
        if a.kind != b.kind:
            raise PlaceError(f"{first} and {second} are not of one kind and cannot change places")
        if not self.engine.kinds[a.kind].movable:
            title = self.engine.kinds[a.kind].title
            raise PlaceError(
                f"the {title} cannot move between cylinders; test or repair it in place"
            )
        self.handle(first, second)
        self.fitted[first], self.fitted[second] = self.fitted[second], self.fitted[first]

    def handle(self, *places: str) -> None:
        """Reach what sits at places, and disturb it."""
        for place in places:
            self._open(self.engine.kind_of(place).access)
        self._disturb(self.disturbed_by(places))

    def fit_new(self, place: Place) -> None:
        """Replace what sits at a place; a place that its owner thereby loses is the newcomer's."""
        kind = self.engine.kinds[place.kind]
        self._open(*(kind.access_of(fix) for fix in kind.fixes))
        self._disturb(self.disturbed_by([place.id]))
        count = sum(1 for name in self.elements if name.startswith(f"{place.id}.new"))
        name = f"{place.id}.new{count + 1 if count else ''}"
        self.elements[name] = Element(name, place, is_new=True, age_km=0.0)
        vacated = self.elements[self.fitted[place.id]].home
        if vacated != place:
            owner = self.elements[self._owner(place.id, self.fitted)]
            self.elements[owner.id] = replace(owner, home=vacated)
        self.fitted[place.id] = name

    def reach_test(self, test_id: str, target: str, form: str) -> None:
        """Open and disturb what a test asks for."""
        tests = self.engine.tests
        if test_id not in tests:
            raise InputError(f'no test "{test_id}" for this engine{near_match(test_id, tests)}')
        test = tests[test_id]
        if test.form != form:
            wanted = "a number" if test.form == "reading" else "a named outcome"
            raise InputError(f'"{test_id}" is recorded with {wanted}')
        targets = self.engine.target_places(test.target)
        if target not in targets:
            raise PlaceError(
                f'"{test_id}" cannot be made on "{target}"{near_match(target, targets)}'
            )
        self._open(test.access)
        self._disturb(self.disturbed_by_test(test, target))

    def close_to_run(self) -> None:
        """Put back what an engine does not run without."""
        self.open_access = {name for name in self.open_access if self.pack.access[name].stays_open}

    def came_back(self, driven_km: float, odometer_km: float | None) -> None:
        """Give what was fitted during the job the distance that it has done since it was closed."""
        self.returns[self.time] = driven_km
        self.arrival = (self.time, dict(self.fitted))
        self.odometer_km = self.odometer_km if odometer_km is None else odometer_km
        for name in self.fitted.values():
            element = self.elements[name]
            if element.is_new:
                self.elements[name] = replace(element, age_km=element.age_km + driven_km)

    def _open(self, *ways: str) -> None:
        """Open what every way to the work needs."""
        self.open_access |= set.intersection(*(set(self.needs_open(way)) for way in ways))

    def _disturb(self, touched: Iterable[tuple[str, Handling]]) -> None:
        self.disturbances += [Disturbance(self.time, *one) for one in touched]


def follow(events: Iterable[Numbered], pack: Pack) -> Iterator[Job]:
    """Replay a job's events, stopping after each that stands, refusing what cannot have been."""
    listed = list(events)
    undone = _retracted(listed)
    standing = [(seq, event) for seq, event in listed if seq not in undone]
    if not standing or not isinstance(standing[0][1], ev.Opened):
        raise JobError("a job's chain must begin with its opening, which cannot be undone")
    opening = standing[0][1]
    job = Job(opening, build_engine(opening, pack), pack, odometer_km=opening.odometer_km)
    for name, place in job.engine.places.items():
        age = opening.newer.get(name, opening.odometer_km)
        age_km = pack.running.odometer_km if age is None else age
        job.elements[name] = Element(name, place, is_new=False, age_km=age_km)
        job.fitted[name] = name
    job.arrival = (0, dict(job.fitted))
    job.undone = undone
    job.standing.append(standing[0])
    yield job
    for seq, event in standing[1:]:
        job.take(seq, event)
        yield job


def replay(events: Iterable[Numbered], pack: Pack) -> Job:
    """Replay a job's events, as `follow` does, to after the last."""
    *_, job = follow(events, pack)
    return job


def carry_on(job: Job, *events: Event) -> Job:
    """Replay a job as if more had happened in it."""
    return replay(enumerate([*(event for _, event in job.happened), *events]), job.pack)


def last_undoable(job: Job) -> int:
    """Position of the newest event that stands and is not an undoing."""
    *_, (seq, _) = job.happened
    if seq:
        return seq
    raise JobError("nothing left to undo: only the opening of the job stands")


def _retracted(events: Sequence[Numbered]) -> frozenset[int]:
    """Walk backwards, since an undoing can itself be undone."""
    undone: set[int] = set()
    for seq, event in reversed(events):
        if isinstance(event, ev.Undone) and seq not in undone:
            if not 0 < event.seq < seq:
                raise JobError(f"event {seq} undoes event {event.seq}; it can undo 1 to {seq - 1}")
            undone.add(event.seq)
    return frozenset(undone)


def build_engine(opening: ev.Opened, pack: Pack) -> Engine:
    """Build the engine that an opening describes, refusing one that the pack does not have."""
    require_engine(pack, opening.layout, opening.fitment)
    layout = pack.layouts[opening.layout]
    if opening.firing_order:
        layout = replace(layout, firing_order=tuple(opening.firing_order))
    engine = Engine.build(pack, layout, opening.fitment)
    for place in opening.newer:
        engine.find_place(place)
    return engine


def refuse_conflict(seen: Mapping[str, str]) -> Callable[[Job], None]:
    """Return a check that parts still sit where the technician saw them."""

    def check(job: Job) -> None:
        for place, element in seen.items():
            if job.fitted.get(place) != element:
                now = job.place_of(element)
                where = f"now sits at {now.id}" if now else "is on the bench"
                raise ConflictError(
                    f"{element} was at {place} when you decided, but {where}; look again"
                )

    return check
