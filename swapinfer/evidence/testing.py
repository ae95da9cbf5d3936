"""What a reading or an inspection says: curves, profiles, and what looking again adds."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import msgspec
import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray, Term
from swapinfer.evidence.states import StateSpace, fitted_at
from swapinfer.ledger.events import Inspected, Measured
from swapinfer.ledger.replay import Job
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import GOOD, OVER_LIMIT, Curve, Sight, Test
from swapinfer.physics import copper_at_20

ANY_MODE = "*"
NO_LEVEL = np.zeros(1)
"""One node at which nothing is shared: an offset of 0, a factor of 1."""

FLOOR = 1e-5
"""Share of every profile that is spread over what the others show: nothing is impossible
(Cromwell's rule: D. V. Lindley, *Making Decisions*, 1985)."""

MIDMOST = 1e-9
"""Readings as near to the middle of the good ones as this share of them: chances of departing less
are no longer told apart there, and their ratio is that of the densities."""

MOST_EASED = 1.1
"""How much likelier a fault may make the first outcomes for these still to be steps; our choice."""

TINY = float(np.finfo(float).tiny)
LEAST_LOG = -700.0
"""Natural logs of densities are not let below this, where floats end."""


@dataclass(frozen=True)
class Setting:
    """A test at one target, in one arrangement, at one time.

    Attributes
    ----------
    test : Test
        What is done.
    target : str
        One of the engine's targets for it.
    fitted : mapping of str to str
        Place to element.
    time : int
        Index in the job's time; what is looked at is looked at before the look disturbs it.
    handled : tuple of int
        Elements supposed to be disturbed just before it.
    """

    test: Test
    target: str
    fitted: Mapping[str, str]
    time: int
    handled: tuple[int, ...] = ()


@dataclass(frozen=True)
class View:
    """What a setting can see.

    Attributes
    ----------
    profiles : tuple of str
        Profile names; the first is good.
    profile_es : ndarray of int, shape (element, state)
        Index of the profile that each state shows; 0 where it is not seen.
    shows_es : ndarray of float, shape (element, state)
        Chance that a seen state shows in one look; 0 where it is not seen.
    share_p : ndarray of float, shape (profile,)
        How the faults that can be seen divide beforehand among the profiles; 0 for good.
    """

    profiles: tuple[str, ...]
    profile_es: IntArray
    shows_es: FloatArray
    share_p: FloatArray

    @property
    def seen_e(self) -> BoolArray:
        """Which elements the setting can see, shape (element,)."""
        out: BoolArray = self.profile_es.max(axis=1) > 0
        return out


def look(engine: Engine, space: StateSpace, setting: Setting) -> View:
    """Work out which states a test sees, and how they look."""
    test = setting.test
    profiles = (GOOD, *(name for name in test.profiles if name != GOOD))
    profile_m = _profile_of_modes(test.sees, profiles, space.modes)
    within = _within_e(engine, space, setting)
    active_es = space.active_es(setting.time, setting.handled) & within[:, None]
    profile_es = profile_m[space.mode_es] * active_es
    shows_v = np.array([0.0] + [1.0 - test.miss.get(v.id, 0.0) for v in space.severities])
    shows_es = shows_v[space.severity_es] * (profile_es > 0)
    weight_p = np.bincount(
        profile_es.ravel(), (space.prior_es * shows_es).ravel(), minlength=len(profiles)
    )
    share_p = weight_p / max(float(weight_p.sum()), TINY)
    return View(profiles, profile_es, shows_es, share_p)


@lru_cache(maxsize=1024)
def _profile_of_modes(
    sights: tuple[Sight, ...], profiles: tuple[str, ...], modes: tuple[tuple[str, str], ...]
) -> IntArray:
    """Profile of each mode of a kind, 0 first: as named, else the kind's, else anything's, or good.

    Where two sights fit equally the first one holds.
    """
    first: dict[tuple[str, str], tuple[int, str]] = {}
    for at, sees in enumerate(sights):
        first.setdefault((sees.kind, sees.mode), (at, sees.profile))
    last = (len(sights), GOOD)
    general = first.get((ANY_MODE, ANY_MODE), last)
    number = {name: i for i, name in enumerate(profiles)}
    found = [0]
    for kind, mode in modes:
        named = min(first.get((kind, mode), last), first.get((ANY_MODE, mode), last))
        chosen = named if named is not last else first.get((kind, ANY_MODE), general)
        found.append(number[chosen[1]])
    return np.array(found)


def _within_e(engine: Engine, space: StateSpace, setting: Setting) -> BoolArray:
    """Elements that the target involves: the one at the place, or all that reach its cylinders."""
    out = np.zeros(len(space.elements), dtype=np.bool_)
    cylinders, fitted = seen_where(engine, space, setting)
    for e, place in fitted_at(space, fitted).items():
        if setting.target in engine.places:
            out[e] = place == setting.target
        else:
            out[e] = bool(cylinders & set(engine.places[place].cylinders))
    return out


def seen_where(
    engine: Engine, space: StateSpace, setting: Setting
) -> tuple[set[int], Mapping[str, str]]:
    """Cylinders that a test tells of, and what was fitted when they left their mark.

    A part that remembers tells of where it last ran, and of what served it there; one that has
    not run yet, of where it sits.
    """
    cylinders = set(engine.target_cylinders(setting.target))
    for place in engine.places_for(setting.test.remembers):
        part = setting.fitted[place.id]
        if set(place.cylinders) <= cylinders:
            for time, fitted in reversed(space.ran):
                if time < setting.time and part in fitted.values():
                    ran_at = next(name for name, one in fitted.items() if one == part)
                    return set(engine.places[ran_at].cylinders), fitted
    return cylinders, setting.fitted


@dataclass(frozen=True, slots=True)
class Seen:
    """What looking at one thing, once or several times, came to.

    Attributes
    ----------
    outcome : str
        Of an inspection; empty for a reading.
    value : float
        Of a reading, as the curves speak of it; the mean of several, infinite for "over limit".
    looks : int
        How often it was looked at with nothing handled between.
    agreeing : int
        How many of these looks came to this.
    """

    outcome: str = ""
    value: float = math.nan
    looks: int = 1
    agreeing: int = 1


def sum_up(test: Test, events: Sequence[Measured | Inspected]) -> Seen:
    """Sum up looks at one thing: they are one observation, in whatever order they were made.

    Readings are taken at their mean; "over limit" only if most of them were. Of differing outcomes
    of an inspection the one is taken that leaves least to slips and to faults overlooked.

    Parameters
    ----------
    test : Test
        Made several times on one target, with nothing handled between but by tests.
    events : sequence of Measured or Inspected
        At least one.
    """
    inspected = [event.outcome for event in events if isinstance(event, Inspected)]
    if inspected:
        chosen = max(test.outcomes, key=lambda o: (_log_looks(test, o, inspected), _rank(test, o)))
        return Seen(chosen, looks=len(inspected), agreeing=inspected.count(chosen))
    values = [reading_value(test, event) for event in events if isinstance(event, Measured)]
    finite = [value for value in values if math.isfinite(value)]
    if len(finite) < len(values) - len(finite) or not finite:
        return Seen(value=math.inf, looks=len(values), agreeing=len(values) - len(finite))
    logs = [math.log(max(value, test.range[0])) for value in finite] if test.scale == "log" else []
    mean = math.exp(math.fsum(logs) / len(logs)) if logs else math.fsum(finite) / len(finite)
    return Seen(value=mean, looks=len(values), agreeing=len(finite))


def _log_looks(test: Test, shown: str, looks: Sequence[str]) -> float:
    """Log chance of what was written down if this is what there is to see."""
    usual = next(iter(test.outcomes))
    overlooked = max(test.fresh, FLOOR)
    other = {o: overlooked if o == usual else test.slip.get(o, FLOOR) for o in test.outcomes}
    return math.fsum(math.log(other[o]) for o in looks if o != shown)


def _rank(test: Test, outcome: str) -> int:
    return list(test.outcomes).index(outcome)


@dataclass(frozen=True, slots=True)
class Chances:
    """How likely each profile makes what was seen.

    Attributes
    ----------
    exact_qp : ndarray of float, shape (level, profile)
        Chance, or density on the test's scale, of just that. Positive.
    below_p : ndarray of float, shape (profile,)
        Chance of something that departs less from what a good one usually shows; of no use where
        the reading is relative to a level.
    upto_p : ndarray of float, shape (profile,)
        The same, or as much.
    good_upto_q : ndarray of float, shape (level,)
        Chance that a good one shows that, or departs less.
    is_density : bool
        Whether it is a reading.
    """

    exact_qp: FloatArray
    below_p: FloatArray
    upto_p: FloatArray
    good_upto_q: FloatArray
    is_density: bool

    def at(self, node_q: IntArray) -> Chances:
        """Return the chances at some nodes, in that order."""
        return dataclasses.replace(
            self, exact_qp=self.exact_qp[node_q], good_upto_q=self.good_upto_q[node_q]
        )


def judge(view: View, chances: Chances, test: Test, looks: int = 1) -> Term:
    """Turn what was seen into a term.

    A present fault that shows draws what its profile says, the rest of the engine what `good`
    says; what departs farthest from good is what is seen, so that faults that show together count
    alike in any order. Only where a reading is relative to a shared level, or outcomes are no steps
    away from the usual one, does the first cause in the order of elements decide.

    Parameters
    ----------
    view : View
        What the setting can see.
    chances : Chances
        Of what was seen, profile by profile.
    test : Test
        Its chance that looking again is a new look.
    looks : int, optional
        How often it was looked at: a fault that is missed now may show in the next look.

    Returns
    -------
    Term

    Notes
    -----
    With ``F`` the chance of departing less, ``f`` that of just this, ``m`` that of being missed,
    a cause's own part is ``G = F / F_good``, or ``f / f_good`` where that is less, at most 1: the
    larger of it and a good draw is its profile. The bit stays open with ``m + (1 - m) G``, and the
    good draw's ``f`` closes it; what ``f`` has beyond ``G f_good`` explains it, so that one fault
    alone shows just what its profile says.
    """
    shows_es = view.shows_es * 1.0
    if looks > 1:
        shows_es = 1.0 - (1.0 - shows_es) * (1.0 - test.fresh * shows_es) ** (looks - 1)
        shows_es[view.profile_es == 0] = 0.0
    exact_qp = chances.exact_qp
    if test.level or (test.outcomes and not are_steps(test)):
        close_q2 = np.stack([exact_qp[:, 0], np.ones(len(exact_qp))], axis=1)
        ones = np.ones_like(shows_es)
        return Term(1.0 - shows_es, shows_es * exact_qp[:, view.profile_es], ones, close_q2)
    is_midmost = chances.is_density and chances.below_p[0] <= MIDMOST
    nearer_p = exact_qp[0] if is_midmost else chances.below_p
    less_p = np.clip(nearer_p / max(nearer_p[0], TINY), 0.0, exact_qp[0] / exact_qp[0, 0])
    less_p = np.minimum(less_p, 1.0)
    upto_good = 1.0 if chances.is_density else chances.upto_p[0]
    explain_p = np.maximum(exact_qp[0] - less_p * exact_qp[0, 0], 0.0) / upto_good
    less_p[0], explain_p[0] = 1.0, 0.0
    open_es = (1.0 - shows_es) + shows_es * less_p[view.profile_es]
    explain_es = shows_es * explain_p[view.profile_es]
    explained_es = open_es if chances.is_density else open_es + explain_es
    close_q2 = np.stack([exact_qp[:, 0], chances.good_upto_q], axis=1)
    return Term(open_es, explain_es[None], explained_es, close_q2)


def are_steps(test: Test) -> bool:
    """Say whether each outcome departs farther from good than those before it.

    Then no fault makes it likelier than a good one does that only the first outcomes are seen.
    """
    chance_po = np.array([list(outcome_chances(test, name).values()) for name in test.profiles])
    upto_po = chance_po.cumsum(axis=1)
    good_o = upto_po[list(test.profiles).index(GOOD)]
    return bool(np.all(upto_po <= MOST_EASED * good_o))


def inspection_chances(test: Test, view: View, seen: Seen) -> Chances:
    """Chances of a named outcome under each profile, at every node of what all have in common."""
    rank = _rank(test, seen.outcome)
    rows = []
    for common in ("", *test.alike):
        chances_po = np.array(
            [
                list(outcome_chances(test, name, seen.agreeing, common).values())
                for name in view.profiles
            ]
        )
        rows.append(chances_po)
    chance_qpo = np.stack(rows)
    good_qo = np.cumsum(chance_qpo[:, 0], axis=1)
    upto_po = own_shares(chance_qpo[0]) * good_qo[0]
    below_p = upto_po[:, rank - 1] if rank else np.zeros(len(upto_po))
    exact_qp = chance_qpo[:, :, rank]
    return Chances(exact_qp, below_p, upto_po[:, rank], good_qo[:, rank], is_density=False)


def own_shares(chance_po: FloatArray) -> FloatArray:
    """Chance that a fault's own part in what is seen departs no farther than each outcome.

    The farther of that part and a good draw is what the fault's profile says, as far as that can
    be: where the profile passes over an outcome that good ones show, the part takes it on with
    those before it, since a chance of departing no farther cannot fall.

    Parameters
    ----------
    chance_po : ndarray of float, shape (profile, outcome)
        Chances of the outcomes, the good profile's first.
    """
    upto_po = np.cumsum(chance_po, axis=1)
    share_po = np.minimum(upto_po / upto_po[0], 1.0)
    rising_po: FloatArray = np.minimum.accumulate(share_po[:, ::-1], axis=1)[:, ::-1]
    return rising_po


def own_parts(chance_po: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Say of each outcome how a fault that shows leaves its bit open, and explains it.

    As `judge` has it, for every outcome at once.

    Parameters
    ----------
    chance_po : ndarray of float, shape (profile, outcome)
        Chances of the outcomes, the good profile's first.
    """
    before_po = np.pad(own_shares(chance_po)[:, :-1], ((0, 0), (1, 0)))
    less_po = np.minimum(before_po, chance_po / chance_po[0])
    explain_po = np.maximum(chance_po - less_po * chance_po[0], 0.0) / np.cumsum(chance_po[0])
    less_po[0], explain_po[0] = 1.0, 0.0
    return less_po, explain_po


def outcome_chances(test: Test, profile: str, looks: int = 1, common: str = "") -> dict[str, float]:
    """Chances of an inspection's outcomes.

    Parameters
    ----------
    test : Test
        An inspection.
    profile : str
        One of its profiles.
    looks : int, optional
        How often it was looked at, all with the same outcome: a slip goes when a look is repeated.
    common : str, optional
        Outcome that all sound ones of this engine show alike; empty for none.

    Returns
    -------
    dict of str to float
        In the order of the outcomes, which is that of departing from the usual one.
    """
    chances = test.chances[profile]
    names = list(test.outcomes)
    chance_o = np.array([chances.get(name, 0.0) for name in names])
    if profile == GOOD:
        slip_o = np.array([test.slip.get(name, 0.0) ** looks for name in names])
        chance_o = (1.0 - slip_o.sum()) * chance_o + slip_o
        if common:
            at = names.index(common)
            chance_o = np.append(np.zeros(at), [chance_o[: at + 1].sum(), *chance_o[at + 1 :]])
    chance_o = (1.0 - FLOOR) * chance_o + FLOOR / len(names)
    return dict(zip(names, chance_o.tolist(), strict=True))


def reading_value(test: Test, event: Measured) -> float:
    """Value that the curves speak of: beside its reference, of the usual one wanted, at 20 degC."""
    value = event.value
    if test.reference and event.reference is not None:
        value -= event.reference
    if test.copper_alpha and event.temperature_c is not None and math.isfinite(value):
        value = copper_at_20(value, event.temperature_c, test.copper_alpha)
    if test.wanted and event.wanted:
        value *= test.nominal / event.wanted
    return value


def reading_chances(test: Test, view: View, seen: Seen, offset_q: FloatArray = NO_LEVEL) -> Chances:
    """Chances of a reading under each profile.

    Parameters
    ----------
    test : Test
        Whose curves are taken.
    view : View
        What it sees.
    seen : Seen
        Value, and how many readings it is the mean of.
    offset_q : ndarray of float, shape (level,)
        Offsets of the shared level on the test's scale: of the value, or of its natural log.

    Returns
    -------
    Chances
        Densities on the test's scale, or chances where the meter shows "over limit". A sound
        thing reads like a faulty one with the test's chance of coincidence, a faulty one like a
        sound one with `FLOOR`.
    """
    curves = [averaged(test, test.curves[name], seen.agreeing) for name in view.profiles]
    columns = [_density(test, curve, seen.value, offset_q) for curve in curves]
    exact_qp = _mixed(test, view, seen, np.stack(columns, axis=1), float(math.isinf(seen.value)))
    all_q = np.ones(len(exact_qp))
    if test.level:
        return Chances(exact_qp, exact_qp[0], exact_qp[0], all_q, is_density=True)
    nearer = [_departing_less(test, curve, curves[0], seen.value) for curve in curves]
    below_p = _mixed(test, view, seen, np.array([nearer]))[0]
    return Chances(exact_qp, below_p, below_p, all_q, is_density=True)


def _mixed(
    test: Test, view: View, seen: Seen, of_qp: FloatArray, of_over: float = 0.0
) -> FloatArray:
    """Let sound ones now and then read like faulty ones, and the other way round.

    `of_over` is the chance of the same where a slip makes the meter show "over limit".
    """
    over = test.slip.get(OVER_LIMIT, 0.0) ** seen.agreeing
    like_p = test.coincidence * view.share_p
    like_p = like_p + [test.slip.get(name, 0.0) ** seen.agreeing for name in view.profiles]
    good_q = (1.0 - like_p.sum() - over) * of_qp[:, 0] + of_qp @ like_p
    good_q = good_q + over * of_over
    out: FloatArray = (1.0 - FLOOR) * of_qp + FLOOR * good_q[:, None]
    out[:, 0] = good_q
    return np.maximum(out, TINY)


def averaged(test: Test, curve: Curve, readings: int) -> Curve:
    """Curve of the mean of several readings: what the test itself scatters averages out."""
    if readings == 1 or not test.repeatability:
        return curve
    gone = test.repeatability**2 * (1.0 - 1.0 / readings)
    lobes = tuple(
        (weight, centre, math.sqrt(max(sd**2 - gone, 0.01 * sd**2)))
        for weight, centre, sd in curve.lobes
    )
    return msgspec.structs.replace(curve, lobes=lobes)


def _lobes(test: Test, curve: Curve) -> Iterator[tuple[float, float, float]]:
    """Weight, centre and spread of each lobe on the test's scale."""
    for weight, centre, sd in curve.lobes:
        yield weight, math.log(centre) if test.scale == "log" else centre, sd


def _on_scale(test: Test, value: float) -> float:
    low, high = test.range
    within = min(max(value, low), high)
    return math.log(within) if test.scale == "log" else within


def density(test: Test, profile: str, value: float, offset_q: FloatArray) -> FloatArray:
    """Density of a value under one profile of a reading, shape (level,)."""
    return _density(test, test.curves[profile], value, offset_q)


def _density(test: Test, curve: Curve, value: float, offset_q: FloatArray) -> FloatArray:
    if math.isinf(value):
        return np.where(np.isinf(offset_q), 1.0, curve.over_limit)
    at_q = _on_scale(test, value) - offset_q
    parts = [
        math.log(max(weight, TINY) / (sd * math.sqrt(2.0 * math.pi)))
        - 0.5 * ((at_q - centre) / sd) ** 2
        for weight, centre, sd in _lobes(test, curve)
    ]
    log_q = np.logaddexp.reduce([np.full(offset_q.shape, LEAST_LOG), *parts])
    density_q: FloatArray = np.exp(log_q)
    return density_q


def _departing_less(test: Test, curve: Curve, good: Curve, value: float) -> float:
    """Chance of a value nearer to the middle of the good curve, on either side."""
    if math.isinf(value):
        return 1.0 - curve.over_limit
    _, middle, _ = max(_lobes(test, good))
    reach = abs(_on_scale(test, value) - middle)
    return math.fsum(
        weight * (_ndtr((middle + reach - centre) / sd) - _ndtr((middle - reach - centre) / sd))
        for weight, centre, sd in _lobes(test, curve)
    )


def _ndtr(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def band_chances(test: Test, profile: str) -> dict[str, float]:
    """Chance that a reading falls in each of the test's bands.

    For a levelled test the bands are relative to the level. What sound ones show by coincidence is
    spread evenly over the faulty profiles.
    """
    edges = [band.below for band in test.bands]
    below = {
        name: np.array([_below(test, test.curves[name], edge) for edge in edges])
        for name in test.profiles
    }
    below_b = below.pop(profile)
    if profile == GOOD and below:
        like_any_b = np.mean(list(below.values()), axis=0)
        below_b = (1.0 - test.coincidence) * below_b + test.coincidence * like_any_b
    chance_b = np.maximum(np.diff(below_b, prepend=0.0), 0.0)
    chance_b = (1.0 - FLOOR) * chance_b + FLOOR / len(test.bands)
    return dict(zip((band.id for band in test.bands), chance_b.tolist(), strict=True))


def band_median(test: Test, band: str) -> float:
    """Find what is usual for a band: the median there of the profile that falls there most.

    Parameters
    ----------
    test : Test
        A reading.
    band : str
        One of its bands.

    Returns
    -------
    float
        As the curves speak of it; infinite where the meter mostly is over its limit.
    """
    within = {name: band_chances(test, name)[band] for name in test.profiles}
    curve = test.curves[max(within, key=within.__getitem__)]
    edges = [-math.inf, *(one.below for one in test.bands)]
    at = [one.id for one in test.bands].index(band)
    floor = _below(test, curve, edges[at]) if at else 0.0
    top = min(_below(test, curve, edges[at + 1]), 1.0 - curve.over_limit)
    if math.isinf(edges[at + 1]) and curve.over_limit > top - floor:
        return math.inf
    ends = [(centre - 9.0 * sd, centre + 9.0 * sd) for _, centre, sd in _lobes(test, curve)]
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    back = math.exp if test.scale == "log" else float
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _below(test, curve, back(middle)) < 0.5 * (floor + top):
            low = middle
        else:
            high = middle
    return back(0.5 * (low + high))


def _below(test: Test, curve: Curve, value: float) -> float:
    if math.isinf(value):
        return 1.0
    at = math.log(value) if test.scale == "log" else value
    return math.fsum(w * _ndtr((at - centre) / sd) for w, centre, sd in _lobes(test, curve))


def relative(test: Test, value: float, level: float | None) -> float:
    """Value as the curves speak of it: beside the level that sound ones share, if there is one."""
    if level is None:
        return value
    return value / level if test.scale == "log" else value - level


def absolute(test: Test, value: float, level: float | None) -> float:
    """Return the other way round: what the meter shows."""
    if level is None:
        return value
    return value * level if test.scale == "log" else value + level


def band_of(test: Test, value: float, level: float | None = None) -> str:
    """Name of the band that a value falls into."""
    beside = relative(test, value, level)
    return next(band.id for band in test.bands if beside < band.below or band.below == beside)


def repeat_key(job: Job, space: StateSpace, setting: Setting, view: View) -> tuple[object, ...]:
    """Work out under which key findings repeat one another.

    Parameters
    ----------
    job : Job
        As replayed.
    space : StateSpace
        Its elements.
    setting : Setting
        Test, target and time.
    view : View
        What the setting can see.

    Returns
    -------
    tuple
        Test, target, elements seen, and how often they were handled before, tests not counted.
    """
    tested = {finding.time for finding in job.findings}
    seen = np.flatnonzero(view.seen_e).tolist()
    times = [t for e in seen for t in space.disturbed.get(e, ()) if t < setting.time]
    handled = sum(t not in tested for t in times)
    return setting.test.id, setting.target, tuple(space.elements[e].id for e in seen), handled
