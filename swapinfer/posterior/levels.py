"""The unknown that readings share: how much weight each of its nodes has, and some of them only."""

from __future__ import annotations

import numpy as np

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray
from swapinfer.posterior.exact import infer

NEGLIGIBLE = 1e-4
"""Nodes below this posterior weight may be passed over where many passes are made."""


def level_weights(arrays: Arrays) -> FloatArray:
    """Compute the posterior weights of the level's nodes, from the evidence at each.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.

    Returns
    -------
    ndarray of float, shape (level node,)
        Adds up to 1.
    """
    nodes = np.arange(arrays.level_q.size)
    log_q = np.log(arrays.level_q)
    if nodes.size > 1:
        log_q += [infer(at_levels(arrays, nodes == q)).log_evidence for q in nodes]
    weight_q: FloatArray = np.exp(log_q - np.logaddexp.reduce(log_q))
    return weight_q


def at_levels(arrays: Arrays, kept_q: BoolArray) -> Arrays:
    """Return the arrays with the shared level known to be at one of some nodes.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    kept_q : ndarray of bool, shape (level node,)
        Which nodes.
    """
    return arrays.at_nodes(kept_q)
