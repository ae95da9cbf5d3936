"""What a pack says, as plain frozen dataclasses; reading and checking it is elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, field

from swapinfer.layout import Layout
from swapinfer.pack.trade import Costs, Custom

GOOD = "good"
"""Name of the profile that a thing in order shows."""

OVER_LIMIT = "over-limit"
"""Name, among slips, of a meter that shows OL because its probe had no contact."""


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A positive quantity known to within a factor: log-normal.

    Attributes
    ----------
    median : float
        Half of the belief lies below.
    spread : float
        Geometric standard deviation, at least 1; 2: "within a factor of 2, two times in three".
    """

    median: float
    spread: float = 1.0


@dataclass(frozen=True, slots=True)
class Severity:
    """How often a present fault shows.

    Attributes
    ----------
    rate_per_min : float
        Misfire episodes a minute, each long enough to set a code.
    counts_per_min : float
        Mean of the misfire counter's advance a minute once an episode has occurred.
    dispersion : float
        Size of the negative binomial of the counts; small is over-dispersed.
    """

    id: str
    title: str
    rate_per_min: float
    counts_per_min: float
    dispersion: float


@dataclass(frozen=True, slots=True)
class Fix:
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
    minutes: float
    price: tuple[float, float, float]
    access: str | None = None


@dataclass(frozen=True, slots=True)
class Mode:
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
    shape: float
    latent_km: float
    severity: dict[str, float]
    when: dict[str, float] = field(default_factory=dict)
    misfire: float = 1.0
    cured_by_disturbance: bool = False
    hazard_ratio: Uncertain = Uncertain(1.0)
    fix: Fix | None = None


@dataclass(frozen=True, slots=True)
class Handling:
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
    chance: float


@dataclass(frozen=True, slots=True)
class Kind:
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
    movable: bool
    fitted: dict[str, tuple[str, ...]]
    access: str
    swap_minutes: float
    fix: Fix
    handling: tuple[Handling, ...]
    new_fault: float
    modes: dict[str, Mode]
    cautions: tuple[str, ...] = ()
    lot_spread: float = 1.0


@dataclass(frozen=True, slots=True)
class Access:
    """Something that must come off: open and close minutes, and what must be off before it.

    `stays_open` says that the engine may be run without it.
    """

    id: str
    title: str
    open_minutes: float
    close_minutes: float
    needs: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    stays_open: bool = False


@dataclass(frozen=True, slots=True)
class Caution:
    """What to mind: in full, and a short name for those who have read it."""

    id: str
    text: str
    short: str = ""

    @property
    def name(self) -> str:
        """Short name; packs kept before there were any go by the id."""
        return self.short or self.id.replace("-", " ")


@dataclass(frozen=True, slots=True)
class Feeling:
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
    with_misfire: float
    without: float
    hard: bool = False


@dataclass(frozen=True, slots=True)
class Curve:
    """Chances of a numeric reading: a mixture of normal lobes, plus "over limit".

    Attributes
    ----------
    lobes : tuple of (weight, centre, sd)
        On the test's scale: for ``"log"`` centre is the median and sd the natural-log sd; for
        ``"linear"`` both are in the test's unit. Weights add up to ``1 - over_limit``.
    over_limit : float
        Chance that the meter shows OL.
    """

    lobes: tuple[tuple[float, float, float], ...]
    over_limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of readings with a name, from the previous band's top up to `below`."""

    id: str
    below: float


@dataclass(frozen=True, slots=True)
class Level:
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
    median: float
    fill: float
    exponent: float
    compression_ratio: float
    spread: float
    gauge_spread: float


@dataclass(frozen=True, slots=True)
class Sight:
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


@dataclass(frozen=True, slots=True)
class Weight:
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


@dataclass(frozen=True, slots=True)
class WeightClass:
    """A class of weight: from which Bayes factor on, up to the next class."""

    id: str
    title: str
    least: float


@dataclass(frozen=True, slots=True)
class Weighing:
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
    minutes: float = 10.0
    conditions: tuple[str, ...] = ()
    code: str = ""
    common: str = ""


@dataclass(frozen=True, slots=True)
class Test:
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
    profiles : dict
        Profile name to `Curve` (readings) or to outcome chances (inspections); has ``"good"``.
    bands : tuple of Band
        Stretches in which planning thinks of the reading; the last has ``below = inf``.
    sees : tuple of Sight
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
    unit: str
    scale: str
    reference: str
    range: tuple[float, float]
    profiles: dict[str, Curve | dict[str, float]]
    outcomes: dict[str, str]
    bands: tuple[Band, ...]
    sees: tuple[Sight, ...]
    miss: dict[str, float]
    coincidence: float
    slip: dict[str, float]
    repeatability: float
    fresh: float
    alike: dict[str, float]
    sweep: bool
    level: Level | None
    copper_alpha: float
    fitted: dict[str, tuple[str, ...]]
    access: str
    minutes: float
    minutes_each: float
    consumables: float
    tools: tuple[str, ...]
    disturbs: tuple[Handling, ...]
    cautions: tuple[str, ...]
    before: tuple[str, ...]
    steps: tuple[str, ...]
    record: str
    possible: tuple[float, float] | None = None
    reference_range: tuple[float, float] | None = None
    wanted: str = ""
    remembers: str = ""
    weights: dict[str, Weight] = field(default_factory=dict)

    @property
    def nominal(self) -> float:
        """Centre of the heaviest lobe of good readings.

        Raises
        ------
        TypeError
            If the test is no reading.
        """
        good = self.profiles[GOOD]
        if not isinstance(good, Curve):
            raise TypeError(f"{self.id} is an inspection; it has no curves")
        return max(good.lobes)[1]


@dataclass(frozen=True, slots=True)
class Code:
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
    first: int
    pattern: str
    step: int
    role: str
    sets: tuple[tuple[str, str, float], ...]
    false_chance: float


@dataclass(frozen=True, slots=True)
class Running:
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
    conditions : dict of str to str
        Condition tags and what they mean.
    cautions : tuple of str
        Shown before every drive.
    """

    misattribution: float
    together: float
    unnamed: float
    leak_per_min: float
    leak_counts_per_min: float
    leak_dispersion: float
    complaint_minutes: float
    km_per_min: float
    exposure_km: float
    odometer_km: float
    conditions: dict[str, str]
    cautions: tuple[str, ...] = ()
    suspected_right: float = 0.6


@dataclass(frozen=True, slots=True)
class Source:
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


@dataclass(frozen=True, slots=True)
class Pack:
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
    refusals: dict[str, str] = field(default_factory=dict)
    feelings: dict[str, Feeling] = field(default_factory=dict)
    custom: Custom = field(default_factory=Custom)
    classes: dict[str, WeightClass] = field(default_factory=dict)
    weighing: Weighing = field(default_factory=Weighing)
