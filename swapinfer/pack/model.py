"""What a pack says, as frozen records; docs/pack-format.md tells what each key means.

Where a key of the files is not the attribute's name, the record says so in ``rename``: files speak
of one thing at a time. `swapinfer.pack.tables` tells what else looks different there.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta

from swapinfer.layout import Layout

LARGEST = 1e300  # no pack means a larger number
MEANING = "meaning"  # key under which a limited type says what its limits mean, for messages

Chance = Annotated[float, Meta(ge=0, le=1, extra={MEANING: "is a chance, so between 0 and 1"})]
NotNegative = Annotated[float, Meta(ge=0, lt=LARGEST, extra={MEANING: "must not be negative"})]
Positive = Annotated[float, Meta(gt=0, lt=LARGEST, extra={MEANING: "must be above 0"})]
Factor = Annotated[float, Meta(ge=1, lt=LARGEST, extra={MEANING: "is a factor of at least 1"})]
Shown = Annotated[float, Meta(gt=-LARGEST, lt=LARGEST, extra={MEANING: "must be a number"})]
ShownOrMore = Annotated[float, Meta(gt=-LARGEST, extra={MEANING: "must be a number"})]
Minutes = Annotated[float, Meta(ge=0, extra={MEANING: "must not be negative"})]
Count = Annotated[int, Meta(ge=0, extra={MEANING: "must not be negative"})]

GOOD = "good"  # name of the profile that a thing in order shows
ANY = "*"  # stands for every mode that is not named otherwise
OVER_LIMIT = "over-limit"  # among slips: the meter shows OL because its probe had no contact


class PackRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Anything that a pack says."""


class Uncertain(PackRecord, frozen=True):
    """A positive quantity known to within a factor: log-normal."""

    median: Positive
    spread: Factor = 1.0


class Severity(PackRecord, frozen=True):
    """How often a present fault shows."""

    id: str
    title: str
    rate_per_min: NotNegative  # of episodes
    counts_per_min: NotNegative  # mean advance of the misfire counter once there was an episode
    dispersion: Positive  # size of that negative binomial; small is over-dispersed
    share: Positive = 1.0  # of the cylinder's firings that fail in an episode
    share_spread: Factor = 2.0
    episode_minutes: Positive = 1.0


class Fix(PackRecord, frozen=True):
    """What puts an element right."""

    title: str
    minutes: NotNegative
    price: tuple[NotNegative, NotNegative, NotNegative]  # low, typical, high
    access: str | None = None  # None where the kind's own repair needs the same; "" for nothing


class Mode(PackRecord, frozen=True):
    """One way in which an element fails."""

    id: str
    title: str
    life_km: Uncertain
    shape: Positive
    latent_km: NotNegative
    severity: dict[str, Chance]
    when: dict[str, NotNegative] = {}
    misfire: NotNegative = 1.0
    cured_by_disturbance: bool = False
    hazard_ratio: Uncertain = Uncertain(1.0)
    fix: Fix | None = None


class Handling(PackRecord, frozen=True):
    """What moving or unplugging a thing may do to what it is connected to."""

    kind: str
    mode: str  # empty when none can be induced
    chance: Chance


class Kind(PackRecord, frozen=True, kw_only=True, rename={"modes": "mode"}):
    """A kind of element: a part that can move or a site that cannot."""

    id: str
    title: str
    pattern: str
    movable: bool = False
    fitted: dict[str, tuple[str, ...]] = {}
    access: str = ""
    swap_minutes: NotNegative = 0.0
    fix: Fix
    handling: tuple[Handling, ...] = ()
    new_fault: Chance = 0.0
    modes: dict[str, Mode]
    cautions: tuple[str, ...] = ()
    lot_spread: Factor = 1.0

    def fix_of(self, mode: str) -> Fix:
        """Repair of a mode: its own, or the kind's."""
        return self.modes[mode].fix or self.fix

    @property
    def fixes(self) -> Iterable[Fix]:
        """Every repair that an element of the kind may need."""
        return dict.fromkeys(map(self.fix_of, self.modes))

    def fix_shares(self, mode_weights: Mapping[str, float]) -> dict[Fix, float]:
        """Probability of each repair that an element may need; empty when nothing is known."""
        weights = dict.fromkeys(map(self.fix_of, mode_weights), 0.0)
        for mode, weight in mode_weights.items():
            weights[self.fix_of(mode)] += weight
        total = sum(weights.values())
        return {fix: weight / total for fix, weight in weights.items()} if total > 0.0 else {}

    def access_of(self, fix: Fix) -> str:
        """Name what must be off for a repair; empty for nothing."""
        return self.access if fix.access is None else fix.access


