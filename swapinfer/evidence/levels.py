"""The unknown that several readings share: what a healthy cylinder would show on this gauge."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from swapinfer.evidence.problem import BoolArray, FloatArray, IntArray
from swapinfer.ledger.events import Opened
from swapinfer.pack.model import GOOD, Curve, Level, Test
from swapinfer.physics import expected_cranking_kpa

WIDTH = 4.5
"""Standard deviations of the prior that the nodes span on either side."""

SPACING = 1.2
"""Distance between nodes, in standard deviations of what the readings together leave open."""

SUSPICION = 0.01
"""Weight given to a reading's being low for a reason of its own when nodes are left out."""

NEGLIGIBLE = 1e-8
"""Nodes whose largest possible weight is below this share of the best are left out."""

KPA = {"kPa": 1.0, "psi": 6.894757293168361, "bar": 100.0}


def expected_level(test: Test, level: Level, opening: Opened) -> float:
    """Median of a level for this vehicle, in the test's unit.

    Parameters
    ----------
    test : Test
        Whose unit is wanted; a pressure for the polytropic formula.
    level : Level
        From the pack.
    opening : Opened
        Compression ratio and altitude, where known.
    """
    if level.formula == "fixed":
        return level.median
    ratio = opening.compression_ratio or level.compression_ratio
    kpa = expected_cranking_kpa(ratio, level.exponent, level.fill, opening.altitude_m or 0.0)
    return kpa / KPA[test.unit]


def level_nodes(test: Test, opening: Opened, readings: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the log-normal prior of a test's level.

    Equally spaced in the log: for smooth integrands that vanish at both ends the trapezoid rule
    converges faster than any power of the spacing.

    Parameters
    ----------
    test : Test
        With a level.
    opening : Opened
        Compression ratio and altitude, where known.
    readings : int
        How many share the level; the more there are, the closer the nodes.

    Returns
    -------
    value_q, weight_q : ndarray of float, shape (level,)
        Weights sum to 1.

    References
    ----------
    Trefethen, L. N. & Weideman, J. A. C. (2014), SIAM Review 56(3), 385-458.
    """
    level, good = test.level, test.profiles[GOOD]
    if level is None or not isinstance(good, Curve):
        raise TypeError(f"{test.id} has no shared level")
    median = expected_level(test, level, opening)
    sd = math.hypot(math.log(level.spread), math.log(level.gauge_spread))
    finest = min(lobe_sd for _, _, lobe_sd in good.lobes) / math.sqrt(readings)
    half = math.ceil(WIDTH * sd / (SPACING * finest))
    z_q = WIDTH * np.arange(-half, half + 1) / half
    weight_q = np.exp(-0.5 * z_q**2)
    return median * np.exp(sd * z_q), weight_q / weight_q.sum()


def worth_keeping(
    weight_q: FloatArray, readings: Sequence[tuple[FloatArray, IntArray]]
) -> BoolArray:
    """Say which nodes can matter.

    A node is worth keeping if the readings are near what good cylinders show there, but for a few
    that have a reason of their own, or near what a cause common to all of them makes them show.

    Parameters
    ----------
    weight_q : ndarray of float, shape (level,)
        Prior weights.
    readings : sequence of (likelihood_qp, common_p)
        Of each reading: likelihood under each profile, shape (level, profile), and the profiles
        that a cause common to all readings may show.

    Returns
    -------
    ndarray of bool, shape (level,)
    """
    log_own_q, log_common_q = np.log(weight_q), np.log(weight_q * SUSPICION)
    for likelihood_qp, common_p in readings:
        best_q = SUSPICION * likelihood_qp.max(axis=1)
        log_own_q = log_own_q + np.log(np.maximum(likelihood_qp[:, 0], best_q))
        common_q = likelihood_qp[:, common_p].max(axis=1, initial=0.0)
        log_common_q = log_common_q + np.log(np.maximum(common_q, best_q))
    log_best_q = np.maximum(log_own_q, log_common_q)
    keep: BoolArray = log_best_q >= log_best_q.max() + math.log(NEGLIGIBLE)
    return keep
