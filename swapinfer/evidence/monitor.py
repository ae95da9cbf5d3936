"""How a control unit comes to set a code: misfires counted over windows, thresholds, trips.

Misfires of all cylinders are counted over windows of some revolutions. Few in a long window spoil
the emissions: in the first window after the start that counts at once, later only so many such
windows do. Many in a short one overheat the catalyst: that counts at once, and the lamp blinks.
What counts leaves a pending code, and a confirmed one when it counts in a second driving cycle.

A severity is so many episodes a minute, each lasting for a while in which a share of the cylinder's
firings fail. Where an episode stays below every threshold nothing is set, though it is counted, and
felt.

References
----------
California Code of Regulations, title 13, section 1968.2 (e)(3), misfire monitoring.
"""

from __future__ import annotations

from math import erf, exp, expm1, log, sqrt

from swapinfer.pack.model import Monitor, Severity

ALMOST_NONE = 1e-9
"""Spread, as a logarithm, of what does not vary."""


def share_that_sets(
    monitor: Monitor, severity: Severity, rate: float, cylinders: int, rpm: float, *, at_once: bool
) -> float:
    """Work out which share of a fault's episodes sets a code.

    Parameters
    ----------
    monitor : Monitor
        Windows and thresholds.
    severity : Severity
        How long episodes last, and the share of firings that fail in them.
    rate : float
        Episodes a minute.
    cylinders : int
        Of the engine.
    rpm : float
        Engine speed.
    at_once : bool
        Whether only confirmed codes count that are set in their first driving cycle.

    Returns
    -------
    float
        Such that leaving out the others gives the chance that none is set in a driving cycle of
        usual length. It hardly depends on that length.

    Notes
    -----
    Of windows above the threshold, an episode that gets there has a geometric number. Their number
    in a cycle is thus Polya-Aeppli distributed.

    References
    ----------
    Johnson, N. L., Kemp, A. W. & Kotz, S. (2005), *Univariate Discrete Distributions*,
    3rd ed., 9.7.
    """
    window = monitor.revolutions / rpm
    hot = _reaches(severity, monitor.catalyst_revolutions / rpm, monitor.catalyst_share * cylinders)
    if at_once:
        return hot * monitor.confirmed_at_once
    mild = max(_reaches(severity, window, monitor.share * cylinders) - hot, 0.0)
    goes_on = exp(-window / severity.episode_minutes)
    first = min(window, monitor.cycle_minutes)
    mean = rate * mild * (monitor.cycle_minutes - first)
    chances = [exp(-mean)]
    for k in range(1, monitor.exceedances):
        terms = (j * goes_on ** (j - 1) * chances[k - j] for j in range(1, k + 1))
        chances.append(mean * (1.0 - goes_on) / k * sum(terms))
    unset = rate * (hot * monitor.cycle_minutes + mild * first) - log(sum(chances))
    return min(unset / (rate * monitor.cycle_minutes), 1.0)


def _reaches(severity: Severity, window: float, limit: float) -> float:
    """Chance that an episode fills a window with more than a share of its cylinder's firings."""
    filled = severity.episode_minutes / window * -expm1(-window / severity.episode_minutes)
    z = log(severity.share * filled / limit) / max(log(severity.share_spread), ALMOST_NONE)
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))