KNOWN = 0.5
"""Share of an element's probability from which a repair is taken for the one that it needs."""


def known_fix(shares: Mapping[Fix, float]) -> Fix | None:
    """Repair that holds at least `KNOWN` of the probability, if one does."""
    likeliest = max(shares, key=lambda fix: shares[fix], default=None)
    return likeliest if likeliest and shares[likeliest] >= KNOWN else None


class Access(PackRecord, frozen=True):
    """Something that must come off, and what must be off before it."""

    id: str
    title: str
    open_minutes: NotNegative
    close_minutes: NotNegative
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    stays_open: bool = False  # the engine may be run without it


class Caution(PackRecord, frozen=True):
    """What to mind: in full, and a short name for those who have read it."""

    id: str
    text: str
    short: str = ""

    @property
    def name(self) -> str:
        """Short name; packs kept before there were any go by the id."""
        return self.short or self.id.replace("-", " ")


COMPLAINT_WORD = "complaint"
"""Feeling of the pack that the complaint itself is."""


class Feeling(PackRecord, frozen=True):
    """A word for what the driver noticed, and what it says about misfire."""

    id: str
    title: str
    with_misfire: Chance
    without: Chance
    hard: bool = False


OTHERWISE = "otherwise"
"""Key of what holds where nothing else does."""

UNKNOWN, CLEARED, UNREADY = "unknown", "cleared", "unready"
"""Memories: of unknown age; erased before the vehicle came in; and no misfire monitor ran since."""


class Monitor(PackRecord, frozen=True):
    """How a control unit judges misfires."""

    revolutions: Positive
    share: Chance
    # Windows above it that set a code; in the first one after the start a single one does.
    exceedances: Annotated[int, Meta(ge=1, extra={MEANING: "must be at least 1"})]
    catalyst_revolutions: Positive
    catalyst_share: Chance
    confirmed_at_once: Chance
    cycle_minutes: Positive
    rpm: dict[str, Positive]
    named: Chance = 0.5
    catalyst_spread: Factor = 1.0

    def speed(self, conditions: Collection[str]) -> float:
        """Engine speed under some conditions."""
        return next(rpm for tag, rpm in self.rpm.items() if tag in (*conditions, OTHERWISE))


class Memory(PackRecord, frozen=True):
    """How old what the control units had stored on arrival may be, and what it then says."""

    id: str
    title: str
    minutes: NotNegative
    missed: Chance
    stale: Chance


class Curve(PackRecord, frozen=True):
    """Chances of a numeric reading: a mixture of normal lobes, plus "over limit"."""

    lobes: tuple[tuple[Shown, Shown, Shown], ...]  # weight, centre, sd
    over_limit: Shown = 0.0

    @property
    def heaviest(self) -> tuple[float, float, float]:
        """Lobe of the greatest weight."""
        return max(self.lobes)


class Band(PackRecord, frozen=True):
    """A stretch of readings with a name, from the previous band's top up to `below`."""

    id: str
    below: ShownOrMore


class Level(PackRecord, frozen=True, kw_only=True):
    """The unknown value that healthy cylinders share, as a prior for the quadrature."""

    name: str
    formula: str
    median: Shown = 0.0
    fill: NotNegative = 0.0
    exponent: NotNegative = 0.0
    compression_ratio: NotNegative = 0.0
    spread: NotNegative
    gauge_spread: NotNegative


