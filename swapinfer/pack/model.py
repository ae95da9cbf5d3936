"""What a pack says, as frozen records; reading and checking it is elsewhere.

Where a key of the files is not the attribute's name, the record says so in ``rename``: files speak
of one thing at a time. What a file may leave out has a default. `swapinfer.pack.tables` tells what
else looks different there.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta

from swapinfer.layout import Layout

LARGEST = 1e300
"""No pack means a larger number."""

MEANING = "meaning"
"""Under which a limited type says what its limits mean, for messages."""

Chance = Annotated[float, Meta(ge=0, le=1, extra={MEANING: "is a chance, so between 0 and 1"})]
NotNegative = Annotated[float, Meta(ge=0, lt=LARGEST, extra={MEANING: "must not be negative"})]
Positive = Annotated[float, Meta(gt=0, lt=LARGEST, extra={MEANING: "must be above 0"})]
Factor = Annotated[float, Meta(ge=1, lt=LARGEST, extra={MEANING: "is a factor of at least 1"})]
Shown = Annotated[float, Meta(gt=-LARGEST, lt=LARGEST, extra={MEANING: "must be a number"})]
"""What a meter shows: any number but infinity."""
ShownOrMore = Annotated[float, Meta(gt=-LARGEST, extra={MEANING: "must be a number"})]
Minutes = Annotated[float, Meta(ge=0, extra={MEANING: "must not be negative"})]
"""Of running, endless ones too."""
Count = Annotated[int, Meta(ge=0, extra={MEANING: "must not be negative"})]

GOOD = "good"
"""Name of the profile that a thing in order shows."""

ANY = "*"
"""Stands for every mode that is not named otherwise."""

OVER_LIMIT = "over-limit"
"""Name, among slips, of a meter that shows OL because its probe had no contact."""


class PackRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Anything that a pack says."""


class Uncertain(PackRecord, frozen=True):
    """A positive quantity known to within a factor: log-normal.

    Attributes
    ----------
    median : float
        Half of the belief lies below.
    spread : float
        Geometric standard deviation, at least 1; 2: "within a factor of 2, two times in three".
    """

    median: Positive
    spread: Factor = 1.0


class Severity(PackRecord, frozen=True):
    """How often a present fault shows.

    Attributes
    ----------
    rate_per_min : float
        Misfire episodes a minute.
    counts_per_min : float
        Mean of the misfire counter's advance a minute once an episode has occurred.
    dispersion : float
        Size of the negative binomial of the counts; small is over-dispersed.
    share, share_spread : float
        Share of the cylinder's firings that fail in an episode, and the factor by which it varies.
    episode_minutes : float
        Mean length of an episode.
    """

    id: str
    title: str
    rate_per_min: NotNegative
    counts_per_min: NotNegative
    dispersion: Positive
    share: Positive = 1.0
    share_spread: Factor = 2.0
    episode_minutes: Positive = 1.0


class Fix(PackRecord, frozen=True):
    """What puts an element right.

    Attributes
    ----------
    title : str
        In the imperative: "replace the coil".
    minutes : float
        Work without opening and closing access.
    price : tuple of float
        Parts: low, typical, high, in the pack's currency unit.
    access : str or None
        What must be off, where that is not what the kind's own repair needs; ``""`` for nothing.
    """

    title: str
    minutes: NotNegative
    price: tuple[NotNegative, NotNegative, NotNegative]
    access: str | None = None


class Mode(PackRecord, frozen=True):
    """One way in which an element fails.

    Attributes
    ----------
    life_km : Uncertain
        Weibull scale of the distance at which it appears, all severities together.
    shape : float
        Weibull shape; 1 is "no wear".
    latent_km : float
        Distance over which it may have been present before anyone complained.
    severity : dict of str to float
        Share of each severity, adding up to 1.
    when : dict of str to float
        Factor on the rate under each condition tag that matters; absent tags are 1.
    misfire : float
        Factor on every rate; 0 for faults that upset readings but not combustion.
    cured_by_disturbance : bool
        Whether the first unplugging or moving at its place ends it.
    hazard_ratio : Uncertain
        Factor on the hazard learned by a shop; 1 in the base pack.
    fix : Fix or None
        Overrides the kind's.
    """

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
    """What moving or unplugging a thing may do to what it is connected to.

    Attributes
    ----------
    kind : str
        Kind that is disturbed at the same place (may be the moved kind itself).
    mode : str
        Mode that may be induced there, present from then on; empty when none can.
    chance : float
        Probability of that, each time.
    """

    kind: str
    mode: str
    chance: Chance


