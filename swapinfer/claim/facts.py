"""All that a write-up says, as numbers and names, from which every format is made."""

from __future__ import annotations

from msgspec import Struct


class OnRecord(Struct, frozen=True):
    """Something that stands in the ledger: its position, when it was recorded, and by whom."""

    seq: int
    at: str
    who: str


class ReadingLine(Struct, frozen=True):
    """A number read, None for "over limit"; nine in ten good ones read what lies in `good`."""

    value: float | None
    unit: str
    typed: str
    reference: float | None
    temperature_c: float | None
    good: tuple[float, float] | None
    within: bool | None


class FindingLine(OnRecord, frozen=True):
    """Something observed, and what it did to belief.

    Its kind is ``"complaint"``, ``"stored"`` (`what` says how old), ``"run"``, ``"reading"`` or
    ``"inspection"`` (`what` is the test, `normal` what is seen in order). Codes are None where
    nobody looked, `counts` are misfires by cylinder. Along the shown causes go the probability of
    each after it and its weight, the change of 10 log10 of the odds; along those that the
    conclusion is about the weight beside the best rival, the change of 10 log10 of the ratio of
    their probabilities, empty where there is no rival.
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
    """Which part of a kind sat where, along `places`: at first (seq 0) and after each change."""

    kind: str
    places: tuple[str, ...]
    rows: tuple[tuple[int, tuple[PartAt, ...]], ...]


class Trail(Struct, frozen=True):
    """The places of one part through the job, each with the event that brought it there."""

    element: str
    part: str
    stops: tuple[tuple[int, str], ...]


class PartPapers(Struct, frozen=True):
    """A part by its papers; of one that came off also where it is kept and what it showed."""

    number: str = ""
    serial: str = ""
    supplier: str = ""
    kept: str = ""
    showed: str = ""


class RepairLine(OnRecord, frozen=True):
    """Something put right; how `label`, what was there before, stood just then, and the next."""

    what: str
    element: str
    label: str
    price: float | None
    new: PartPapers
    old: PartPapers
    labour: str
    probability: float
    next_label: str
    next_probability: float


class Retracted(OnRecord, frozen=True):
    """An event that was undone; weighed if a finding, or work under which one was made."""

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


class SpentLine(Struct, frozen=True):
    """Standard time and money of one kind of work."""

    work: str
    minutes: float
    money: float


class RepairRange(Struct, frozen=True):
    """Minutes, access included, between which a repair of unknown kind may have taken."""

    label: str
    low: float
    high: float


class Spent(Struct, frozen=True):
    """Time and cost by standard times; parts at the price entered, others at a typical one."""

    lines: tuple[SpentLine, ...]
    minutes: float
    labour: float
    rate_per_hour: float
    parts: float
    parts_priced: int
    parts_fitted: int
    other: float
    total: float
    currency: str
    first_at: str
    last_at: str
    unclear: tuple[RepairRange, ...] = ()


class BookedLine(Struct, frozen=True):
    """Minutes booked on an operation and by standard times; `what` is empty for all other work."""

    operation: str
    what: str
    booked: float
    standard: float
    money: float


class Charged(Struct, frozen=True):
    """What is charged by booked times and by prices that were entered."""

    lines: tuple[BookedLine, ...]
    minutes: float
    labour: float
    parts: float
    total: float


class Vehicle(Struct, frozen=True):
    """The vehicle and its engine, cylinders by bank from front to rear.

    `driven_km` is with the fault; `vin_check` is ``"valid"``, ``"wrong"``, ``"not required"``,
    ``"malformed"`` or empty, and kept when the number is left out; `in_service` is in ISO 8601.
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
    """An element that is, or until it was touched was, at fault by some `probability`.

    It was `before` any finding; from `low` to `high` is its 90 % interval over the priors'
    uncertainty, None where that would take too long. `headline` says what was at fault by how it
    failed, where the job was closed with that.
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
    """Another cause and what spoke against it; `factor` is None if it is the likeliest of all."""

    element: str
    label: str
    probability: float
    factor: float | None
    against: tuple[Against, ...]


class BestRival(Struct, frozen=True):
    """The likeliest of the others, and by how many decibans each concluded on was above it."""

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
    """Something that does not fit, at an event or -1.

    Its kind is ``"against"`` (a finding against the cause), ``"check again"`` (one that all others
    make unlikely), ``"not leading"`` (another cause is likelier), ``"not named"`` (another is
    likely too), ``"mode"`` (closed with a way of failing to which the findings leave little
    `share`), ``"odometer"`` (less when it left than when it came), ``"picture"`` (not the one that
    was attached), ``"packs"`` (other priors); or times do not fit: ``"clock"`` (dated before the
    event that it follows), ``"drive"`` (longer than the clock allows), ``"work"`` (far more than
    the time that passed), ``"future"`` (dated after the write-up).
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
    """How firm the conclusion is, and of which `joint` probability.

    A draft is ``"open"``, ``"unrepaired"``, ``"unverified"``, ``"claimed"`` (closed as verified
    without the drive asked), ``"not established"``, ``"own priors"`` (established under them, not
    under the published ones) or ``"incomplete"`` (what the template requires is not on record).
    Of a single cause `low` to `high` is the 90 % interval, by so many `draws` of the priors, and
    `rarer` how many times rarer beforehand it might have been and still be established, or likelier
    than not where it is not established. `exact` if every combination of faults was counted.
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
    """The conclusion under other priors or findings; `joint` is None where there is none."""

    joint: float | None
    leader: str = ""
    leader_probability: float = 0.0
    why_not: str = ""


class ChangedEntry(Struct, frozen=True):
    """An entry of the priors that is not as published; `joint` if it alone is changed in those."""

    path: str
    published: str
    own: str
    joint: float | None


class Published(Struct, frozen=True, kw_only=True):
    """The published priors, and what differs from them, the weightiest entries first."""

    pack: str
    version: str
    digest: str
    is_same: bool
    concludes: Otherwise
    numbers: int = 0
    others: int = 0
    changed: tuple[ChangedEntry, ...] = ()


class Unrecorded(Struct, frozen=True):
    """Something not on record, as a template names it and in words; `of` is empty for the job."""

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

    They were without misfire for `clean_minutes` in the end. Clean minutes were asked for under the
    conditions that all runs with a misfire had in common, None if no drive is long enough, and
    `proven_minutes` driven under them. `residual_risk` is the probability that a fault which causes
    misfires is still in the vehicle; `left_out` the share of the combinations of faults that was
    not looked at.
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
    """All that a write-up says; its conclusion is about the first causes, so many `subjects`."""

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
