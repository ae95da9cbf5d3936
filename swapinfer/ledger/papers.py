"""What a job's papers hold: opening, notes, pictures and closing, parts and labour as booked."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from msgspec import Struct, field

from swapinfer import physics
from swapinfer.bus.scan import read_answers
from swapinfer.errors import InputError, JobError
from swapinfer.ledger.event import Aside, Paperwork, require_known
from swapinfer.ledger.record import check_text
from swapinfer.ledger.words import element_label

if TYPE_CHECKING:
    from swapinfer.ledger.replay import Job

MOST_BOOKED = 10_000.0
"""Minutes booked on one operation at most; our choice."""


class Part(Struct, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """A part as its papers name it; what is not known is empty."""

    number: str = ""
    serial: str = ""
    supplier: str = ""


class OldPart(Part, frozen=True, omit_defaults=True, forbid_unknown_fields=True):
    """A part that came off: also where it is kept, and what it showed when removed."""

    kept: str = ""
    showed: str = ""


class Labour(Struct, frozen=True, forbid_unknown_fields=True):
    """A labour operation by its number, and the time booked on it."""

    operation: str
    minutes: float


def check_papers(part: Part | None, labour: Labour | None) -> None:
    """Refuse names that nobody can read, and times that nobody books."""
    for name in part.__struct_fields__ if part else ():
        if text := getattr(part, name):
            check_text(f"a part's {name}", text)
    if labour:
        check_text("a labour operation", labour.operation)
        if not 0.0 < labour.minutes <= MOST_BOOKED:
            raise InputError(
                f"a booked time must be more than 0 and at most {MOST_BOOKED:,.0f} minutes, got "
                f"{labour.minutes:,.12g}"
            )


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
        try:
            date.fromisoformat(self.in_service or "2029-05-03")
        except ValueError:
            wanted = "must be a day as in 2029-05-03"
            raise InputError(f'in service since "{self.in_service}" {wanted}') from None

    def apply(self, job: Job) -> None:
        """Refuse to come second."""
        raise JobError(f"job {job.opening.ro} is open already and cannot begin anew as {self.ro}")

    def say(self, job: Job) -> str:
        """Say which engine and which complaint."""
        return f"job {self.ro} opened: {job.engine.layout.title}, {self.complaint or 'misfire'}"


class Noted(Aside, frozen=True):
    """Free text, without weight."""

    text: str

    def say(self, job: Job) -> str:
        """Say what."""
        return f"note: {self.text}"


class Attached(Aside, frozen=True):
    """A picture, kept in the store with the SHA-256 of its file.

    Records of earlier days have that of the file's text in base64.
    """

    name: str
    digest: str
    media: str
    data: str
    caption: str = ""  # what it shows, in somebody's words
    of: int | None = None  # position of the event that it shows, where it shows one

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
    """What control units had stored was read and kept as it came, without weight of its own."""

    heard: dict[str, tuple[str, ...]]  # unit to its answers, in hexadecimal

    def apply(self, job: Job) -> None:
        """Refuse answers that are none."""
        read_answers(self.heard)

    def say(self, job: Job) -> str:
        """Say which unit stated what."""
        return f"control units state: {'; '.join(map(str, read_answers(self.heard).units))}"


class Erased(Aside, frozen=True):
    """Control units erased what they had stored."""

    units: tuple[str, ...]  # those that confirmed it

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
    """The vehicle came back with its complaint: a finding, though nobody drove to make it."""

    reason: str = ""  # in the customer's words
    odometer_km: float | None = None
    driven_km: float | None = None  # since the job was closed, as the days are
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


PAPERS = (Opened, Noted, Attached, Undone, Stated, Erased, Closed, Reopened)
"""Every type of event that is here."""