class Kind(PackRecord, frozen=True, kw_only=True, rename={"modes": "mode"}):
    """A kind of element: a part that can move or a site that cannot.

    Attributes
    ----------
    pattern : str
        How it shares the cylinders out, one of `swapinfer.layout.PATTERNS`.
    movable : bool
        Parts travel with their state; sites stay.
    fitted : dict of str to tuple of str
        Fitment axis to the values under which engines have it; empty means always.
    access : str
        What must be off to reach it; empty when nothing.
    swap_minutes : float
        Work to exchange two of them, without access.
    handling : tuple of Handling
        What is disturbed whenever one is moved, replaced or reseated; kinds that the engine at
        hand has not are passed over.
    new_fault : float
        Chance that a new one is bad out of the box.
    lot_spread : float
        Geometric standard deviation of the hazard between lots of such parts: those of one engine
        share it. 1 where lots do not differ.
    modes : dict of str to Mode
        In the order in which they are shown.
    cautions : tuple of str
        Shown before any work on it.
    """

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


KNOWN = 0.5
"""Share of an element's probability from which a repair is taken for the one that it needs."""


def fix_of(kind: Kind, mode: str) -> Fix:
    """Repair of a mode: its own, or the kind's.

    Parameters
    ----------
    kind : Kind
        Of the element.
    mode : str
        One of its modes.
    """
    return kind.modes[mode].fix or kind.fix


def fix_shares(kind: Kind, mode_weights: Mapping[str, float]) -> dict[Fix, float]:
    """Probability of each repair that an element may need; empty when nothing is known of it.

    Parameters
    ----------
    kind : Kind
        Of the element.
    mode_weights : mapping of str to float
        Mode to its weight.
    """
    weights: dict[Fix, float] = {}
    for mode, weight in mode_weights.items():
        fix = fix_of(kind, mode)
        weights[fix] = weights.get(fix, 0.0) + weight
    total = sum(weights.values())
    return {fix: weight / total for fix, weight in weights.items()} if total > 0.0 else {}


def known_fix(shares: Mapping[Fix, float]) -> Fix | None:
    """Repair that holds at least `KNOWN` of the probability, if one does."""
    likeliest = max(shares, key=lambda fix: shares[fix], default=None)
    return likeliest if likeliest and shares[likeliest] >= KNOWN else None


def access_of(kind: Kind, fix: Fix) -> str:
    """Name what must be off for a repair; empty for nothing."""
    return kind.access if fix.access is None else fix.access


def fixes(kind: Kind) -> Iterator[Fix]:
    """Every repair that an element of a kind may need."""
    yield from dict.fromkeys(fix_of(kind, mode) for mode in kind.modes)


class Access(PackRecord, frozen=True):
    """Something that must come off: open and close minutes, and what must be off before it.

    `stays_open` says that the engine may be run without it.
    """

    id: str
    title: str
    open_minutes: NotNegative
    close_minutes: NotNegative
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    stays_open: bool = False


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
    """A word for what the driver noticed, and what it says about misfire.

    Attributes
    ----------
    with_misfire, without : float
        Chance that this word is used when at least one episode occurred in the run, and when none
        did; only their ratio matters.
    hard : bool
        Whether it means that a cylinder misses all the time, which a long drive may harm.
    """

    id: str
    title: str
    with_misfire: Chance
    without: Chance
    hard: bool = False


OTHERWISE = "otherwise"
"""Key of what holds where nothing else does."""

UNKNOWN, CLEARED, UNREADY = "unknown", "cleared", "unready"
"""Memories of the pack: nobody knows how old codes are; all were erased before the vehicle came in;
and the misfire monitor has not run since."""


class Monitor(PackRecord, frozen=True):
    """How a control unit judges misfires.

    Attributes
    ----------
    revolutions, share : float
        Window over which misfires that spoil emissions are counted, and the share of all firings
        above which they do.
    exceedances : int
        Windows above it that set a code; in the first one after the start a single one does.
    catalyst_revolutions, catalyst_share : float
        The same where the catalyst overheats: one window sets a code, and the lamp blinks.
    confirmed_at_once : float
        Chance that this is stored as confirmed in its first driving cycle.
    cycle_minutes : float
        Usual length of a driving cycle.
    named : float
        Part of an even share of the misfires from which a cylinder gets a code of its own.
    rpm : dict of str to float
        Engine speed under conditions, the first that applies, and ``otherwise``.
    """

    revolutions: Positive
    share: Chance
    exceedances: Annotated[int, Meta(ge=1, extra={MEANING: "must be at least 1"})]
    catalyst_revolutions: Positive
    catalyst_share: Chance
    confirmed_at_once: Chance
    cycle_minutes: Positive
    rpm: dict[str, Positive]
    named: Chance = 0.5

    def speed(self, conditions: Collection[str]) -> float:
        """Engine speed under some conditions."""
        return next(rpm for tag, rpm in self.rpm.items() if tag in (*conditions, OTHERWISE))


