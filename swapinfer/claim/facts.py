"""What a write-up says, as numbers and names; every format is made from these."""

from __future__ import annotations

from dataclasses import dataclass

from swapinfer.claim.work_facts import (
    LedgerFacts,
    Photo,
    Provenance,
    Repair,
    Spent,
    Verification,
)


@dataclass(frozen=True, slots=True)
class Vehicle:
    """The vehicle and its engine.

    Attributes
    ----------
    engine : str
        Layout and fitment in words.
    banks : tuple of tuple of int
        Cylinders from front to rear.
    firing_order : tuple of int
        As used; `firing_order_given` says whether the job gave it.
    odometer_km, driven_km : float or None
        On the clock when the job was opened, and driven with the fault.
    vin : str
        Identification number; empty if not given or left out.
    vin_check : str
        As `swapinfer.claim.vin.check_vin` says; kept when the number is left out.
    """

    engine: str
    banks: tuple[tuple[int, ...], ...]
    firing_order: tuple[int, ...]
    firing_order_given: bool
    odometer_km: float | None
    driven_km: float | None
    vin: str
    vin_check: str
    customer: str
    family: str


@dataclass(frozen=True, slots=True)
class ModeShare:
    """One way in which an element may have failed, and its probability."""

    title: str
    probability: float


@dataclass(frozen=True, slots=True)
class Cause:
    """An element that may be at fault.

    Attributes
    ----------
    element, label : str
        Id, and name by where it came from.
    now : str
        Where it is if not at home.
    probability : float
        That it is, or until it was touched was, at fault.
    low, high : float or None
        90 % interval over the priors' uncertainty; None where it would take too long.
    before : float
        Probability before any finding.
    modes : tuple of ModeShare
        The likeliest first.
    named : bool
        Whether the job was closed with it as a cause.
    """

    element: str
    label: str
    now: str
    probability: float
    low: float | None
    high: float | None
    before: float
    modes: tuple[ModeShare, ...]
    named: bool


@dataclass(frozen=True, slots=True)
class Reading:
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


@dataclass(frozen=True, slots=True)
class Finding:
    """Something observed, and what it did to belief.

    Attributes
    ----------
    seq : int
        Position in the ledger.
    at, who : str
        When and by whom.
    kind : str
        ``"complaint"``, ``"run"``, ``"reading"`` or ``"inspection"``.
    what, where : str
        The test's title and what it was made on; the complaint's own words.
    reading : Reading or None
        Of a reading.
    outcome, normal : str
        Of an inspection: what was found, and what a thing in order shows.
    minutes, conditions, codes, counts, felt
        Of a run: its length, what it was like, codes (None when nobody looked), misfire counts
        by cylinder, what the driver noticed.
    meaning : tuple of str
        What it means beside earlier findings.
    probability_c : tuple of float
        Of each of the shown causes after it.
    decibans_c : tuple of float
        Weight for each of the shown causes being at fault: change of 10 log10 of its odds.
    """

    seq: int
    at: str
    who: str
    kind: str
    what: str
    where: str
    reading: Reading | None = None
    outcome: str = ""
    normal: str = ""
    minutes: float | None = None
    conditions: tuple[str, ...] = ()
    codes: tuple[str, ...] | None = None
    counts: tuple[tuple[int, int], ...] = ()
    felt: str = ""
    meaning: tuple[str, ...] = ()
    probability_c: tuple[float, ...] = ()
    decibans_c: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class CodeLine:
    """A trouble code and what it stands for."""

    code: str
    title: str


@dataclass(frozen=True, slots=True)
class Codes:
    """Codes at one readout; `seq` is that of the run."""

    seq: int
    at: str
    codes: tuple[CodeLine, ...]


@dataclass(frozen=True, slots=True)
class Move:
    """Parts were moved, reseated or replaced."""

    seq: int
    at: str
    who: str
    said: str


@dataclass(frozen=True, slots=True)
class PartAt:
    """A part in its place: which it is, and a short mark of where it came from."""

    element: str
    mark: str


