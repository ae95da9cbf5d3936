"""What a reading or an inspection says: curves, profiles, and the level that cylinders share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from swapinfer.evidence.problem import BoolArray, FloatArray, IntArray
from swapinfer.evidence.states import StateSpace, fitted_at
from swapinfer.evidence.terms import Factor, Term
from swapinfer.ledger.events import Inspected, Measured
from swapinfer.ledger.replay import Job
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import GOOD, Curve, Sight, Test
from swapinfer.physics import copper_at_20

ANY_MODE = "*"
NO_LEVEL = np.ones(1)

_REPEATABILITY = 0.1
"""Spread of a meter that reads the same thing again, in spreads of the narrowest curve; our choice,
no source. It decides which readings are the same, not what they mean."""


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
        Index in the job's time.
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
        Chance that a seen state shows while the test lasts; 0 where it is not seen.
    """

    profiles: tuple[str, ...]
    profile_es: IntArray
    shows_es: FloatArray

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
    shows_v = np.array([0.0] + [test.shows.get(v.id, 1.0) for v in space.severities])
    shows_es = shows_v[space.severity_es] * (profile_es > 0)
    return View(profiles, profile_es, shows_es)


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


def judge(view: View, likelihood_qp: FloatArray) -> Term | Factor:
    """Turn the likelihood of an outcome under each profile into a factor or a term.

    If several seen faults are present, the first in the order of the pass decides.

    Parameters
    ----------
    view : View
        What the setting can see.
    likelihood_qp : ndarray of float, shape (level, profile)
        Positive.

    Returns
    -------
    Term or Factor
        A factor when only one element is seen and nothing depends on a level.
    """
    seen = view.seen_e
    if likelihood_qp.shape[0] == 1 and seen.sum() <= 1:
        return _factor(view, likelihood_qp[0])
    ones = np.ones_like(view.shows_es)
    explain_qes = view.shows_es * likelihood_qp[:, view.profile_es]
    close_q2 = np.stack([likelihood_qp[:, 0], np.ones(likelihood_qp.shape[0])], axis=1)
    return Term(1.0 - view.shows_es, explain_qes, ones, close_q2)


def _factor(view: View, likelihood_p: FloatArray) -> Factor:
    shown_es = view.shows_es * likelihood_p[view.profile_es]
    mixed_es = (1.0 - view.shows_es) * likelihood_p[0] + shown_es
    return Factor(np.log(mixed_es / likelihood_p[0]), math.log(likelihood_p[0]))


def inspection_likelihood(test: Test, profiles: tuple[str, ...], outcome: str) -> FloatArray:
    """Chance of a named outcome under each profile, shape (1, profile)."""
    return np.array([[outcome_chances(test, name)[outcome] for name in profiles]])


def outcome_chances(test: Test, profile: str) -> dict[str, float]:
    """Chances of an inspection's outcomes, with the floor spread over all of them."""
    chances = test.profiles[profile]
    if isinstance(chances, Curve):
        raise TypeError(f"{test.id} is a reading; it has no outcomes")
    even = test.floor / len(test.outcomes)
    return {name: (1.0 - test.floor) * chances.get(name, 0.0) + even for name in test.outcomes}


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


def reading_likelihood(
    test: Test, profiles: tuple[str, ...], value: float, level_q: FloatArray
) -> FloatArray:
    """Density of a reading under each profile, on the test's scale.

    Parameters
    ----------
    test : Test
        Whose curves are taken.
    profiles : tuple of str
        Profile names.
    value : float
        From `reading_value`; infinite for "over limit".
    level_q : ndarray of float, shape (level,)
        Values of the shared level, to which the curves of a levelled test are ratios.

    Returns
    -------
    ndarray of float, shape (level or 1, profile)
    """
    levels = level_q if test.level else NO_LEVEL
    columns = [_density(test, _curve(test, name), value, levels) for name in profiles]
    return np.stack(columns, axis=1)


def _curve(test: Test, profile: str) -> Curve:
    curve = test.profiles[profile]
    if not isinstance(curve, Curve):
        raise TypeError(f"{test.id} is an inspection; it has no curves")
    return curve


def _density(test: Test, curve: Curve, value: float, level_q: FloatArray) -> FloatArray:
    if math.isinf(value):
        share = (1.0 - test.floor) * curve.over_limit + test.floor
        return np.full(level_q.shape, share)
    low, high = test.range
    if test.scale == "log":
        even = 1.0 / math.log(high / low)
        at_q = math.log(max(value, low)) - np.log(level_q)
        lobes = [(w, math.log(centre), sd) for w, centre, sd in curve.lobes]
    else:
        even, at_q, lobes = 1.0 / (high - low), value / level_q, list(curve.lobes)
    density_q = sum(
        (w / (sd * math.sqrt(2 * math.pi)) * np.exp(-0.5 * ((at_q - c) / sd) ** 2)
         for w, c, sd in lobes),
        np.zeros_like(level_q),
    )  # fmt: skip
    out: FloatArray = (1.0 - test.floor) * density_q + test.floor * even
    return out


def band_chances(test: Test, profile: str) -> dict[str, float]:
    """Chance that a reading falls in each of the test's bands, with the floor spread evenly.

    For a levelled test the bands are ratios to the level.
    """
    curve = _curve(test, profile)
    even = test.floor / len(test.bands)
    out, below = {}, 0.0
    for band in test.bands:
        upto = 1.0 if math.isinf(band.below) else _below(test, curve, band.below)
        out[band.id] = (1.0 - test.floor) * (upto - below) + even
        below = upto
    return out


def _below(test: Test, curve: Curve, value: float) -> float:
    at = math.log(value) if test.scale == "log" else value
    total = 0.0
    for weight, centre, sd in curve.lobes:
        middle = math.log(centre) if test.scale == "log" else centre
        total += weight * 0.5 * math.erfc((middle - at) / (sd * math.sqrt(2.0)))
    return total


def band_of(test: Test, value: float, level: float = 1.0) -> str:
    """Name of the band that a value falls into."""
    return next(band.id for band in test.bands if value / level < band.below or band.below == value)


def repeat_density(test: Test, before: Measured | Inspected, now: Measured | Inspected) -> float:
    """Chance, or density on the test's scale, of an outcome when a test only shows itself again.

    Parameters
    ----------
    test : Test
        Made twice on one target, with nothing disturbed between.
    before, now : Measured or Inspected
        First and second time.

    Returns
    -------
    float
        1 or 0 for an inspection; for a reading that of a normal around the earlier value, far
        narrower than any of the test's curves.
    """
    if isinstance(before, Inspected) or isinstance(now, Inspected):
        return float(before == now)
    first, second = reading_value(test, before), reading_value(test, now)
    if math.isinf(first) or math.isinf(second):
        return float(first == second)
    if test.scale == "log":
        low = test.range[0]
        apart = math.log(max(second, low) / max(first, low))
    else:
        apart = second - first
        if test.level and apart:
            apart /= max(abs(first), abs(second))
    curves = [_curve(test, name) for name in test.profiles]
    sd = _REPEATABILITY * min(sd for curve in curves for _, _, sd in curve.lobes)
    return math.exp(-0.5 * (apart / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


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