class Memory(PackRecord, frozen=True):
    """How old what the control units had stored on arrival may be, and what it then says.

    Attributes
    ----------
    minutes : float
        Driving of which it speaks.
    missed : float
        Chance that a misfire in that time left no code: the memory was emptied since.
    stale : float
        Chance that a code is left from before that time.
    """

    id: str
    title: str
    minutes: NotNegative
    missed: Chance
    stale: Chance


class Curve(PackRecord, frozen=True):
    """Chances of a numeric reading: a mixture of normal lobes, plus "over limit".

    Attributes
    ----------
    lobes : tuple of (weight, centre, sd)
        On the test's scale: for ``"log"`` centre is the median and sd the natural-log sd; for
        ``"linear"`` both are in the test's unit. Weights add up to ``1 - over_limit``.
    over_limit : float
        Chance that the meter shows OL.
    """

    lobes: tuple[tuple[Shown, Shown, Shown], ...]
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
    """The unknown value that healthy cylinders share, as a prior for the quadrature.

    Attributes
    ----------
    name : str
        Tests with the same name share the unknown.
    formula : str
        ``"polytropic"`` (from compression ratio, altitude, exponent) or ``"fixed"`` (the median).
    median : float
        For ``"fixed"``; in the test's unit.
    fill : float
        For ``"polytropic"``: part of the ideal rise that cranking reaches.
    exponent : float
        Polytropic exponent.
    compression_ratio : float
        Taken when the job does not say.
    spread : float
        Standard deviation of the level about its expectation: geometric on a log scale.
    gauge_spread : float
        Extra standard deviation of the meter, common to all readings; geometric on a log scale.
    """

    name: str
    formula: str
    median: Shown = 0.0
    fill: NotNegative = 0.0
    exponent: NotNegative = 0.0
    compression_ratio: NotNegative = 0.0
    spread: NotNegative
    gauge_spread: NotNegative


class Symptom(PackRecord, frozen=True):
    """A mode that a test can see, and the profile that it then shows.

    Attributes
    ----------
    kind, mode : str
        ``mode`` may be ``"*"``: every mode of the kind that is not named otherwise.
    profile : str
        One of the test's profiles.
    """

    kind: str
    mode: str
    profile: str


class Weight(PackRecord, frozen=True, rename={"grade": "class"}):
    """What an outcome of a test, or a reading in a band, is worth, as the trade judges it.

    Attributes
    ----------
    of : tuple of str
        Kinds of element that it speaks of; those that the engine has not are passed over.
    grade : str
        One of the pack's classes.
    why : str
        Reason, in one phrase.
    """

    of: tuple[str, ...]
    grade: str
    why: str


class WeightClass(PackRecord, frozen=True):
    """A class of weight: from which Bayes factor on, up to the next class."""

    id: str
    title: str
    least: NotNegative