@dataclass(frozen=True, slots=True)
class Arrangement:
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


@dataclass(frozen=True, slots=True)
class Trail:
    """The places of one part through the job, each with the event that brought it there."""

    element: str
    part: str
    stops: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Against:
    """A finding that spoke against a rival, and its weight in decibans."""

    seq: int
    decibans: float


@dataclass(frozen=True, slots=True)
class Rival:
    """Another cause and why it was put aside.

    Attributes
    ----------
    factor : float or None
        How many times likelier it would have to be beforehand to draw level with the likeliest
        cause; None if it is that one.
    against : tuple of Against
        What spoke against it, the strongest first.
    """

    element: str
    label: str
    probability: float
    factor: float | None
    against: tuple[Against, ...]


@dataclass(frozen=True, slots=True)
class Flip:
    """The rival that is nearest to drawing level, and how many times likelier it must be."""

    leader: str
    rival: str
    factor: float


@dataclass(frozen=True, slots=True)
class Conflict:
    """Something that does not fit.

    Attributes
    ----------
    kind : str
        ``"against"`` (a finding against the cause), ``"check again"`` (one that all others make
        unlikely), ``"not leading"`` (another cause is likelier), ``"not named"`` (another is
        likely too), ``"clock"`` (dated before the event that it follows), ``"packs"`` (other
        priors).
    seq : int
        Event concerned, or -1.
    detail : str
        What is concerned.
    decibans : float or None
        Weight of the finding.
    """

    kind: str
    seq: int
    detail: str
    decibans: float | None = None


@dataclass(frozen=True, slots=True)
class Retracted:
    """An event that was undone: it stays in the ledger, and counts for nothing."""

    seq: int
    at: str
    who: str
    said: str
    undone_by: str
    undone_at: str


@dataclass(frozen=True, slots=True)
class Standing:
    """How firm the conclusion is.

    Attributes
    ----------
    draft : tuple of str
        Why this is a draft: ``"open"``, ``"unrepaired"``, ``"unverified"``, ``"claimed"`` (closed
        as verified without the drive asked), ``"not established"``; empty otherwise.
    joint : float
        Probability that all named causes (or the leading one) were at fault.
    low, high : float or None
        90 % interval of `joint`, where it is of a single cause.
    draws : int
        Draws of the priors behind the intervals; 0 where there are none.
    established : float
        Least probability for that word.
    exact : bool
        Whether every combination of faults was counted.
    """

    status: str
    draft: tuple[str, ...]
    joint: float
    low: float | None
    high: float | None
    draws: int
    established: float
    exact: bool
    log10_evidence: float


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A remark without weight."""

    seq: int
    at: str
    who: str
    text: str


@dataclass(frozen=True, slots=True)
class ClaimFacts:
    """Everything that a write-up says.

    Attributes
    ----------
    causes : tuple of Cause
        Shown causes: those named first, then by falling probability.
    subjects : int
        How many of them the conclusion is about.
    leader : str
        The likeliest of all.
    findings : tuple of Finding
        In order of time; `Finding.probability_c` goes along `causes`.
    """

    ro: str
    shop: str
    opened_at: str
    technicians: tuple[str, ...]
    complaint: str
    remark: str
    vehicle: Vehicle
    standing: Standing
    causes: tuple[Cause, ...]
    subjects: int
    leader: str
    flip: Flip | None
    confirmed_by: str
    repairs: tuple[Repair, ...]
    codes_before: Codes | None
    codes_after: Codes | None
    findings: tuple[Finding, ...]
    moves: tuple[Move, ...]
    arrangements: tuple[Arrangement, ...]
    trails: tuple[Trail, ...]
    rivals: tuple[Rival, ...]
    conflicts: tuple[Conflict, ...]
    retracted: tuple[Retracted, ...]
    notes: tuple[NoteLine, ...]
    spent: Spent
    verification: Verification
    cautions: tuple[str, ...]
    photos: tuple[Photo, ...]
    provenance: Provenance
    ledger: LedgerFacts
