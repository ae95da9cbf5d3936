"""What can happen in a job: a type of event is one class, which says all there is to know of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Self

from msgspec import field

from swapinfer import physics
from swapinfer.bus.scan import read_answers, source_words
from swapinfer.errors import InputError, JobError, LedgerError, near_match
from swapinfer.ledger.event import (
    JSON,
    Aside,
    Event,
    Paperwork,
    Repair,
    Tested,
    Timesheet,
    Work,
    require_known,
)
from swapinfer.ledger.papers import Labour, OldPart, Part, check_day, check_papers
from swapinfer.ledger.words import code_words, element_label, place_label, wanted_words
from swapinfer.pack.model import UNKNOWN
from swapinfer.pack.money import check_amount

if TYPE_CHECKING:
    from swapinfer.ledger.record import Record
    from swapinfer.ledger.replay import Job

OVER_LIMIT = "OL"
"""How a reading over the meter's limit stands in JSON, which has no infinity."""


class Opened(Paperwork, frozen=True):
    """A job begins.

    Attributes
    ----------
    ro : str
        Repair-order number.
    layout, fitment
        Engine; `firing_order` where the maker's differs from the generic one.
    odometer_km, driven_km : float or None
        Distance on the clock, and driven with the fault.
    newer : dict of str to float
        Place to age in km of parts known not to be original.
    compression_ratio, altitude_m : float or None
        For the expected compression.
    vin, family, customer : str
        Optional; `family` groups vehicles for learning.
    in_service : str
        Day on which the vehicle was first used, in ISO 8601; empty where not said.
    """

    ro: str
    layout: str
    fitment: dict[str, str]
    complaint: str = ""
    odometer_km: float | None = None
    odometer_unit: str = "km"
    driven_km: float | None = None
    newer: dict[str, float] = field(default_factory=dict)
    firing_order: tuple[int, ...] = ()
    compression_ratio: float | None = None
    altitude_m: float | None = None
    vin: str = ""
    family: str = ""
    customer: str = ""
    in_service: str = ""

    @property
    def vehicle(self) -> str:
        """Identification number however it was typed; empty where none was."""
        return "".join(self.vin.upper().split())

    def check(self) -> None:
        """Refuse distances, heights and ratios that no vehicle has."""
        for km in (self.odometer_km, self.driven_km, *self.newer.values()):
            if km is not None:
                physics.check_km(km)
        if self.odometer_km is not None and (self.driven_km or 0.0) > self.odometer_km:
            raise InputError(
                f"driven with the fault cannot be more than the odometer shows, "
                f"{self.odometer_km:,.0f} km, got {self.driven_km:,.0f} km"
            )
        if self.altitude_m is not None:
            physics.check_altitude(self.altitude_m)
        if self.compression_ratio is not None:
            physics.check_ratio(self.compression_ratio)
        if self.in_service:
            check_day("in service since", self.in_service)

    def apply(self, job: Job) -> None:
        """Refuse to come second."""
        raise JobError(f"job {job.opening.ro} is open already and cannot begin anew as {self.ro}")

    def say(self, job: Job) -> str:
        """Say which engine and which complaint."""
        return f"job {self.ro} opened: {job.engine.layout.title}, {self.complaint or 'misfire'}"


class Coded(Event, frozen=True):
    """What the control units have stored was read, or some of it.

    Attributes
    ----------
    codes, pending, permanent : tuple of str or None
        Stored (confirmed), pending and permanent codes; None for what nobody read. Codes of which
        it is not said where they stood are among the first.
    heard : dict of str to tuple of str
        Control unit to its answers in hexadecimal, where it was read over the bus.
    """

    places = ()
    is_work = False
    is_repair = False

    if TYPE_CHECKING:

        @property
        def codes(self) -> tuple[str, ...] | None:  # noqa: D102  a field of every subclass
            ...

        @property
        def pending(self) -> tuple[str, ...] | None:  # noqa: D102
            ...

        @property
        def permanent(self) -> tuple[str, ...] | None:  # noqa: D102
            ...

        @property
        def heard(self) -> dict[str, tuple[str, ...]]:  # noqa: D102
            ...

    @property
    def is_read(self) -> bool:
        """Whether stored or pending codes were read."""
        return self.codes is not None or self.pending is not None

    @property
    def present(self) -> tuple[str, ...]:
        """Codes that are stored or pending; permanent ones may be of an earlier fault."""
        return tuple(dict.fromkeys([*(self.codes or ()), *(self.pending or ())]))

    @property
    def told(self) -> dict[str, Any]:
        """What of it was read, by name."""
        found = {"codes": self.codes, "pending": self.pending, "permanent": self.permanent}
        return {name: codes for name, codes in found.items() if codes is not None}

    def code_words(self) -> list[str]:
        """Say what was read, a few words each."""
        return code_words(self.codes, self.pending, self.permanent)

    @property
    def source(self) -> str:
        """Which control units stated it, to stand behind what was read; empty where none did."""
        return source_words(self.heard)


