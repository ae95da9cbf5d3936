"""Beyond the bound of the exact pass: fault sets enumerated under an upper bound.

Some digits are dropped, and each is replaced by the most that it could weigh, state by state.
The pass over the rest then bounds the weight of everything that a partial assignment may still
become, so that the tree of fault sets can be followed as in the exact case: what is found weighs
what it weighs, and what was cut is known to weigh no more than its bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapinfer.evidence.arrays import Arrays, FloatArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.joint import log_joint
from swapinfer.posterior.passes import Plan, route_of, run_passes
from swapinfer.posterior.prepare import Prepared
from swapinfer.posterior.tree import BlockTree, Found

RELAXED_LIMIT = 512
"""Entries of the longest message of the relaxed pass, level nodes included."""

MOST_SETS = 5000
"""Fault sets after which the enumeration stops."""

ENOUGH = 1e-6
"""Share left out at which it stops earlier."""

THRESHOLDS = (1e-3, 1e-5, 1e-7, 1e-9, 1e-300)
"""Shares of the upper bound down to which branches are followed, in turn; the last means any."""


@dataclass(frozen=True, slots=True)
class Enumerated:
    """Fault sets found under the bound.

    Attributes
    ----------
    found : Found
        The sets; beliefs relative to all that was found.
    log_evidence : float
        Natural log of their total weight, a lower bound of the evidence.
    left_out : float
        Upper bound on the share of the posterior that is not among them.
    """

    found: Found
    log_evidence: float
    left_out: float

    def marginals(self, shape: tuple[int, ...]) -> FloatArray:
        """Add up the beliefs state by state, shape (element, state)."""
        marginal_es = np.zeros(shape)
        for element, state_h in zip(self.found.element_l, self.found.state_hl.T, strict=True):
            marginal_es[element] = np.bincount(state_h, self.found.belief_h, minlength=shape[1])
        return marginal_es


def enumerate_sets(arrays: Arrays, prepared: Prepared) -> Enumerated:
    """Enumerate fault sets until little can be left out, or many are found.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    prepared : Prepared
        The same, prepared.

    Returns
    -------
    Enumerated
        What was found and how much may be missing.
    """
    relaxed = _relaxed(prepared)
    route = route_of(relaxed)
    bound = float(run_passes(Plan.of(relaxed))[0].log_evidence_d[0])
    tree = BlockTree.of(relaxed, route)
    for threshold in THRESHOLDS:
        found = tree.sets_above(threshold, 2 * MOST_SETS)
        if not len(found.belief_h):
            continue
        one = _weighed(arrays, found, bound)
        if one.left_out <= ENOUGH or len(found.belief_h) >= MOST_SETS:
            break
    return one


def _weighed(arrays: Arrays, found: Found, bound: float) -> Enumerated:
    element_hk, state_hk = found.padded(np.arange(len(found.belief_h)))
    log_weight_h = log_joint(arrays, element_hk, state_hk)
    weight_h = np.exp(log_weight_h - bound)
    total = float(weight_h.sum())
    left_out = found.left_out / (found.left_out + total)
    log_total = float(np.logaddexp.reduce(log_weight_h))
    exact = replace(found, belief_h=np.exp(log_weight_h - log_total), left_out=left_out)
    return Enumerated(exact, log_total, left_out)


def _relaxed(prepared: Prepared) -> Prepared:
    """Drop digits until the pass over the rest is short."""
    keep_g = np.zeros(len(prepared.digits), dtype=np.bool_)
    for digit in _most_different(prepared.digits):
        keep_g[digit] = True
        smaller = replace(prepared, digits=prepared.digits.only(keep_g))
        if _size(smaller) > RELAXED_LIMIT:
            keep_g[digit] = False
    dropped = prepared.digits.only(~keep_g)
    log_most_es, log_most = _most(dropped)
    weight_des = prepared.weight_des * np.exp(log_most_es)
    kept = replace(
        prepared,
        weight_des=weight_des,
        digits=prepared.digits.only(keep_g),
        log_shift=prepared.log_shift + log_most,
    )
    if kept.digits.by_level_g.any():
        return kept
    total = float(prepared.level_q.sum())
    return replace(kept, level_q=np.ones(1), log_shift=kept.log_shift + np.log(total))


def _size(prepared: Prepared) -> int:
    """Return the entries of the longest message of a pass."""
    route = route_of(prepared)
    levels = prepared.level_q.size if route.is_wide else 1
    return route.size(prepared.digits) * levels


def _most_different(digits: Digits) -> list[int]:
    """Order the digits so that each is as unlike those before it as can be."""
    reach_ge = digits.explain_qges.max(axis=0).reshape(len(digits), -1)
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
    moved_ges = digits.open_ges + digits.explain_qges.max(axis=0)
    with np.errstate(divide="ignore"):
        log_most_ges = np.log(np.maximum(moved_ges, digits.explained_ges))
        log_close_g = np.log(digits.close_qg2.max(axis=(0, 2)))
    log_most_es: FloatArray = np.tensordot(count_g, log_most_ges, axes=1)
    return log_most_es, float(count_g @ log_close_g)
