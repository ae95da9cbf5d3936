"""Beyond the bound of the exact pass: fault sets enumerated under an upper bound.

Some digits are dropped, and each is replaced by the most that it could weigh, state by state.
The pass over the rest then bounds the weight of everything that a partial assignment may still
become, so that the tree of fault sets can be followed as in the exact case: what is found weighs
what it weighs, and what was cut is known to weigh no more than its bound.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import Arrays, FloatArray
from swapinfer.posterior.belief import FaultSets
from swapinfer.posterior.digits import Digits, Prepared
from swapinfer.posterior.joint import log_joint
from swapinfer.posterior.order import plan_route
from swapinfer.posterior.tree import Tree

RELAXED_LIMIT = 512
"""Entries of the longest message of the relaxed pass, level nodes included."""

MOST_SETS = 5000
"""Fault sets after which the enumeration stops."""

ENOUGH = 1e-6
"""Share left out at which it stops earlier."""

THRESHOLDS = (1e-3, 1e-5, 1e-7, 1e-9, 1e-300)
"""Shares of the upper bound down to which branches are followed, in turn; the last means any."""


def enumerate_sets(arrays: Arrays, prepared: Prepared) -> tuple[FaultSets, float]:
    """Enumerate fault sets until little can be left out, or many are found.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    prepared : Prepared
        The same, prepared.

    Returns
    -------
    sets : FaultSets
        In no order; beliefs relative to all that was found.
    log_evidence : float
        Natural log of their total weight, a lower bound of the evidence.
    """
    relaxed = _relaxed(prepared)
    tree = Tree.of(relaxed, plan_route(relaxed.digits))
    log_bound, chance_es = tree.inferred()
    for threshold in THRESHOLDS:
        found = tree.sets_above(threshold, 2 * MOST_SETS, chance_es)
        if not len(found.belief_h):
            continue
        sets, log_evidence = _weighed(arrays, found, log_bound)
        if sets.left_out <= ENOUGH or len(sets.belief_h) >= MOST_SETS:
            break
    return sets, log_evidence


def _weighed(arrays: Arrays, found: FaultSets, log_bound: float) -> tuple[FaultSets, float]:
    """Weigh the sets as they are, and relate what was cut to them."""
    log_h = log_joint(arrays, found.element_hk, found.state_hk)
    log_evidence = float(np.logaddexp.reduce(log_h))
    left_out = found.left_out / (found.left_out + np.exp(log_evidence - log_bound))
    sets = replace(found, belief_h=np.exp(log_h - log_evidence), left_out=float(left_out))
    return sets, log_evidence


def _relaxed(prepared: Prepared) -> Prepared:
    """Drop digits until the pass over the rest is short."""
    keep_g = np.zeros(len(prepared.digits), dtype=np.bool_)
    for digit in _most_different(prepared.digits):
        keep_g[digit] = True
        keep_g[digit] = _longest(prepared.digits.only(keep_g)) <= RELAXED_LIMIT
    log_most_es, log_most = _most(prepared.digits.only(~keep_g))
    kept = replace(
        prepared,
        weight_des=prepared.weight_des * np.exp(log_most_es),
        digits=prepared.digits.only(keep_g),
        log_shift=prepared.log_shift + log_most,
    )
    if kept.digits.by_level_g.any():
        return kept
    total = float(prepared.level_q.sum())
    return replace(kept, level_q=np.ones(1), log_shift=kept.log_shift + np.log(total))


def _longest(digits: Digits) -> int:
    """Return the entries of the longest message of a pass."""
    return max(plan_route(digits).lengths(digits), default=1)


def _most_different(digits: Digits) -> list[int]:
    """Order the digits so that each is as unlike those before it as can be."""
    reach_ge = digits.explain.most_tes.reshape(len(digits), -1)
    norm_g = np.linalg.norm(reach_ge, axis=1)
    unit_ge = reach_ge / np.where(norm_g > 0, norm_g, 1.0)[:, None]
    likeness_g = np.zeros(len(digits))
    order: list[int] = []
    for _ in range(len(digits)):
        chosen = int(np.argmin(likeness_g))
        order.append(chosen)
        likeness_g = np.maximum(likeness_g, unit_ge @ unit_ge[chosen])
        likeness_g[order] = np.inf
    return order


def _most(digits: Digits) -> tuple[FloatArray, float]:
    """Return the log of the most that the digits can weigh, by state and at the close.

    However open and explained weight are divided, one state multiplies their sum by at most
    ``max(open + explain, explained)``, and closing by at most the larger closing weight.
    """
    count_g = digits.count_g.astype(float)
    moved_ges = digits.open_ges + digits.explain.most_tes
    with np.errstate(divide="ignore"):
        log_most_ges = np.log(np.maximum(moved_ges, digits.explained_ges))
        log_close_g = np.log(digits.close_qg2.max(axis=(0, 2)))
    log_most_es: FloatArray = np.tensordot(count_g, log_most_ges, axes=1)
    return log_most_es, float(count_g @ log_close_g)
