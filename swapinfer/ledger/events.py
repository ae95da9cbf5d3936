"""What can happen to an engine in a job: a type of event is one class, which says all of it.

Events of the job's papers are in `swapinfer.ledger.papers`; here all of them can be had.
"""

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
    Event,
    Repair,
    Tested,
    Timesheet,
    Untouched,
    Work,
    require_known,
)
from swapinfer.ledger.papers import (
    PAPERS,
    Attached,
    Closed,
    Erased,
    Labour,
    Noted,
    OldPart,
    Opened,
    Part,
    Reopened,
    Stated,
    Undone,
    check_papers,
)
from swapinfer.ledger.words import code_words, count_words, place_label, wanted_words
from swapinfer.pack.model import UNKNOWN
from swapinfer.pack.money import check_amount

if TYPE_CHECKING:
    from swapinfer.ledger.record import Record
    from swapinfer.ledger.replay import Job

__all__ = [
    "Attached", "Closed", "Coded", "Erased", "Inspected", "Measured", "Noted", "Opened", "Ran",
    "Reopened", "Replaced", "Reseated", "Returned", "Scanned", "Stated", "Swapped", "Undone",
]  # fmt: skip

OVER_LIMIT = "OL"
"""How a reading over the meter's limit stands in JSON, which has no infinity."""


class Coded(Untouched, frozen=True):
    """What the control units have stored was read, or some of it; None of what nobody read.

    Codes of which it is not said whether they are pending count as stored ones, `codes`. What was
    read over the bus is in `heard`: control unit to its answers in hexadecimal.
    """

    if TYPE_CHECKING:

        @property
        def codes(self) -> tuple[str, ...] | None: ...  # noqa: D102  a field of every subclass

        @property
        def pending(self) -> tuple[str, ...] | None: ...  # noqa: D102

        @property
        def permanent(self) -> tuple[str, ...] | None: ...  # noqa: D102

        @property
        def heard(self) -> dict[str, tuple[str, ...]]: ...  # noqa: D102

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
            said += f", {count_words(self.counts)}"
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
    """

    # Of a run these are something; here they never are.
    felt: ClassVar[str] = ""
    suspected: ClassVar[tuple[int, ...]] = ()

    codes: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    frame: tuple[str, ...] = ()  # conditions in which a code was set, by the freeze frame
    memory: str = ""  # how old the stored may be, a word of the pack; by default that is not known
    heard: dict[str, tuple[str, ...]] = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)  # in this driving cycle or the last
    since_start: float | None = None  # minutes in which they counted, where that is known

    @property
    def told(self) -> dict[str, Any]:
        """What of it was read, and how old it may be, by name."""
        besides = {name: getattr(self, name) for name in ("frame", "memory", "counts")}
        return super().told | {name: told for name, told in besides.items() if told}

    def check(self) -> None:
        """Refuse to say nothing, a time that no engine runs, and more misfires than firings."""
        if not self.is_read and self.permanent is None and not self.counts:
            raise InputError(
                "say what was read: codes, --pending, --permanent, --no-codes or --counts"
            )
        if self.since_start is not None:
            physics.check_minutes(self.since_start)
            for cylinder, count in self.counts.items():
                physics.check_count(cylinder, count, self.since_start)

    def apply(self, job: Job) -> None:
        """Refuse words that are none."""
        for number in self.counts:
            job.engine.check_cylinder(number)
        for tag in self.frame:
            require_known("condition", tag, job.pack.running.conditions)
        require_known("state of the memory", self.memory or UNKNOWN, job.pack.memories)
        read_answers(self.heard)

    def say(self, job: Job) -> str:
        """Say what was read, and how old it may be."""
        frame = f", set in {', '.join(self.frame)}" if self.frame else ""
        age = f"; {job.pack.memories[self.memory].title}" if self.memory else ""
        since = f" in {self.since_start:g} min" if self.since_start else ""
        read = [*self.code_words(), *([f"{count_words(self.counts)}{since}"] * bool(self.counts))]
        return f"read what is stored: {', '.join(read)}{frame}{age}{self.source}"

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
        job.handle(job.engine.find_place(self.place).id)

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
        job.fit_new(job.engine.find_place(self.place))

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


TYPES: dict[str, type[Event]] = {
    cls.type_name(): cls
    for cls in (
        *PAPERS, Ran, Scanned, Swapped, Returned, Reseated, Replaced, Measured, Inspected,
    )
}  # fmt: skip


def read_event(type_name: str, payload: Mapping[str, Any]) -> Event:
    """Turn a ledger record's type and payload into an event, refusing what is none."""
    if type_name not in TYPES:
        raise LedgerError(f'unknown event "{type_name}"{near_match(type_name, TYPES)}')
    return TYPES[type_name].from_json(payload)


def read_events(records: Iterable[Record]) -> list[tuple[int, Event]]:
    """Turn a chain's records into events with their positions."""
    return [(record.seq, read_event(record.type, record.payload)) for record in records]
