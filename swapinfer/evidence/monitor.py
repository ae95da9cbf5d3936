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

from collections.abc import Callable
from math import erf, exp, expm1, floor, log, sqrt
from statistics import NormalDist

from swapinfer.pack.model import Monitor, Severity

Share = Callable[[Monitor, Severity, float, int, float, float], float]
"""Share of a fault's episodes of which something comes: see `share_that_sets`."""

ALMOST_NONE = 1e-9
"""Spread, as a logarithm, of what does not vary."""

PHASES = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Parts of a window that are over when an episode begins: of five alike, the middle of each."""

DOUBTS = tuple(NormalDist().inv_cdf((k + 0.5) / 9) for k in range(9))
"""Standard deviations from the middle of a threshold: of nine parts as likely, their middles."""


def share_that_sets(
    monitor: Monitor,
    severity: Severity,
    rate: float,
    cylinders: int,
    rpm: float,
    minutes: float,
) -> float:
    """Work out which share of a fault's episodes sets a code, pending or confirmed.

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
    minutes : float
        Length of the driving cycle.

    Returns
    -------
    float
        Such that leaving out the others gives the chance that none is set in the cycle.

    Notes
    -----
    Windows are judged when they are over, and an episode begins anywhere in one. Of windows above
    the threshold, an episode that gets there has a geometric number. Their number in a cycle is
    thus Polya-Aeppli distributed.

    References
    ----------
    Johnson, N. L., Kemp, A. W. & Kotz, S. (2005), *Univariate Discrete Distributions*,
    3rd ed., 9.7.
    """
    window, lasts = monitor.revolutions / rpm, severity.episode_minutes
    limit = monitor.share * cylinders
    hot = _overheats(monitor, severity, cylinders, rpm, 0.0)
    whole = _reaches(severity, window, window, limit)
    first, either = 0.0, 0.0
    for phase in PHASES:
        left = (1.0 - phase) * window
        at_first = _reaches(severity, left, window, limit)
        first += at_first / len(PHASES)
        either += max(at_first, whole * exp(-left / lasts)) / len(PHASES)
    judged = floor(minutes / window + ALMOST_NONE) * window
    started = min(window, judged)
    goes_on = exp(-window / lasts)
    mean = rate * max(either - hot, 0.0) * (judged - started)
    chances = [1.0]  # of so many windows, beside that of none
    for k in range(1, monitor.exceedances):
        terms = (j * goes_on ** (j - 1) * chances[k - j] for j in range(1, k + 1))
        chances.append(mean * (1.0 - goes_on) / k * sum(terms))
    unset = rate * (hot * minutes + max(first - hot, 0.0) * started) + mean - log(sum(chances))
    return min(unset / (rate * minutes), 1.0)


def share_that_blinks(
    monitor: Monitor, severity: Severity, rate: float, cylinders: int, rpm: float, minutes: float
) -> float:
    """Work out which share of a fault's episodes overheats the catalyst, so that the lamp blinks.

    Takes what `share_that_sets` does, and returns likewise; the threshold, of which little is
    known, is the same all through a cycle.
    """
    shares = [_overheats(monitor, severity, cylinders, rpm, doubt) for doubt in DOUBTS]
    least = min(shares)
    quiet = [exp(rate * minutes * (least - share)) for share in shares]
    return least - log(sum(quiet) / len(quiet)) / (rate * minutes)


def share_confirmed_at_once(
    monitor: Monitor, severity: Severity, rate: float, cylinders: int, rpm: float, minutes: float
) -> float:
    """Work out which share sets a code that is confirmed in its first driving cycle, likewise."""
    blinks = share_that_blinks(monitor, severity, rate, cylinders, rpm, minutes)
    return blinks * monitor.confirmed_at_once


def _overheats(
    monitor: Monitor, severity: Severity, cylinders: int, rpm: float, doubt: float
) -> float:
    """Chance that an episode has a window in which the catalyst overheats."""
    window = monitor.catalyst_revolutions / rpm
    limit = monitor.catalyst_share * monitor.catalyst_spread**doubt * cylinders
    return _reaches(severity, window, window, limit)


def _reaches(severity: Severity, left: float, window: float, limit: float) -> float:
    """Chance that an episode fails more of its cylinder's firings in a window than a limit.

    It has but so many minutes left of the window; more than all of them it cannot fail.
    """
    filled = severity.episode_minutes / window * -expm1(-left / severity.episode_minutes)
    if filled <= limit:
        return 0.0
    z = log(severity.share * filled / limit) / max(log(severity.share_spread), ALMOST_NONE)
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))