class Ran(Coded, frozen=True):
    """The engine ran.

    Attributes
    ----------
    minutes : float
        Running time.
    conditions : tuple of str
        Condition tags of the pack.
    codes, pending, permanent, heard
        What was read afterwards, as `Coded` has it.
    counts : dict of int to int
        Misfire counter of each cylinder that was read.
    felt : str
        What the driver noticed, one of the pack's words; empty when not said.
    suspected : tuple of int
        Cylinders heard or felt to misfire, when no codes were read to say so.
    """

    minutes: float
    conditions: tuple[str, ...] = ()
    codes: tuple[str, ...] | None = None
    counts: dict[int, int] = field(default_factory=dict)
    felt: str = ""
    suspected: tuple[int, ...] = ()
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    heard: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def check(self) -> None:
        """Refuse a time that no engine runs, and more misfires than it has firings."""
        physics.check_minutes(self.minutes)
        for cylinder, count in self.counts.items():
            physics.check_count(cylinder, count, self.minutes)

    def apply(self, job: Job) -> None:
        """Put on again what an engine does not run without."""
        for number in (*self.counts, *self.suspected):
            job.engine.check_cylinder(number)
        for tag in self.conditions:
            require_known("condition", tag, job.pack.running.conditions)
        read_answers(self.heard)
        job.close_to_run()

    def say(self, job: Job) -> str:
        """Say how long it ran, and what was read and felt."""
        when = f" ({', '.join(self.conditions)})" if self.conditions else ""
        said = f"ran {self.minutes:g} min{when}"
        if self.counts:
            counts = ", ".join(f"{cylinder}: {count}" for cylinder, count in self.counts.items())
            said += f", misfire counts {counts}"
        said = ", ".join([said, *self.code_words()])
        if self.suspected:
            said += f", cylinder {' and '.join(map(str, self.suspected))} suspected by ear"
        return said + (f", felt {self.felt}" if self.felt else "") + self.source

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the drive, and the reading of what the control unit has to say."""
        sheet.drove(self.minutes, is_read=self.is_read or bool(self.counts))

    def cautions(self, job: Job) -> Iterable[str]:
        """Those of running an engine."""
        return job.pack.running.cautions


class Scanned(Coded, frozen=True):
    """What the control units have stored was read without a drive for it.

    It belongs to the last run, if its codes were not read yet; before the first run it is what the
    vehicle came in with.

    Attributes
    ----------
    codes, pending, permanent, heard
        As `Coded` has them.
    frame : tuple of str
        Conditions in which a code was set, by the freeze frame.
    memory : str
        How old the stored may be, a word of the pack; by default that is not known.
    """

    # Of a run these are something; here they never are.
    counts: ClassVar[Mapping[int, int]] = {}
    felt: ClassVar[str] = ""
    suspected: ClassVar[tuple[int, ...]] = ()

    codes: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    frame: tuple[str, ...] = ()
    memory: str = ""
    heard: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def told(self) -> dict[str, Any]:
        """What of it was read, and how old it may be, by name."""
        besides = {"frame": self.frame, "memory": self.memory}
        return super().told | {name: word for name, word in besides.items() if word}

    def check(self) -> None:
        """Refuse to say nothing."""
        if not self.is_read and self.permanent is None:
            raise InputError("say what was read: codes, --pending, --permanent or --no-codes")

    def apply(self, job: Job) -> None:
        """Refuse words that are none."""
        for tag in self.frame:
            require_known("condition", tag, job.pack.running.conditions)
        require_known("state of the memory", self.memory or UNKNOWN, job.pack.memories)
        read_answers(self.heard)

    def say(self, job: Job) -> str:
        """Say what was read, and how old it may be."""
        frame = f", set in {', '.join(self.frame)}" if self.frame else ""
        age = f"; {job.pack.memories[self.memory].title}" if self.memory else ""
        return f"read what is stored: {', '.join(self.code_words())}{frame}{age}{self.source}"

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the reading."""
        sheet.drove(0.0, is_read=True)

    def cautions(self, job: Job) -> Iterable[str]:
        """None."""
        return ()


