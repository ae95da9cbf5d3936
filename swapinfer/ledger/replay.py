"""The fold: from a job's events to where every part is and what has been found."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import singledispatchmethod
from typing import Protocol

from swapinfer.errors import ConflictError, InputError, JobError, PlaceError, near_match
from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.pack.engine import Engine, choose, override_firing_order
from swapinfer.pack.fixes import access_of, fixes
from swapinfer.pack.model import Handling, Pack


class RecordLike(Protocol):
    """What replay needs of a ledger record."""

    @property
    def seq(self) -> int:
        """Position in the job's chain."""
        ...

    @property
    def type(self) -> str:
        """Event type."""
        ...

    @property
    def payload(self) -> Mapping[str, object]:
        """Event payload."""
        ...


@dataclass(frozen=True, slots=True)
class Element:
    """Something that can be faulty, with an identity of its own.

    Attributes
    ----------
    id : str
        Home place, with ``.new`` and a number for what was fitted later.
    home : Place
        Where it belongs.
    is_new : bool
        Whether it was fitted during the job.
    age_km : float
        Distance it has done.
    """

    id: str
    home: Place
    is_new: bool
    age_km: float


@dataclass(frozen=True, slots=True)
class Disturbance:
    """A place was handled at a time.

    Attributes
    ----------
    time : int
        Index of the event among those that stand.
    element : str
        What was disturbed.
    handling : Handling
        What that may have done.
    """

    time: int
    element: str
    handling: Handling


@dataclass(frozen=True, slots=True)
class Finding:
    """An event that says something about faults.

    Attributes
    ----------
    seq, time : int
        Position in the chain, and among the events that stand.
    event : Ran, Measured or Inspected
        What was found.
    fitted : mapping of str to str
        Place to element, then.
    """

    seq: int
    time: int
    event: ev.Ran | ev.Measured | ev.Inspected
    fitted: Mapping[str, str]


@dataclass
class Job:
    """A job replayed.

    Attributes
    ----------
    opening : Opened
        First event.
    engine : Engine
        Layout, kinds, tests and places.
    pack : Pack
        Pack in force.
    elements : dict of str to Element
        Everything that is or was fitted, in order of appearance.
    fitted : dict of str to str
        Place to element, now.
    disturbances, findings : list
        In order of time.
    open_access : set of str
        What is off the engine now.
    time : int
        Index that the next event gets.
    closing : Closed or None
        Set while the job is closed.
    standing : list of (seq, Event)
        Events that have not been undone.
    undone : frozenset of int
        Positions of those that have.
    comebacks : int
        How often the job was reopened.
    """

    opening: ev.Opened
    engine: Engine
    pack: Pack
    elements: dict[str, Element] = field(default_factory=dict)
    fitted: dict[str, str] = field(default_factory=dict)
    disturbances: list[Disturbance] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    open_access: set[str] = field(default_factory=set)
    time: int = 0
    closing: ev.Closed | None = None
    standing: list[tuple[int, ev.Event]] = field(default_factory=list)
    undone: frozenset[int] = frozenset()
    comebacks: int = 0

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

    def needs_open(self, access: str) -> list[str]:
        """List what must be off to reach something, outermost first."""
        if not access:
            return []
        needed = [inner for a in self.pack.access[access].needs for inner in self.needs_open(a)]
        return [*dict.fromkeys(needed), access]


def replay(records: Sequence[RecordLike], pack: Pack) -> Job:
    """Replay a job's chain.

    Parameters
    ----------
    records : sequence of record
        From the opening on, in order of `seq`.
    pack : Pack
        Pack in force when the job was opened.

    Returns
    -------
    Job

    Raises
    ------
    SwapinferError
        If an event contradicts those before it; the message says how.
    """
    events = [(record.seq, ev.read_event(record.type, record.payload)) for record in records]
    undone = _retracted(events)
    standing = [(seq, event) for seq, event in events if seq not in undone]
    if not standing or not isinstance(standing[0][1], ev.Opened):
        raise JobError("a job's chain must begin with its opening, which cannot be undone")
    job = _begin(standing[0][1], pack)
    job.undone = undone
    apply = _Apply(job)
    for seq, event in standing[1:]:
        apply(seq, event)
    job.standing = standing
    return job


def last_undoable(records: Sequence[RecordLike]) -> int:
    """Position of the newest event that stands and is not an undoing.

    Raises
    ------
    JobError
        If only the opening is left.
    """
    events = [(record.seq, ev.read_event(record.type, record.payload)) for record in records]
    undone = _retracted(events)
    for seq, event in reversed(events[1:]):
        if seq not in undone and not isinstance(event, ev.Undone):
            return seq
    raise JobError("nothing left to undo: only the opening of the job stands")


