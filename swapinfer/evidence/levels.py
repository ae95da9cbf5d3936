"""The unknown that several readings share: what a healthy cylinder would show on this gauge."""

from __future__ import annotations

import math

import numpy as np

from swapinfer.evidence.problem import BoolArray, FloatArray
from swapinfer.ledger.events import Opened
from swapinfer.pack.model import Level, Test
from swapinfer.physics import expected_cranking_kpa

NODES = 121
WIDTH = 4.5
"""Standard deviations of the prior that the nodes span on either side."""

NEGLIGIBLE = 1e-12
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


def level_nodes(test: Test, opening: Opened) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the log-normal prior of a test's level.

    Equally spaced in the log: for smooth integrands that vanish at both ends the trapezoid rule
    converges faster than any power of the spacing.

    Returns
    -------
    value_q, weight_q : ndarray of float, shape (level,)
        Weights sum to 1.

    References
    ----------
    Trefethen, L. N. & Weideman, J. A. C. (2014), SIAM Review 56(3), 385-458.
    """
    level = test.level
    if level is None:
        raise TypeError(f"{test.id} has no shared level")
    median = expected_level(test, level, opening)
    sd = math.hypot(math.log(level.spread), math.log(level.gauge_spread))
    z_q = np.linspace(-WIDTH, WIDTH, NODES)
    weight_q = np.exp(-0.5 * z_q**2)
    return median * np.exp(sd * z_q), weight_q / weight_q.sum()


def worth_keeping(weight_q: FloatArray, likelihoods: list[FloatArray]) -> BoolArray:
    """Say which nodes can matter, whatever the elements' states.

    Parameters
    ----------
    weight_q : ndarray of float, shape (level,)
        Prior weights.
    likelihoods : list of ndarray, each of shape (level, profile)
        Of every levelled reading.

    Returns
    -------
    ndarray of bool, shape (level,)
    """
    log_best_q = np.log(weight_q)
    for likelihood_qp in likelihoods:
        log_best_q = log_best_q + np.log(likelihood_qp.max(axis=1))
    keep: BoolArray = log_best_q >= log_best_q.max() + math.log(NEGLIGIBLE)
    return keep