class Swapped(Work, frozen=True):
    """Parts changed places, pair by pair, in the order given."""

    swaps: tuple[tuple[str, str], ...]

    @property
    def places(self) -> tuple[str, ...]:
        """Both of each pair."""
        return tuple(place for pair in self.swaps for place in pair)

    def apply(self, job: Job) -> None:
        """Swap pair by pair."""
        for first, second in self.swaps:
            job.swap(first, second)

    def say(self, job: Job) -> str:
        """Say which parts, and where."""
        moves = []
        for first, second in self.swaps:
            a, b = job.engine.places[first], job.engine.places[second]
            moves.append(f"{job.engine.kinds[a.kind].title} {a.where} <-> {b.where}")
        return "swapped " + ", ".join(moves)

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter pair by pair."""
        for first, _ in self.swaps:
            sheet.moved(job.engine.kind_of(first))


class Returned(Work, frozen=True):
    """Every part went back to where it came from."""

    places = ()

    def apply(self, job: Job) -> None:
        """Swap whatever is not at home."""
        moves = job.moves_home()
        if not moves:
            raise JobError("every part is already where it belongs")
        for first, second in moves:
            job.swap(first, second)

    def say(self, job: Job) -> str:
        """Say so."""
        return "put every part back where it belongs"

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter what was not at home."""
        for first, _ in job.moves_home():
            sheet.moved(job.engine.kind_of(first))


class Reseated(Repair, frozen=True):
    """A connector or joint was taken apart and put together again."""

    def apply(self, job: Job) -> None:
        """Handle it, as may cure a contact."""
        job.handle(job.require_place(self.place).id)

    def say(self, job: Job) -> str:
        """Say which."""
        return f"unplugged and reseated {place_label(job.engine, self.place)}"

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the contact."""
        sheet.reseated(job.engine.kind_of(self.place))


class Replaced(Repair, frozen=True):
    """What sits at a place was replaced or put right.

    Attributes
    ----------
    price : float or None
        Of parts, as paid.
    new, old : Part or None
        What was fitted and what came off, by their papers.
    labour : Labour or None
        Booked on it.
    """

    price: float | None = None
    new: Part | None = None
    old: OldPart | None = None
    labour: Labour | None = None

    def check(self) -> None:
        """Refuse a price that is none, names that cannot be read and times that nobody books."""
        if self.price is not None:
            check_amount("a price", self.price)
        for part in (self.new, self.old):
            check_papers(part, self.labour)

    def apply(self, job: Job) -> None:
        """Fit a new one."""
        job.fit_new(job.require_place(self.place))

    def say(self, job: Job) -> str:
        """Say which."""
        return f"replaced {place_label(job.engine, self.place)}"

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the repair, whichever it was."""
        sheet.repaired(self.place, self.price)

    def cautions(self, job: Job) -> Iterable[str]:
        """Those of the part."""
        return job.engine.kind_of(self.place).cautions


