"""Orders of replace-and-check, and what they cost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_CERTAIN = 1e-12
"""Least doubt that the index divides by."""


def single_fault_order(p_e: FloatArray, cost_e: FloatArray) -> IntArray:
    """Cheapest order of replacing when exactly one element is at fault: falling ``p / c``.

    Parameters
    ----------
    p_e : ndarray of float, shape (element,)
        Probability that each element is the faulty one.
    cost_e : ndarray of float, shape (element,)
        Positive cost of replacing it and checking.

    Returns
    -------
    ndarray of int, shape (element,)
        Elements in order.

    References
    ----------
    Kadane & Simon (1977), "Optimal strategies for a class of constrained sequential problems",
    Ann. Statist. 5; Heckerman, Breese & Rommelse (1995), "Decision-theoretic troubleshooting",
    CACM 38(3):49-57.
    """
    return np.argsort(-p_e / cost_e, kind="stable")


def single_fault_cost(order: Sequence[int], p_e: FloatArray, cost_e: FloatArray) -> float:
    """Compute the expected cost of an order when exactly one element is at fault.

    Parameters
    ----------
    order : sequence of int
        Every element once.
    p_e, cost_e : ndarray of float, shape (element,)
        As in `single_fault_order`.

    Returns
    -------
    float
        ``sum_i (1 - sum of p before i) c_i``.
    """
    at = np.asarray(order)
    reached = 1.0 - np.concatenate(([0.0], np.cumsum(p_e[at])[:-1]))
    return float(reached @ cost_e[at])


def independent_faults_index(p_be: FloatArray, cost_e: FloatArray) -> FloatArray:
    """Urgency of replacing each element when any number may be at fault: ``p / (c (1 - p))``.

    Parameters
    ----------
    p_be : ndarray of float, shape (..., element)
        Marginal probability that each element is faulty.
    cost_e : ndarray of float, shape (element,)
        Positive cost of replacing it and checking.

    Returns
    -------
    ndarray of float, shape (..., element)
        Replace in falling order of it.

    Notes
    -----
    With independent faults the expected cost of an order, given that the system fails, is
    ``sum_k c_k (1 - prod_{j>=k} (1 - p_j)) / (1 - prod_j (1 - p_j))``. Exchanging neighbours
    ``i, j`` changes the sum by ``c_i p_j (1 - p_i) - c_j p_i (1 - p_j)`` times a common factor,
    hence the index. Srinivas (1995), "A polynomial algorithm for computing the optimal repair
    strategy in a system with independent component failures", treats the same class of problems.
    """
    index: FloatArray = p_be / (cost_e * np.maximum(1.0 - p_be, _CERTAIN))
    return index


def independent_faults_order(p_e: FloatArray, cost_e: FloatArray) -> IntArray:
    """Cheapest order of replacing when faults are independent, see `independent_faults_index`.

    Parameters
    ----------
    p_e, cost_e : ndarray of float, shape (element,)
        As in `independent_faults_index`.

    Returns
    -------
    ndarray of int, shape (element,)
        Elements in order.
    """
    return np.argsort(-independent_faults_index(p_e, cost_e), kind="stable")


def independent_faults_cost(order: Sequence[int], p_e: FloatArray, cost_e: FloatArray) -> float:
    """Compute the expected cost of an order when faults are independent and the system fails.

    Parameters
    ----------
    order : sequence of int
        Every element once.
    p_e, cost_e : ndarray of float, shape (element,)
        As in `independent_faults_index`.

    Returns
    -------
    float
        See the formula in `independent_faults_index`.
    """
    at = np.asarray(order)
    all_good_from = np.cumprod((1.0 - p_e[at])[::-1])[::-1]
    return float(cost_e[at] @ (1.0 - all_good_from) / (1.0 - all_good_from[0]))
