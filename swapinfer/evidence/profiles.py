"""What a test shows under each of its profiles: outcomes, readings, bands of readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.ledger.events import Measured
from swapinfer.pack.model import ANY, GOOD, Curve, Symptom, Test
from swapinfer.physics import copper_at_20

FLOOR = 1e-5
"""Share of every profile that is spread over what the others show: nothing is impossible
(Cromwell's rule: D. V. Lindley, *Making Decisions*, 1985)."""

MOST_EASED = 1.1
"""How much likelier a fault may make the first outcomes for these still to be steps; our choice."""

TINY = float(np.finfo(float).tiny)
LEAST_LOG = -700.0
"""Natural logs of densities are not let below this, where floats end."""

HALVINGS = 60
"""By which a median is found: as many as a float has digits."""


def profile_of(sights: Iterable[Symptom], kind: str, mode: str) -> str:
    """Profile that a mode shows in a test: as named, else its kind's, else anything's, or good.

    Where two symptoms fit equally, the first one holds.
    """
    for kinds, wanted in (((kind, ANY), mode), ((kind,), ANY), ((ANY,), ANY)):
        for sight in sights:
            if sight.kind in kinds and sight.mode == wanted:
                return sight.profile
    return GOOD


# Outcomes of inspections --------------------------------------------------------------------------


def outcome_chances(test: Test, profile: str, looks: int = 1, common: str = "") -> dict[str, float]:
    """Chances of an inspection's outcomes under a profile, the usual one first.

    Of several `looks`, all with the same outcome: a slip goes when a look is repeated. Where all
    sound ones of this engine show an outcome in common, at least that.
    """
    names = list(test.outcomes)
    chance_o = np.array([test.chances[profile].get(name, 0.0) for name in names])
    if profile == GOOD:
        slip_o = np.array([test.slip.get(name, 0.0) ** looks for name in names])
        chance_o = (1.0 - slip_o.sum()) * chance_o + slip_o
        if common:
            at = names.index(common)
            chance_o = np.append(np.zeros(at), [chance_o[: at + 1].sum(), *chance_o[at + 1 :]])
    chance_o = (1.0 - FLOOR) * chance_o + FLOOR / len(names)
    return dict(zip(names, chance_o.tolist(), strict=True))


def outcome_table(
    test: Test, profiles: Iterable[str], looks: int = 1, common: str = ""
) -> FloatArray:
    """`outcome_chances` of several profiles, shape (profile, outcome)."""
    rows = [list(outcome_chances(test, name, looks, common).values()) for name in profiles]
    return np.array(rows)


def are_steps(test: Test) -> bool:
    """Say whether each outcome of an inspection departs farther from good than those before it.

    Then no fault makes it likelier than a good one does that only the first outcomes are seen.
    """
    upto_po = outcome_table(test, test.profiles).cumsum(axis=1)
    good_o = upto_po[test.profiles.index(GOOD)]
    return bool(np.all(upto_po <= MOST_EASED * good_o))


def own_parts(chance_po: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Say of each outcome how a fault that shows leaves its bit open, and explains it: `own_part`.

    The chances are of shape (profile, outcome), the good profile's first. The farther of the
    fault's own part and a good draw is what the fault's profile says, as far as that can be: where
    the profile passes over an outcome that good ones show, the part takes it on with those before
    it, since a chance of departing no farther cannot fall.
    """
    upto_po = np.cumsum(chance_po, axis=1)
    share_po = np.minimum(upto_po / upto_po[0], 1.0)
    rising_po = np.minimum.accumulate(share_po[:, ::-1], axis=1)[:, ::-1]
    before_po = np.pad(rising_po[:, :-1], ((0, 0), (1, 0)))
    open_po, explain_po = own_part(before_po, chance_po)
    return open_po, explain_po / upto_po[0]


def own_part(nearer_px: FloatArray, exact_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Say how a fault that shows leaves the bit of what was seen open, and explains it.

    With ``F`` the chance of departing less from good and ``f`` that, or the density, of just what
    was seen, a cause's own part is ``G = F / F_good``, or ``f / f_good`` where that is less, at
    most 1: the larger of it and a good draw is its profile. It leaves the bit open with ``G`` and
    explains it with ``f - G f_good``, so that one fault alone shows just what its profile says.
    Given are the chances that the own part departs less, and ``f``, both of shape (profile, ...),
    the good profile first; its weights are 1 and 0.
    """
    open_px = np.minimum(np.minimum(nearer_px, exact_px / exact_px[0]), 1.0)
    explain_px = np.maximum(exact_px - open_px * exact_px[0], 0.0)
    open_px[0], explain_px[0] = 1.0, 0.0
    return open_px, explain_px


# Readings -----------------------------------------------------------------------------------------


def reading_value(test: Test, event: Measured) -> float:
    """Value that the curves speak of, infinite for "over limit".

    Beside its reference, of the usual one wanted, at 20 degC.
    """
    value = event.value
    if test.reference and event.reference is not None:
        value -= event.reference
    if test.copper_alpha and event.temperature_c is not None and math.isfinite(value):
        value = copper_at_20(value, event.temperature_c, test.copper_alpha)
    if test.wanted and event.wanted:
        value *= test.nominal / event.wanted
    return value


def averaged(test: Test, curve: Curve, readings: float) -> Curve:
    """Curve of the mean of several readings: what the test itself scatters averages out.

    Of infinitely many it is that of what is there to be read.
    """
    if readings == 1 or not test.repeatability:
        return curve
    gone = test.repeatability**2 * (1.0 - 1.0 / readings)
    lobes = tuple(
        (weight, centre, math.sqrt(max(sd**2 - gone, 0.01 * sd**2)))
        for weight, centre, sd in curve.lobes
    )
    return replace(curve, lobes=lobes)


def density(test: Test, curve: Curve, value: float, offset_q: FloatArray) -> FloatArray:
    """Density of a reading on the test's scale, or chance that the meter is over its limit.

    The value, infinite for "over limit", is as the curves speak of it. Offsets of the shared level
    are on the test's scale, infinite where all are over the limit. Shape (level,).
    """
    if math.isinf(value):
        return np.where(np.isinf(offset_q), 1.0, curve.over_limit)
    at_q = _within_range(test, value) - offset_q
    parts = [
        math.log(max(weight, TINY) / (sd * math.sqrt(2.0 * math.pi)))
        - 0.5 * ((at_q - centre) / sd) ** 2
        for weight, centre, sd in _lobes(test, curve)
    ]
    log_q = np.logaddexp.reduce([np.full(offset_q.shape, LEAST_LOG), *parts])
    density_q: FloatArray = np.exp(log_q)
    return density_q


def departing_less(test: Test, curve: Curve, value: float) -> float:
    """Chance of a reading nearer than `value` to the middle of the good curve, on either side."""
    if math.isinf(value):
        return 1.0 - curve.over_limit
    middle = test.on_scale(test.nominal)
    reach = abs(_within_range(test, value) - middle)
    return _between(test, curve, middle - reach, middle + reach)


# Bands of readings --------------------------------------------------------------------------------


def band_chances(test: Test, profile: str) -> dict[str, float]:
    """Chance that a reading falls in each of the test's bands, from the lowest on.

    For a levelled test the bands are relative to the level. What sound ones show by coincidence is
    spread evenly over the faulty profiles.
    """
    below = {
        name: np.array([_below(test, curve, band.below) for band in test.bands])
        for name, curve in test.curves.items()
    }
    below_b = below.pop(profile)
    if profile == GOOD and below:
        like_any_b = np.mean(list(below.values()), axis=0)
        below_b = (1.0 - test.coincidence) * below_b + test.coincidence * like_any_b
    chance_b = np.maximum(np.diff(below_b, prepend=0.0), 0.0)
    chance_b = (1.0 - FLOOR) * chance_b + FLOOR / len(test.bands)
    return dict(zip((band.id for band in test.bands), chance_b.tolist(), strict=True))


def chances_of(test: Test, profile: str) -> dict[str, float]:
    """Chance of each outcome, or band of readings, under a profile."""
    is_reading = test.form == "reading"
    return band_chances(test, profile) if is_reading else outcome_chances(test, profile)


def band_median(test: Test, band: str) -> float:
    """Find what is usual for a band: the median there of the profile that falls there most.

    As the curves speak of it; infinite where the meter mostly is over its limit.
    """
    within = {name: band_chances(test, name)[band] for name in test.curves}
    curve = test.curves[max(within, key=within.__getitem__)]
    edges = [-math.inf, *(one.below for one in test.bands)]
    at = [one.id for one in test.bands].index(band)
    floor = _below(test, curve, edges[at]) if at else 0.0
    top = min(_below(test, curve, edges[at + 1]), 1.0 - curve.over_limit)
    if math.isinf(edges[at + 1]) and curve.over_limit > top - floor:
        return math.inf
    ends = [(centre - 9.0 * sd, centre + 9.0 * sd) for _, centre, sd in _lobes(test, curve)]
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if _between(test, curve, -math.inf, middle) < 0.5 * (floor + top):
            low = middle
        else:
            high = middle
    return test.off_scale(0.5 * (low + high))


# Normal lobes on the test's scale -----------------------------------------------------------------


def _lobes(test: Test, curve: Curve) -> Iterator[tuple[float, float, float]]:
    """Weight, centre and spread of each lobe on the test's scale."""
    for weight, centre, sd in curve.lobes:
        yield weight, test.on_scale(centre), sd


def _within_range(test: Test, value: float) -> float:
    """Place of a reading on the scale; beyond the plausible range that of its nearer end."""
    low, high = test.range
    return test.on_scale(min(max(value, low), high))


def _below(test: Test, curve: Curve, value: float) -> float:
    if math.isinf(value):
        return 1.0
    return _between(test, curve, -math.inf, test.on_scale(value))


def _between(test: Test, curve: Curve, low: float, high: float) -> float:
    """Chance of a reading between two places on the test's scale."""
    return math.fsum(
        weight * (_ndtr((high - centre) / sd) - _ndtr((low - centre) / sd))
        for weight, centre, sd in _lobes(test, curve)
    )


def _ndtr(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