def _retracted(events: Sequence[tuple[int, ev.Event]]) -> frozenset[int]:
    """Walk backwards, since an undoing can itself be undone."""
    undone: set[int] = set()
    for seq, event in reversed(events):
        if isinstance(event, ev.Undone) and seq not in undone:
            if not 0 < event.seq < seq:
                raise JobError(f"event {seq} undoes event {event.seq}; it can undo 1 to {seq - 1}")
            undone.add(event.seq)
    return frozenset(undone)


def build_engine(opening: ev.Opened, pack: Pack) -> Engine:
    """Engine that an opening describes.

    Raises
    ------
    InputError
        If the pack has no such layout or fitment, or a newer part has no such place.
    """
    choose(pack, "layout", opening.layout, pack.layouts)
    for axis, values in pack.fitments.items():
        choose(pack, f"{axis} kind", opening.fitment.get(axis, ""), values)
    layout = pack.layouts[opening.layout]
    if opening.firing_order:
        layout = override_firing_order(layout, opening.firing_order)
    engine = Engine.build(pack, layout, opening.fitment)
    for place in opening.newer:
        engine.find_place(place)
    return engine


def _begin(opening: ev.Opened, pack: Pack) -> Job:
    job = Job(opening, build_engine(opening, pack), pack)
    for name, place in job.engine.places.items():
        age = opening.newer.get(name, opening.odometer_km)
        age_km = pack.running.odometer_km if age is None else age
        job.elements[name] = Element(name, place, is_new=False, age_km=age_km)
        job.fitted[name] = name
    job.time = 1
    return job


