"""What stands on record, as a write-up lists it."""

from __future__ import annotations

from msgspec import Struct


class ReadingLine(Struct, frozen=True):
    """A number read from an instrument, in the unit of its test.

    Attributes
    ----------
    value : float or None
        None for "over limit".
    typed : str
        As entered.
    good : tuple of float or None
        Between what nine in ten good ones read.
    within : bool or None
        Whether `value` lies in `good`.
    """

    value: float | None
    unit: str
    typed: str
    reference: float | None
    temperature_c: float | None
    good: tuple[float, float] | None
    within: bool | None


class OnRecord(Struct, frozen=True):
    """Something that stands in the ledger: its position, when it was recorded, and by whom."""

    seq: int
    at: str
    who: str


class FindingLine(OnRecord, frozen=True):
    """Something observed, and what it did to belief.

    Attributes
    ----------
    kind : str
        ``"complaint"``, ``"stored"`` (what the vehicle came in with), ``"run"``, ``"reading"`` or
        ``"inspection"``.
    what, where : str
        The test's title and what it was made on; the complaint's own words; how old stored codes
        may be.
    reading : ReadingLine or None
        Of a reading.
    outcome, normal : str
        Of an inspection: what was found, and what a thing in order shows.
    minutes, conditions, codes, counts, felt, pending, permanent
        Of a run: its length, what it was like, stored, pending and permanent codes (None when
        nobody looked), misfire counts by cylinder, what the driver noticed.
    meaning : tuple of str
        What it means beside earlier findings.
    probability_c : tuple of float
        Of each of the shown causes after it.
    decibans_c : tuple of float
        Weight for each of the shown causes being at fault: change of 10 log10 of its odds.
    against_rival_c : tuple of float
        Weight for each cause that the conclusion is about beside the best rival: change of 10
        log10 of the ratio of their probabilities; empty where there is no rival.
    """

    kind: str
    what: str
    where: str
    reading: ReadingLine | None = None
    outcome: str = ""
    normal: str = ""
    minutes: float | None = None
    conditions: tuple[str, ...] = ()
    codes: tuple[str, ...] | None = None
    counts: tuple[tuple[int, int], ...] = ()
    felt: str = ""
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    meaning: tuple[str, ...] = ()
    probability_c: tuple[float, ...] = ()
    decibans_c: tuple[float, ...] = ()
    against_rival_c: tuple[float, ...] = ()


class CodeLine(Struct, frozen=True):
    """A trouble code and what it stands for; whether it is stored, pending or permanent."""

    code: str
    title: str
    kind: str = "stored"


class Readout(Struct, frozen=True):
    """Codes at one readout; `seq` is that of the run, or of what the vehicle came in with."""

    seq: int
    at: str
    codes: tuple[CodeLine, ...]


class Move(OnRecord, frozen=True):
    """Parts were moved, reseated or replaced."""

    said: str


class PartAt(Struct, frozen=True):
    """A part in its place: which it is, and a short mark of where it came from."""

    element: str
    mark: str


class Arrangement(Struct, frozen=True):
    """Which part sat where, for one kind of part.

    Attributes
    ----------
    kind : str
        Its title.
    places : tuple of str
        Places that ever changed, in words.
    rows : tuple of (seq, parts)
        The arrangement at first (seq 0) and after each event that changed it; parts go along
        `places`.
    """

    kind: str
    places: tuple[str, ...]
    rows: tuple[tuple[int, tuple[PartAt, ...]], ...]


class Trail(Struct, frozen=True):
    """The places of one part through the job, each with the event that brought it there."""

    element: str
    part: str
    stops: tuple[tuple[int, str], ...]


class PartLine(Struct, frozen=True):
    """A part by its papers; of one that came off also where it is kept and what it showed."""

    number: str = ""
    serial: str = ""
    supplier: str = ""
    kept: str = ""
    showed: str = ""


class RepairLine(OnRecord, frozen=True):
    """Something that was put right.

    Attributes
    ----------
    what : str
        The repair that it was.
    label : str
        Of what was there before.
    new, old : PartLine
        What was fitted, and what came off.
    labour : str
        Number of the operation that time was booked on; empty where none was.
    probability : float
        That it was at fault, as believed just then.
    next_label, next_probability
        The likeliest other cause, just then, beside what was at fault too.
    """

    what: str
    element: str
    label: str
    price: float | None
    new: PartLine
    old: PartLine
    labour: str
    probability: float
    next_label: str
    next_probability: float


class Retracted(OnRecord, frozen=True):
    """An event that was undone: it stays in the ledger, and counts for nothing.

    Attributes
    ----------
    reason : str
        Why; empty where none was given.
    is_finding : bool
        Whether it said something about faults.
    is_weighed : bool
        Whether it did, or was work under which something was found before it was undone.
    """

    said: str
    undone_by: str
    undone_at: str
    reason: str
    is_finding: bool
    is_weighed: bool


class NoteLine(OnRecord, frozen=True):
    """A remark without weight."""

    text: str


class Photo(OnRecord, frozen=True):
    """An attached picture; `of` is the event that it shows, `digest` the SHA-256 of its file."""

    name: str
    caption: str
    of: int | None
    media: str
    digest: str
    bytes: int
