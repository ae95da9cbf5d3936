"""A cylinder's misfire counter; negative binomial chances in the same few steps at any count."""

from __future__ import annotations

from math import exp, lgamma, log, log1p, pi

import numpy as np

from swapinfer.evidence.arrays import Factor, FloatArray, Term
from swapinfer.evidence.states import StateSpace

LEAST = 1e-300
"""Chances are floored here, so that no count is impossible."""

MOST = 10**18
"""Counts beyond are taken for this: their chances are at the floor, or no longer change."""

HALF_LOG_2PI = 0.5 * log(2 * pi)
TINY = 1e-300
STIRLING = (691 / 360360, 1 / 1188, 1 / 1680, 1 / 1260, 1 / 360, 1 / 12)
"""Coefficients of the falling odd powers, signs alternating (NIST DLMF 5.11.1)."""

STEPS = 1000
"""Of the continued fraction, at most; 100 are rarely needed."""


def count_misfires(
    space: StateSpace, mean_es: FloatArray, minutes: float, count: int
) -> Term | Factor:
    """Take in one cylinder's misfire counter, which ran for some minutes.

    The count is the largest of the causes' independent counts. A cause has no episode with
    probability ``exp(-mean)`` and then counts nothing; otherwise its count is negative binomial
    with its severity's mean a minute and dispersion. With ``F`` and ``f`` the chance of a smaller
    count and of just this one, a cause leaves the bit open with ``F``, explains it with ``f``.
    """
    running = space.job.pack.running
    mean = running.leak_counts_per_min * minutes
    background = negative_binomial(mean, running.leak_dispersion, count)
    quiet_es, loud_es = np.exp(-mean_es), -np.expm1(-mean_es)
    pairs = [(0.0, 0.0)] + [
        negative_binomial(v.counts_per_min * minutes, v.dispersion, count) for v in space.severities
    ]
    below_es, exactly_es = np.moveaxis(np.array(pairs)[space.severity_es], -1, 0)
    exactly_es = loud_es * exactly_es + (quiet_es if count == 0 else 0.0)
    if count == 0:
        return Factor(np.log(exactly_es), log(background[1]))
    below_es = loud_es * below_es + quiet_es
    close_q2 = np.array([[background[1], background[0] + background[1]]])
    return Term(below_es, exactly_es, below_es + exactly_es, close_q2)


def negative_binomial(mean: float, size: float, count: int) -> tuple[float, float]:
    """Chance of fewer than, and of exactly, `count` under a negative binomial; at least `LEAST`.

    Its variance is ``mean + mean**2 / size``. "Fewer than" is the regularised incomplete beta
    function ``I(size, count)`` at ``size / (mean + size)``, or 1 less its complement, whichever is
    the smaller.

    References
    ----------
    Hilbe, J. M. (2011), Negative Binomial Regression, 2nd ed., section 8.1 (NB2).
    """
    if count == 0:
        return LEAST, max(exp(-size * log1p(mean / size)), LEAST)
    k = float(min(count, MOST))
    stop, go = size / (mean + size), mean / (mean + size)
    exactly = exp(_log_pmf(mean, size, k))
    if stop * (k + 1) < (size + 1) * go:
        below = exactly * k / _beta_fraction(stop, go, size, k)
    else:
        below = 1.0 - exactly * k / _beta_fraction(go, stop, k, size)
    return max(below, LEAST), max(exactly, LEAST)


def _log_pmf(mean: float, size: float, k: float) -> float:
    """Saddle-point form, in which no large logarithms of factorials cancel.

    Loader, C. (2000), "Fast and accurate computation of binomial probabilities".
    """
    n = k + size
    log_odds = _deviance(size, n * size / (mean + size)) + _deviance(k, n * mean / (mean + size))
    corrections = _stirling_error(n) - _stirling_error(size) - _stirling_error(k)
    return corrections - log_odds - HALF_LOG_2PI + 0.5 * log(size) - log(n) - 0.5 * log1p(-size / n)


def _deviance(x: float, mean: float) -> float:
    """``x log(x / mean) + mean - x`` without cancellation near ``x = mean``."""
    ratio = (x - mean) / (x + mean)
    if abs(ratio) >= 0.1:
        return x * log(x / mean) + mean - x
    total, term, odd = ratio * (x - mean), 2 * x * ratio, 1
    while True:
        term *= ratio * ratio
        odd += 2
        longer = total + term / odd
        if longer == total:
            return total
        total = longer


def _stirling_error(z: float) -> float:
    """Log of the factorial of `z`, less Stirling's approximation."""
    if z < 16:
        return lgamma(z + 1) - (z + 0.5) * log(z) + z - HALF_LOG_2PI
    total = 0.0
    for term in STIRLING:
        total = term - total / (z * z)
    return total / z


def _beta_fraction(x: float, y: float, a: float, b: float) -> float:
    """Continued fraction by which ``x**a y**b / B(a, b)`` is divided to give ``I(a, b)`` at x.

    With ``y = 1 - x`` given, so that nothing cancels where x is near 1; evaluated by Lentz's
    method.

    Didonato, A. R. & Morris, A. H. (1992), "Algorithm 708", ACM TOMS 18, 360-373.
    """
    value = ahead = a * (a * y - b * x + 1) / (a + 1) or TINY
    behind = 0.0
    for m in range(1, STEPS):
        top = (a + m - 1) * (a + b + m - 1) * m * (b - m) * x * x / (a + 2 * m - 1) ** 2
        bottom = (
            m
            + m * (b - m) * x / (a + 2 * m - 1)
            + (a + m) * (a * y - b * x + 1 + m * (2 - x)) / (a + 2 * m + 1)
        )
        behind = 1 / (bottom + top * behind or TINY)
        ahead = bottom + top / ahead or TINY
        value *= ahead * behind
        if abs(ahead * behind - 1) < 1e-15:
            break
    return value
