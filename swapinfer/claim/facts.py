"""The write-up itself: all that it says, as numbers and names, from which every format is made."""

from __future__ import annotations

from msgspec import Struct

from swapinfer.claim.amounts import Charged, Spent
from swapinfer.claim.entries import (
    Arrangement,
    FindingLine,
    Move,
    NoteLine,
    Photo,
    Readout,
    RepairLine,
    Retracted,
    Trail,
)


class Vehicle(Struct, frozen=True):
    """The vehicle and its engine.

    Attributes
    ----------
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
    in_service : str
        Day of first use, in ISO 8601; empty if not given.
    odometer_out_km : float or None
        On the clock when the job was closed.
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
    in_service: str
    odometer_out_km: float | None


class ModeLine(Struct, frozen=True):
    """One way in which an element may have failed, and its probability."""

    title: str
    probability: float


class CauseLine(Struct, frozen=True):
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
    modes : tuple of ModeLine
        The likeliest first.
    named : bool
        Whether the job was closed with it as a cause.
    closed_as : str
        The way of failing that it was closed with; empty where none was named.
    headline : str
        What was at fault in one phrase: by how it failed, where that is known.
    """

    element: str
    label: str
    now: str
    probability: float
    low: float | None
    high: float | None
    before: float
    modes: tuple[ModeLine, ...]
    named: bool
    closed_as: str
    headline: str


class Against(Struct, frozen=True):
    """A finding that spoke against a rival, and its weight in decibans."""

    seq: int
    decibans: float


class Rival(Struct, frozen=True):
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


class BestRival(Struct, frozen=True):
    """The likeliest of the other causes, which weights are held against.

    Attributes
    ----------
    before_c : tuple of float
        How far each cause that the conclusion is about was above it before any finding: 10 log10
        of the ratio of their probabilities.
    """

    element: str
    label: str
    probability: float
    before_c: tuple[float, ...]


class NearestRival(Struct, frozen=True):
    """The rival that is nearest to drawing level, and how many times likelier it must be."""

    leader: str
    rival: str
    factor: float


class Conflict(Struct, frozen=True):
    """Something that does not fit.

    Attributes
    ----------
    kind : str
        ``"against"`` (a finding against the cause), ``"check again"`` (one that all others make
        unlikely), ``"not leading"`` (another cause is likelier), ``"not named"`` (another is
        likely too), ``"mode"`` (closed with a way of failing that the findings make unlikely),
        ``"odometer"`` (less when it left than when it came), ``"picture"`` (not the one that was
        attached), ``"packs"`` (other priors); times that do not fit: ``"clock"`` (dated before the
        event that it follows), ``"drive"`` (longer than the clock allows), ``"work"`` (far more
        than the time that passed), ``"future"`` (dated after the write-up).
    seq : int
        Event concerned, or -1.
    detail : str
        Element, pack or time concerned.
    decibans : float or None
        Weight of the finding.
    since : str
        Time from which a drive or work would have to fit in.
    minutes : float or None
        What it took.
    share : float or None
        Of the ways of failing, which the findings leave to the one named.
    """

    kind: str
    seq: int
    detail: str
    decibans: float | None = None
    since: str = ""
    minutes: float | None = None
    share: float | None = None

    @property
    def is_of_time(self) -> bool:
        """Whether times do not fit."""
        return self.kind in {"clock", "drive", "work", "future"}


class LeftOut(Struct, frozen=True):
    """Something that was left out: why, and of which events."""

    kind: str
    of: tuple[int, ...]