class Symptom(PackRecord, frozen=True):
    """A mode that a test can see, and the profile that it then shows."""

    kind: str
    mode: str  # or `ANY`
    profile: str


class Weight(PackRecord, frozen=True, rename={"grade": "class"}):
    """What an outcome of a test, or a reading in a band, is worth, as the trade judges it."""

    of: tuple[str, ...]
    grade: str
    why: str


class WeightClass(PackRecord, frozen=True):
    """A class of weight: from which Bayes factor on, up to the next class."""

    id: str
    title: str
    least: NotNegative


class Weighing(PackRecord, frozen=True):
    """The base case in which findings are weighed: one cylinder, one code."""

    layout: str = ""
    fitments: tuple[dict[str, str], ...] = ()
    minutes: NotNegative = 10.0
    conditions: tuple[str, ...] = ()
    code: str = ""
    common: str = ""


class Test(
    PackRecord,
    frozen=True,
    kw_only=True,
    rename={"curves": "profile", "outcomes": "outcome", "bands": "band", "weights": "weight"},
):
    """A reading or an inspection that the trade does."""

    id: str
    title: str
    form: str
    target: str
    unit: str = ""
    scale: str = "linear"
    reference: str = ""
    range: tuple[Shown, Shown] = (0.0, 0.0)
    curves: dict[str, Curve]
    chances: dict[str, dict[str, Shown]] = {}
    outcomes: dict[str, str] = {}
    bands: tuple[Band, ...] = ()
    sees: tuple[Symptom, ...]
    miss: dict[str, Chance]
    coincidence: Chance = 0.0
    slip: dict[str, Chance] = {}
    repeatability: NotNegative = 0.0
    fresh: Chance
    once: bool = False
    alike: dict[str, Chance] = {}
    sweep: bool = False
    level: Level | None = None
    copper_alpha: NotNegative = 0.0
    fitted: dict[str, tuple[str, ...]] = {}
    access: str = ""
    minutes: NotNegative
    minutes_each: NotNegative = 0.0
    consumables: NotNegative = 0.0
    tools: tuple[str, ...]
    disturbs: tuple[Handling, ...] = ()
    cautions: tuple[str, ...]
    before: tuple[str, ...] = ()
    steps: tuple[str, ...]
    record: str
    possible: tuple[Shown, Shown] | None = None
    reference_range: tuple[Shown, Shown] | None = None
    wanted: str = ""
    remembers: str = ""
    weights: dict[str, Weight] = {}

    @property
    def profiles(self) -> tuple[str, ...]:
        """Names of the profiles, in the order of the file."""
        return (*self.curves, *self.chances)

    @property
    def nominal(self) -> float:
        """Centre of the heaviest lobe of a reading's good curve."""
        return self.curves[GOOD].heaviest[1]

    def on_scale(self, value: float) -> float:
        """Place of a reading on the scale of the curves: its natural log, or itself."""
        return math.log(value) if self.scale == "log" else value

    def off_scale(self, at: float) -> float:
        """Undo `on_scale`."""
        return math.exp(at) if self.scale == "log" else at

    def beside(self, value: float, level: float | None) -> float:
        """Take a reading as the curves speak of it: relative to what sound ones share, if any."""
        if level is None:
            return value
        return value / level if self.scale == "log" else value - level

    def as_shown(self, value: float, level: float | None) -> float:
        """Undo `beside`: what the meter shows where the curves speak of a value."""
        if level is None:
            return value
        return value * level if self.scale == "log" else value + level

    def band_of(self, value: float, level: float | None = None) -> str:
        """Name of the band that a reading falls into."""
        value = self.beside(value, level)
        return next(band.id for band in self.bands if value < band.below or band.below == value)


class Code(PackRecord, frozen=True, kw_only=True):
    """A trouble code, or a numbered family of them, as evidence."""

    id: str
    title: str
    first: Count
    pattern: str
    step: Count = 0
    role: str
    sets: tuple[tuple[str, str, Chance], ...] = ()  # kind, mode or `ANY`, chance
    false_chance: Chance


class Sign(PackRecord, frozen=True):
    """By what a drive that was followed over the bus is seen to have had a condition."""

    between: dict[str, tuple[float, float]]
    share: Chance