class _Apply:
    """Applies one event after another to a job."""

    def __init__(self, job: Job) -> None:
        self.job = job

    def __call__(self, seq: int, event: ev.Event) -> None:
        if self.job.closing and not isinstance(
            event, (ev.Reopened, ev.Noted, ev.Attached, ev.Undone)
        ):
            raise JobError(
                f'job {self.job.opening.ro} is closed; reopen it before recording "{event.type}"'
            )
        self.seq = seq
        self.apply(event)
        self.job.time += 1

    @singledispatchmethod
    def apply(self, event: ev.Event) -> None:
        """Refuse an event whose effect nobody wrote down."""
        raise ev.unhandled(event, "replayed")

    @apply.register
    def _(self, _event: ev.Noted | ev.Attached | ev.Undone) -> None:
        """Change nothing."""

    @apply.register
    def _(self, event: ev.Opened) -> None:
        raise JobError(
            f"job {self.job.opening.ro} is open already and cannot begin anew as {event.ro}"
        )

    @apply.register
    def _(self, event: ev.Ran) -> None:
        for number in (*event.counts, *event.suspected):
            self.job.engine.check_cylinder(number)
        _check_words(event.conditions, self.job.pack.running.conditions, "condition")
        self._find(event)
        self.job.open_access = {
            name for name in self.job.open_access if self.job.pack.access[name].stays_open
        }

    @apply.register
    def _(self, event: ev.Measured) -> None:
        self._reach_test(event.test, event.target, "reading")
        self._find(event)

    @apply.register
    def _(self, event: ev.Inspected) -> None:
        self._reach_test(event.test, event.target, "inspection")
        outcomes = self.job.engine.tests[event.test].outcomes
        _check_words([event.outcome], outcomes, f"outcome of {event.test}")
        self._find(event)

    @apply.register
    def _(self, event: ev.Swapped) -> None:
        for first, second in event.swaps:
            self._swap(first, second)

    @apply.register
    def _(self, _event: ev.Returned) -> None:
        moves = self.job.moves_home()
        if not moves:
            raise JobError("every part is already where it belongs")
        for first, second in moves:
            self._swap(first, second)

    @apply.register
    def _(self, event: ev.Reseated) -> None:
        self._check_place(event.place)
        self._handle([event.place])

    @apply.register
    def _(self, event: ev.Replaced) -> None:
        place = self._check_place(event.place)
        kind = self.job.engine.kinds[place.kind]
        self._open(*(access_of(kind, fix) for fix in fixes(kind)))
        self._disturb([event.place])
        count = sum(1 for name in self.job.elements if name.startswith(f"{place.id}.new"))
        name = f"{place.id}.new{count + 1 if count else ''}"
        self.job.elements[name] = Element(name, place, is_new=True, age_km=0.0)
        self._send_home(event.place)
        self.job.fitted[event.place] = name

    @apply.register
    def _(self, event: ev.Closed) -> None:
        for cause in event.causes:
            _check_words([cause], self.job.elements, "element")
        self.job.closing = event

    @apply.register
    def _(self, event: ev.Reopened) -> None:
        if not self.job.closing:
            raise JobError(f"job {self.job.opening.ro} is not closed, so it cannot be reopened")
        self.job.closing = None
        self.job.comebacks += 1
        start = self.job.opening.odometer_km
        if event.odometer_km is not None and start is not None:
            self._age_new_parts(event.odometer_km - start)

    def _age_new_parts(self, driven_km: float) -> None:
        for name, element in self.job.elements.items():
            if element.is_new:
                self.job.elements[name] = dataclasses.replace(element, age_km=max(driven_km, 0.0))

    def _swap(self, first: str, second: str) -> None:
        a, b = self._check_place(first), self._check_place(second)
        if a == b:
            raise PlaceError(f"{first} cannot be swapped with itself; name another place")
        if a.kind != b.kind:
            raise PlaceError(f"{first} and {second} are not of one kind and cannot change places")
        if not self.job.engine.kinds[a.kind].movable:
            title = self.job.engine.kinds[a.kind].title
            raise PlaceError(
                f"the {title} cannot move between cylinders; test or repair it in place"
            )
        self._handle([first, second])
        fitted = self.job.fitted
        fitted[first], fitted[second] = fitted[second], fitted[first]

    def _send_home(self, place: str) -> None:
        """Give the leaving part's home, if another place, to the newcomer's replacement."""
        leaving = self.job.elements[self.job.fitted[place]]
        if leaving.home.id != place:
            self._rehome(leaving.home, place)

    def _rehome(self, vacated: Place, place: str) -> None:
        sitting = self.job.elements[self._owner_of(place)]
        self.job.elements[sitting.id] = dataclasses.replace(sitting, home=vacated)

    def _owner_of(self, place: str) -> str:
        return next(e for e in self.job.fitted.values() if self.job.elements[e].home.id == place)

    def _handle(self, places: list[str]) -> None:
        for place in places:
            self._open(self.job.engine.kind_of(place).access)
        self._disturb(places)

    def _disturb(self, places: list[str]) -> None:
        for element, handling in self.job.disturbed_by(places):
            self.job.disturbances.append(Disturbance(self.job.time, element, handling))

    def _reach_test(self, test_id: str, target: str, form: str) -> None:
        tests = self.job.engine.tests
        if test_id not in tests:
            raise InputError(f'no test "{test_id}" for this engine{near_match(test_id, tests)}')
        test = tests[test_id]
        if test.form != form:
            wanted = "a number" if test.form == "reading" else "a named outcome"
            raise InputError(f'"{test_id}" is recorded with {wanted}')
        targets = self.job.engine.target_places(test.target)
        if target not in targets:
            raise PlaceError(
                f'"{test_id}" cannot be made on "{target}"{near_match(target, targets)}'
            )
        self._open(test.access)
        for place in self._touched(target):
            for handling in test.disturbs:
                if place.kind == handling.kind:
                    element = self.job.fitted[place.id]
                    self.job.disturbances.append(Disturbance(self.job.time, element, handling))

    def _touched(self, target: str) -> list[Place]:
        cylinders = set(self.job.engine.target_cylinders(target))
        return [p for p in self.job.engine.places.values() if set(p.cylinders) <= cylinders]

    def _open(self, *ways: str) -> None:
        """Open what every way to the work needs."""
        needed = [set(self.job.needs_open(access)) for access in ways]
        self.job.open_access.update(set.intersection(*needed))

    def _check_place(self, place: str) -> Place:
        if place not in self.job.engine.places:
            return self.job.engine.find_place(place)
        return self.job.engine.places[place]

    def _find(self, event: ev.Ran | ev.Measured | ev.Inspected) -> None:
        snapshot = dict(self.job.fitted)
        self.job.findings.append(Finding(self.seq, self.job.time, event, snapshot))


def _check_words(words: Iterable[str], known: Iterable[str], what: str) -> None:
    options = list(known)
    for word in words:
        if word not in options:
            raise InputError(f'no {what} "{word}"{near_match(word, options)}')


def refuse_conflict(seen: Mapping[str, str]) -> Callable[[Job], None]:
    """Return a check that parts still sit where the technician saw them.

    Parameters
    ----------
    seen : mapping of str to str
        Place to element when the move was decided.

    Raises
    ------
    ConflictError
        From the returned check, if someone else has moved one since.
    """

    def check(job: Job) -> None:
        for place, element in seen.items():
            if job.fitted.get(place) != element:
                now = job.place_of(element)
                where = f"now sits at {now.id}" if now else "is on the bench"
                raise ConflictError(
                    f"{element} was at {place} when you decided, but {where}; look again"
                )

    return check