class Standing(Struct, frozen=True):
    """How firm the conclusion is.

    Attributes
    ----------
    draft : tuple of str
        Why this is a draft: ``"open"``, ``"unrepaired"``, ``"unverified"``, ``"claimed"`` (closed
        as verified without the drive asked), ``"not established"``, ``"own priors"`` (established
        under them, not under the published ones), ``"incomplete"`` (what the template requires is
        not on record); empty otherwise.
    joint : float
        Probability that all named causes (or the leading one) were at fault.
    low, high : float or None
        90 % interval of `joint`, where it is of a single cause.
    rarer : float or None
        How many times rarer beforehand a single cause might have been and still be established,
        or likelier than not where it is not established; None where it is neither, or not single.
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
    rarer: float | None
    draws: int
    established: float
    exact: bool
    log10_evidence: float


class Otherwise(Struct, frozen=True):
    """The conclusion under other priors, or with more findings counted.

    Attributes
    ----------
    joint : float or None
        Probability that the same causes were at fault; None where the job cannot be worked out so.
    leader : str
        What is likeliest then, and `leader_probability` how likely.
    why_not : str
        Why the job cannot be worked out so; empty where it can.
    """

    joint: float | None
    leader: str = ""
    leader_probability: float = 0.0
    why_not: str = ""


class ChangedEntry(Struct, frozen=True):
    """A number, or another entry, of the priors that is not as it is published.

    Attributes
    ----------
    path : str
        Dotted keys as in the priors' files.
    published, own : str
        A number to ten digits, else JSON, cut short; ``"absent"`` where there is none.
    joint : float or None
        Probability of the conclusion under the published priors with this entry alone changed; None
        where it cannot stand alone.
    """

    path: str
    published: str
    own: str
    joint: float | None


class Published(Struct, frozen=True, kw_only=True):
    """The published priors, and how the job's own differ from them.

    Attributes
    ----------
    pack, version, digest : str
        Of the base that came with the program.
    is_same : bool
        Whether the job's own have the same content.
    concludes : Otherwise
        What follows under the published ones.
    numbers, others : int
        How many numbers differ, and how many other entries.
    changed : tuple of ChangedEntry
        Those that weigh most on the answer, the weightiest first.
    """

    pack: str
    version: str
    digest: str
    is_same: bool
    concludes: Otherwise
    numbers: int = 0
    others: int = 0
    changed: tuple[ChangedEntry, ...] = ()


class Unrecorded(Struct, frozen=True):
    """Something that is not on record.

    Attributes
    ----------
    field, words : str
        As a template names it, and in words.
    of : tuple of str
        What it is missing of; empty if of the whole job.
    is_required : bool
        Whether the template requires it.
    """

    field: str
    words: str
    of: tuple[str, ...]
    is_required: bool


class Exceeded(Struct, frozen=True):
    """A limit of the template that is passed; `value` is None where nothing can be held to it."""

    limit: str
    bound: float
    value: float | None


class Verification(Struct, frozen=True):
    """Drives after the last repair.

    Attributes
    ----------
    repaired_seq : int or None
        Last replacing or reseating; None when nothing was repaired.
    minutes, clean_minutes : float
        Driven since, and since the last misfire.
    asked_minutes : float or None
        Clean minutes that were asked for after it; None when no drive is long enough.
    asked_conditions : tuple of str
        In which: those that all runs with a misfire had in common.
    proven_minutes : float
        Clean minutes driven in those conditions.
    proven : bool
        Whether that is as long as was asked.
    clean : bool or None
        Whether the last of them was without misfire; None when there was none.
    conditions : tuple of str
        Conditions driven under since.
    residual_risk : float
        Probability that a fault that causes misfires is still in the vehicle.
    left_out : float
        Share of the combinations of faults that was not looked at; 0 when exact.
    """

    repaired_seq: int | None
    minutes: float
    clean_minutes: float
    runs: int
    asked_minutes: float | None
    asked_conditions: tuple[str, ...]
    proven_minutes: float
    proven: bool
    clean: bool | None
    conditions: tuple[str, ...]
    residual_risk: float
    left_out: float


class SourceLine(Struct, frozen=True):
    """A source of numbers of the pack, and how many numbers come from it."""

    grade: str
    text: str
    numbers: int


class PriorSources(Struct, frozen=True):
    """Where the prior probabilities come from."""

    pack: str
    version: str
    digest: str
    sources: tuple[SourceLine, ...]


class LedgerFacts(Struct, frozen=True):
    """What it was made from; `head` is the last record's digest, which covers all before it."""

    job: str
    records: int
    head: str
    program: str


class ClaimFacts(Struct, frozen=True):
    """Everything that a write-up says.

    Attributes
    ----------
    causes : tuple of CauseLine
        Shown causes: those named first, then by falling probability.
    subjects : int
        How many of them the conclusion is about.
    leader : str
        The likeliest of all.
    findings : tuple of FindingLine
        In order of time; `FindingLine.probability_c` goes along `causes`.
    charged : Charged or None
        None where no time was booked.
    left_out : tuple of LeftOut
        What must not be read, and was left out.
    unrecorded : tuple of Unrecorded
        What is not on record, what is required first.
    exceeded : tuple of Exceeded
        Limits of the template that are passed.
    with_retracted : Otherwise or None
        The conclusion with those retracted events counted that are weighed; None without any.
    """

    ro: str
    shop: str
    opened_at: str
    technicians: tuple[str, ...]
    complaint: str
    remark: str
    vehicle: Vehicle
    standing: Standing
    causes: tuple[CauseLine, ...]
    subjects: int
    leader: str
    best_rival: BestRival | None
    flip: NearestRival | None
    confirmed_by: str
    repairs: tuple[RepairLine, ...]
    codes_before: Readout | None
    codes_after: Readout | None
    findings: tuple[FindingLine, ...]
    moves: tuple[Move, ...]
    arrangements: tuple[Arrangement, ...]
    trails: tuple[Trail, ...]
    rivals: tuple[Rival, ...]
    conflicts: tuple[Conflict, ...]
    retracted: tuple[Retracted, ...]
    with_retracted: Otherwise | None
    notes: tuple[NoteLine, ...]
    spent: Spent
    charged: Charged | None
    verification: Verification
    cautions: tuple[str, ...]
    photos: tuple[Photo, ...]
    provenance: PriorSources
    published: Published
    ledger: LedgerFacts
    left_out: tuple[LeftOut, ...]
    unrecorded: tuple[Unrecorded, ...] = ()
    exceeded: tuple[Exceeded, ...] = ()

    @property
    def concluded(self) -> tuple[CauseLine, ...]:
        """Causes that the conclusion is about."""
        return self.causes[: self.subjects]