class Running(PackRecord, frozen=True):
    """Numbers about engine running that belong to no element."""

    misattribution: Chance
    together: Chance
    unnamed: Chance
    leak_per_min: NotNegative
    leak_counts_per_min: NotNegative
    leak_dispersion: Positive
    complaint_minutes: NotNegative
    km_per_min: Positive
    exposure_km: NotNegative
    odometer_km: NotNegative
    conditions: dict[str, str]
    cautions: tuple[str, ...] = ()
    suspected_right: Chance = 0.6
    km_per_day: Positive = 40.0
    unseen: Chance = 0.0
    comes_back: tuple[tuple[NotNegative, Chance], ...] = ()
    signs: dict[str, Sign] = {}


class Costs(PackRecord, frozen=True):
    """What work and trouble cost a shop; every one may be overlaid."""

    currency: str
    rate_per_hour: NotNegative
    drive_minutes: tuple[NotNegative, ...]
    drive_cost_per_min: NotNegative  # fuel and wear, beside labour
    comeback: NotNegative
    missing_tool: NotNegative
    part_wait: NotNegative
    diagnosis_cap: NotNegative  # what it costs to give the vehicle up to someone else
    read_minutes: NotNegative = 0.0
    reseat_minutes: NotNegative = 0.0
    reseat_price: NotNegative = 0.0
    needless_part: NotNegative = 0.0
    proof: NotNegative = 0.0
    stake: NotNegative | None = None
    sure: NotNegative = 0.0
    resolution: NotNegative = 0.0
    foresight: NotNegative = 0.0
    verify_minutes: NotNegative = 0.0
    hard_drive_minutes: Minutes = math.inf
    hard_share: NotNegative = 1.0
    drive_conditions: tuple[tuple[str, ...], ...] = ((),)
    condition_price: dict[str, NotNegative] = {}
    condition_minutes: dict[str, Minutes] = {}


class Custom(PackRecord, frozen=True):
    """What is usual in the trade: the order of a misfire job, and how soon is too soon."""

    order: tuple[tuple[str, str], ...] = ()  # ("swap", kind) or ("test", test), easiest first
    sure: Chance = 0.8
    drive_minutes: NotNegative = 20.0
    neighbours: Count = 1
    comeback_days: NotNegative = 30.0


class Source(PackRecord, frozen=True):
    """Where a number comes from."""

    id: str
    grade: str
    text: str


_ONE_AT_A_TIME = {
    "layouts": "layout", "fitments": "fitment", "severities": "severity", "kinds": "element",
    "tests": "test", "codes": "code", "cautions": "caution", "tools": "tool", "sources": "source",
    "refusals": "refusal", "feelings": "feeling", "memories": "memory", "classes": "class",
}  # fmt: skip


class Pack(PackRecord, frozen=True, kw_only=True, rename=_ONE_AT_A_TIME):
    """Everything known before the first finding of a job."""

    name: str
    version: str
    digest: str  # SHA-256 of `swapinfer.pack.tables.pack_to_json`
    layouts: dict[str, Layout]
    fitments: dict[str, dict[str, str]]
    severities: dict[str, Severity]
    running: Running
    costs: Costs
    access: dict[str, Access]
    kinds: dict[str, Kind]
    tests: dict[str, Test]
    codes: dict[str, Code]
    cautions: dict[str, Caution]
    tools: dict[str, str]
    sources: dict[str, Source]
    provenance: dict[str, str]  # dotted path of every number to the id of its source
    refusals: dict[str, str] = {}
    feelings: dict[str, Feeling] = {}
    memories: dict[str, Memory] = {}
    monitor: Monitor | None = None
    custom: Custom = Custom()
    classes: dict[str, WeightClass] = {}
    weighing: Weighing = Weighing()

    @property
    def drive_feelings(self) -> dict[str, Feeling]:
        """Words for how a drive felt: all but the one that the complaint itself is."""
        return {word: one for word, one in self.feelings.items() if word != COMPLAINT_WORD}