class Weighing(PackRecord, frozen=True):
    """The base case in which findings are weighed: one cylinder, one code.

    Attributes
    ----------
    layout : str
        Of the engine.
    fitments : tuple of dict
        Of the engine; each test is weighed on the first that has it.
    minutes, conditions
        Of the drive.
    code, common : str
        Code read after it: of the first cylinder, and the one that names none, for tests of what
        more than a cylinder shares.
    """

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
    """A reading or an inspection that the trade does.

    Attributes
    ----------
    form : str
        ``"reading"`` (a number) or ``"inspection"`` (a named outcome).
    target : str
        Kind of element it is made on, or ``"cylinder"``, ``"bank"`` or ``"engine"``.
    unit : str
        Unit of the curves; ``""`` for inspections.
    scale : str
        ``"linear"`` or ``"log"``.
    reference : str
        Name of a reading that the value is taken relative to (``"battery"``: value minus it);
        empty when absolute.
    range : tuple of float
        Lowest and highest plausible reading; what lies beyond counts as its nearer end.
    curves : dict of str to Curve
        Of readings: profile name to its curve; has ``"good"``.
    chances : dict of str to dict of str to float
        Of inspections: profile name to the chance of each outcome; has ``"good"``.
    bands : tuple of Band
        Stretches in which planning thinks of the reading; the last has ``below = inf``.
    sees : tuple of Symptom
        Modes that change the profile. If several show, what departs farthest from good decides;
        where there is a `level`, the first in element order.
    miss : dict of str to float
        Chance that a present fault of each severity does not show while the test lasts.
    coincidence : float
        For readings: chance that a sound thing reads like a faulty one, whatever the reason. For
        inspections this stands in the profile ``"good"``.
    slip : dict of str to float
        Chance that a sound thing shows an outcome (inspections), a profile or ``"over-limit"``
        (readings) by a slip of the hand, which is gone when the test is made again.
    repeatability : float
        For readings: spread, on the scale, of the same thing read again.
    fresh : float
        Chance that the test made again on the same target is a new look at a fault that comes
        and goes.
    alike : dict of str to float
        For what is compared between neighbours: chance that all sound ones of an engine show an
        outcome (inspections) or ``"over-limit"`` (readings with a level) alike.
    sweep : bool
        Whether one sitting takes every cylinder (bank).
    level : Level or None
        If readings are relative to a shared unknown: curves are then ratios to it on a log scale,
        differences from it on a linear one.
    copper_alpha : float
        Temperature coefficient of resistance per kelvin at 20 degC; 0 when not a winding.
    minutes, minutes_each : float
        First target, and each further one in the same sitting.
    possible : tuple of float or None
        Outside it a reading cannot be, whatever is wrong; as it is typed.
    reference_range : tuple of float or None
        Lowest and highest plausible reading of the reference.
    wanted : str
        What a figure is called that a good reading would meet exactly, where the job may give
        one; empty where the curves always hold as they are.
    remembers : str
        Kind of part whose looks tell of where it last ran; empty where a test sees the present.
    weights : dict of str to Weight
        What each outcome of an inspection, or each band of a reading, is worth.
    """

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
    """A trouble code, or a numbered family of them, as evidence.

    Attributes
    ----------
    first : int
        Number of the family's first code: 301 is P0301.
    pattern : str
        How numbers go on from it: ``"cylinder"``, ``"pair"``, ``"bank"`` or ``"engine"``.
    step : int
        Distance between the codes of neighbours; 0 is as good as 1.
    role : str
        ``"misfire"`` (this cylinder), ``"random"`` (some cylinder) or ``"fault"``.
    sets : tuple of (kind, mode, chance)
        Chance that a present, active fault sets it in a drive; mode may be ``"*"``.
    false_chance : float
        Chance that it is set by nothing that the model knows.
    """

    id: str
    title: str
    first: Count
    pattern: str
    step: Count = 0
    role: str
    sets: tuple[tuple[str, str, Chance], ...] = ()
    false_chance: Chance


class Sign(PackRecord, frozen=True):
    """By what a drive that was followed over the bus is seen to have had a condition.

    Attributes
    ----------
    between : dict of str to (float, float)
        Quantity of the bus to its limits.
    share : float
        Of the running time in which all of them held, at least.
    """

    between: dict[str, tuple[float, float]]
    share: Chance


class Running(PackRecord, frozen=True):
    """Numbers about engine running that belong to no element.

    Attributes
    ----------
    misattribution : float
        Share of every fault's rate that lands on each neighbour in firing order.
    together : float
        Chance that an episode of what serves all cylinders reaches a given one.
    unnamed : float
        Chance that a misfire in a single cylinder sets the code that names none.
    leak_per_min : float
        Rate of misfire codes, per cylinder, that no modelled fault accounts for.
    leak_counts_per_min, leak_dispersion : float
        Background of the misfire counter.
    complaint_minutes : float
        Running that the complaint stands for when the job does not say how far it was driven.
    km_per_min : float
        Turns the distance driven with the fault into running time.
    exposure_km : float
        Exposure window when the job does not say.
    odometer_km : float
        Age taken when the job gives no odometer.
    suspected_right : float
        Chance that an ear, or the seat, names the cylinder that misfires.
    km_per_day : float
        Turns the days since a repair into distance where that is not said.
    unseen : float
        Chance that a drive in which a misfire was felt leaves no code of it.
    conditions : dict of str to str
        Condition tags and what they mean.
    signs : dict of str to Sign
        Condition tag to what shows it; of a tag without one a person tells.
    cautions : tuple of str
        Shown before every drive.
    """

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
    signs: dict[str, Sign] = {}