class Measured(Tested, frozen=True):
    """A number was read.

    Attributes
    ----------
    test, target : str
        Test of the pack, and one of its targets in this engine.
    value : float
        In the test's unit; infinite for "over limit".
    typed : str
        As the technician entered it.
    reference : float or None
        Reading that the value is relative to, in the same unit.
    temperature_c : float or None
        Of the part, where resistance depends on it.
    wanted : float or None
        What a good one would read exactly, where the maker or the control unit says; in the same
        unit.
    """

    value: float
    typed: str = ""
    reference: float | None = None
    temperature_c: float | None = None
    wanted: float | None = None

    def to_json(self) -> JSON:
        """Write "over limit" as JSON can hold it."""
        payload = Tested.to_json(self)
        return {**payload, "value": OVER_LIMIT} if math.isinf(self.value) else payload

    @classmethod
    def from_json(cls, payload: Mapping[str, Any]) -> Self:
        """Read "over limit" back."""
        is_over = payload.get("value") == OVER_LIMIT
        return super().from_json({**payload, "value": math.inf} if is_over else payload)

    def apply(self, job: Job) -> None:
        """Reach what is measured."""
        job.reach_test(self.test, self.target, "reading")

    def say(self, job: Job) -> str:
        """Say which test, where, and what was read."""
        test = job.engine.tests[self.test]
        value = OVER_LIMIT if math.isinf(self.value) else f"{self.value:.4g} {test.unit}"
        is_same = "".join(self.typed.split()) in ("", "".join(value.split()), f"{self.value:g}")
        typed = "" if is_same else f" (entered as {self.typed})"
        against = "" if self.reference is None else f" against {self.reference:g} {test.unit}"
        said = f"{test.title}, {place_label(job.engine, self.target)}: {value}{against}"
        return f"{said}{wanted_words(test, self)}{typed}"


class Inspected(Tested, frozen=True):
    """Something was looked at or tried, with a named outcome."""

    outcome: str

    def apply(self, job: Job) -> None:
        """Reach what is looked at."""
        job.reach_test(self.test, self.target, "inspection")
        outcomes = job.engine.tests[self.test].outcomes
        require_known(f"outcome of {self.test}", self.outcome, outcomes)

    def say(self, job: Job) -> str:
        """Say which test, where, and what was seen."""
        test = job.engine.tests[self.test]
        seen = test.outcomes[self.outcome]
        return f"{test.title}, {place_label(job.engine, self.target)}: {seen}"


class Noted(Aside, frozen=True):
    """Free text, without weight."""

    text: str

    def say(self, job: Job) -> str:
        """Say what."""
        return f"note: {self.text}"


class Attached(Aside, frozen=True):
    """A picture, kept in the store with the SHA-256 of its file.

    Records of earlier days have that of the file's text in base64.

    Attributes
    ----------
    caption : str
        What it shows, in somebody's words.
    of : int or None
        Position of the event that it shows, where it shows one.
    """

    name: str
    digest: str
    media: str
    data: str
    caption: str = ""
    of: int | None = None

    @property
    def title(self) -> str:
        """Name, and what it shows."""
        return self.name + (f", of event {self.of}" if self.of else "")

    def say(self, job: Job) -> str:
        """Say which."""
        return f"picture attached: {self.title}"


class Undone(Aside, frozen=True):
    """An earlier event is retracted; it stays in the ledger."""

    seq: int
    reason: str = ""

    def say(self, job: Job) -> str:
        """Say which, and why if it is known."""
        return f"event {self.seq} undone" + (f": {self.reason}" if self.reason else "")


class Stated(Aside, frozen=True):
    """What control units had stored was read and kept as it came, without weight of its own.

    Attributes
    ----------
    heard : dict of str to tuple of str
        Unit to its answers, in hexadecimal.
    """

    heard: dict[str, tuple[str, ...]]

    def apply(self, job: Job) -> None:
        """Refuse answers that are none."""
        read_answers(self.heard)

    def say(self, job: Job) -> str:
        """Say which unit stated what."""
        return f"control units state: {'; '.join(map(str, read_answers(self.heard).units))}"


class Erased(Aside, frozen=True):
    """Control units erased what they had stored.

    Attributes
    ----------
    units : tuple of str
        Those that confirmed it.
    """

    units: tuple[str, ...]

    def say(self, job: Job) -> str:
        """Say which did."""
        return (
            f"codes, freeze frame, misfire counters and monitor status erased in unit "
            f"{' and '.join(self.units)}"
        )


class Closed(Paperwork, frozen=True):
    """The job ends.

    Attributes
    ----------
    causes : tuple of str
        Elements found at fault; empty when none was.
    modes : tuple of str
        Mode of each cause, ``""`` where not known.
    verified : bool
        Whether a drive after the repair was clean.
    confirmed_by : str
        Test that showed the cause directly, where one did.
    odometer_km : float or None
        On the clock when the vehicle left.
    labour : Labour or None
        Booked on all that no repair has booked.
    """

    causes: tuple[str, ...] = ()
    modes: tuple[str, ...] = ()
    verified: bool = False
    confirmed_by: str = ""
    remark: str = ""
    odometer_km: float | None = None
    labour: Labour | None = None

    def check(self) -> None:
        """Refuse a distance that no vehicle has, and times that nobody books."""
        if self.odometer_km is not None:
            physics.check_km(self.odometer_km)
        check_papers(None, self.labour)

    def apply(self, job: Job) -> None:
        """Close the job."""
        for cause in self.causes:
            require_known("element", cause, job.elements)
        job.closing = self

    def say(self, job: Job) -> str:
        """Say on which causes, and what of it is on record."""
        causes = ", ".join(element_label(job, cause) for cause in self.causes)
        return f"closed, cause {causes or 'not found'}, {job.ending(self)}"


class Reopened(Paperwork, frozen=True):
    """The vehicle came back with its complaint: a finding, though nobody drove to make it.

    Attributes
    ----------
    reason : str
        Why, in the customer's words.
    odometer_km : float or None
        Distance on the clock.
    driven_km, days : float or None
        Driven, and passed, since the job was closed.
    """

    reason: str = ""
    odometer_km: float | None = None
    driven_km: float | None = None
    days: float | None = None

    def check(self) -> None:
        """Refuse distances and times that no vehicle has."""
        for km in (self.odometer_km, self.driven_km):
            if km is not None:
                physics.check_km(km)
        if self.days is not None:
            physics.check_days(self.days)

    def apply(self, job: Job) -> None:
        """Open the job again, with new parts as old as they are by now."""
        if not job.closing:
            raise JobError(f"job {job.opening.ro} is not closed, so it cannot be reopened")
        job.closing = None
        job.came_back(self._since_closed(job), self.odometer_km)

    def _since_closed(self, job: Job) -> float:
        """Distance as told, by the clock if it went forward, in so many days, or the usual."""
        running = job.pack.running
        if self.driven_km is not None:
            return self.driven_km
        shown, before = self.odometer_km, job.odometer_km
        if shown is not None and before is not None and shown > before:
            return shown - before
        if self.days is not None:
            return self.days * running.km_per_day
        return running.complaint_minutes * running.km_per_min

    def say(self, job: Job) -> str:
        """Say after how long, and why, if it is known."""
        days = "" if self.days is None else f"{self.days:g} days"
        km = "" if self.driven_km is None else f"{self.driven_km:,.0f} km"
        after = " and ".join(filter(None, (days, km)))
        said = f"reopened after {after}" if after else "reopened"
        return said + (f": {self.reason}" if self.reason else "")


TYPES: dict[str, type[Event]] = {
    cls.__name__.lower(): cls
    for cls in (
        Opened, Ran, Scanned, Swapped, Returned, Reseated, Replaced, Measured, Inspected, Noted,
        Attached, Undone, Stated, Erased, Closed, Reopened,
    )
}  # fmt: skip


def read_event(type_name: str, payload: Mapping[str, Any]) -> Event:
    """Turn a ledger record's type and payload into an event.

    Raises
    ------
    LedgerError
        If the type is unknown or the payload does not fit it.
    """
    if type_name not in TYPES:
        raise LedgerError(f'unknown event "{type_name}"{near_match(type_name, TYPES)}')
    return TYPES[type_name].from_json(payload)


def read_events(records: Iterable[Record]) -> list[tuple[int, Event]]:
    """Turn a chain's records into events with their positions.

    Raises
    ------
    LedgerError
        As `read_event` does.
    """
    return [(record.seq, read_event(record.type, record.payload)) for record in records]