class Costs(PackRecord, frozen=True):
    """What work and trouble cost a shop; every one may be overlaid.

    Attributes
    ----------
    rate_per_hour : float
        Labour, in `currency`.
    drive_minutes : tuple of float
        Lengths of drive that planning considers.
    drive_conditions : tuple of tuple of str
        Conditions of drive that planning considers, the plainest first.
    condition_price, condition_minutes : dict of str to float
        What it costs to have a condition that must be waited for, or made; how long it lasts.
    drive_cost_per_min : float
        Fuel and wear of driving, beside labour.
    comeback : float
        Cost of a customer returning with the same trouble.
    missing_tool, part_wait : float
        Minutes lost fetching a tool, or a part not in stock.
    diagnosis_cap : float
        Cost of giving the vehicle up to someone else.
    read_minutes : float
        Connecting, reading and clearing codes, once a drive.
    reseat_minutes, reseat_price : float
        Unplugging a contact, cleaning and refitting it; what is used up.
    needless_part : float
        What a repair that was not needed costs on top, as a share of its labour and parts: parts
        that cannot be returned, a claim that is struck, a customer who remembers.
    proof : float
        Probability from which a repair needs no further test; below it something that could still
        tell comes first.
    sure : float
        Probability from which a repair comes before a test that is worth as much.
    resolution : float
        Share of a plan's expected cost within which two plans count as equally good.
    foresight : float
        How far what planning expects lies above what its plans cost when played, see
        `swapinfer.plan.outlook.Outlook.honest`; from 0 to 3.
    verify_minutes : float
        Least drive without misfire after which a repair is called verified.
    hard_drive_minutes, hard_share : float
        Longest drive to be advised when a cylinder misses all the time, and the probability of
        that from which it is taken to.
    """

    currency: str
    rate_per_hour: NotNegative
    drive_minutes: tuple[NotNegative, ...]
    drive_cost_per_min: NotNegative
    comeback: NotNegative
    missing_tool: NotNegative
    part_wait: NotNegative
    diagnosis_cap: NotNegative
    read_minutes: NotNegative = 0.0
    reseat_minutes: NotNegative = 0.0
    reseat_price: NotNegative = 0.0
    needless_part: NotNegative = 0.0
    proof: NotNegative = 0.0
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
    """What is usual in the trade: the order of a misfire job, and how soon is too soon.

    Attributes
    ----------
    order : tuple of (what, name)
        ``"swap"`` and a kind of part, or ``"test"`` and a test; easiest first.
    sure : float
        Probability at which a cause is taken for found.
    drive_minutes : float
        Drive after any work.
    neighbours : int
        Further targets read where readings are relative to what healthy ones show.
    comeback_days : float
        A vehicle that returns with a misfire so soon after a repair came back.
    """

    order: tuple[tuple[str, str], ...] = ()
    sure: Chance = 0.8
    drive_minutes: NotNegative = 20.0
    neighbours: Count = 1
    comeback_days: NotNegative = 30.0


class Source(PackRecord, frozen=True):
    """Where a number comes from.

    Attributes
    ----------
    grade : str
        ``"published"``, ``"common"`` (common practice, no source), ``"memory"``, ``"chosen"``
        (a decision of this pack, no fact) or ``"learned"``.
    """

    id: str
    grade: str
    text: str


class Pack(
    PackRecord,
    frozen=True,
    kw_only=True,
    rename={
        "layouts": "layout",
        "fitments": "fitment",
        "severities": "severity",
        "kinds": "element",
        "tests": "test",
        "codes": "code",
        "cautions": "caution",
        "tools": "tool",
        "sources": "source",
        "refusals": "refusal",
        "feelings": "feeling",
        "memories": "memory",
        "classes": "class",
    },
):
    """Everything known before the first finding of a job.

    Attributes
    ----------
    name, version : str
        Of the pack, and after ``+`` of the overlays on it.
    digest : str
        SHA-256 of the canonical JSON of all its tables, hexadecimal.
    fitments : dict of str to dict of str to str
        Axis (``ignition``, ``fuel``) to value to title.
    provenance : dict of str to str
        Dotted path of every number to the id of its source.
    refusals : dict of str to str
        Kinds of engine that the pack knows of and cannot speak for, and why.
    classes : dict of str to WeightClass
        What findings may be worth, the most first.
    weighing : Weighing
        In which case that is so.
    """

    name: str
    version: str
    digest: str
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
    provenance: dict[str, str]
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
