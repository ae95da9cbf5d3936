"""Fault sets weighed jointly with all findings, and enumerated beyond the bound of the exact pass.

To enumerate them, some digits are dropped, and each is replaced by the most that it could weigh,
state by state. The pass over the rest then bounds the weight of everything that a partial
assignment may still become, so that the tree of fault sets can be followed as in the exact case:
what is found weighs what it weighs, and what was cut is known to weigh no more than its bound.
"""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray, IntArray
from swapinfer.posterior.digits import Digits, Prepared
from swapinfer.posterior.order import plan_route
from swapinfer.posterior.passes import PassPlan, run_passes
from swapinfer.posterior.tree import FaultSets, Tree, full_states

CHUNK = 2**18
"""Entries of a table of levels, fault sets and bits that is made at once."""

RELAXED_LIMIT = 512
"""Entries of the longest message of the relaxed pass, level nodes included."""

MOST_SETS = 5000
"""Fault sets after which the enumeration stops."""

ENOUGH = 1e-6
"""Share left out at which it stops earlier."""

THRESHOLDS = (1e-3, 1e-5, 1e-7, 1e-9, 1e-300)
"""Shares of the upper bound down to which branches are followed, in turn; the last means any."""


def log_joint(arrays: Arrays, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Return the log weight of fault sets jointly with all findings, shape (fault set,).

    Natural log of prior times probability of the findings; ``-inf`` where impossible. The sets are
    given as in `FaultSets`.
    """
    every_e = np.arange(len(arrays.elements))
    state_he = full_states(element_hk, state_hk, every_e.size)
    good_acts = (
        np.any(arrays.open_tes[:, :, 0] != 1.0)
        or np.any(arrays.explained_tes[:, :, 0] != 1.0)
        or np.any(arrays.explain.most_tes[:, :, 0] != 0.0)
    )
    if good_acts:  # else only faults need be followed
        element_hk, state_hk = np.broadcast_to(every_e, state_he.shape), state_he
    order = np.argsort(np.where(element_hk < 0, every_e.size, element_hk), axis=1)
    element_hk = np.take_along_axis(element_hk, order, axis=1)
    state_hk = np.take_along_axis(state_hk, order, axis=1)
    with np.errstate(divide="ignore"):
        log_zes = np.log(arrays.prior_zes)
    log_zh = np.stack([log_es[every_e, state_he].sum(axis=1) for log_es in log_zes])
    log_h: FloatArray = np.logaddexp.reduce(log_zh + np.log(arrays.lot_z)[:, None])
    log_h += arrays.log_factor_nes.sum(axis=0)[every_e, state_he].sum(axis=1)
    by_level_t = arrays.explain.varies_t
    by_level_t |= (arrays.close_qt2[1:] != arrays.close_qt2[:1]).any(axis=(0, 2))
    log_h += _log_closed(arrays, element_hk, state_hk, ~by_level_t, slice(1))[0]
    if not by_level_t.any():
        log_h += np.logaddexp.reduce(np.log(arrays.level_q))
        return log_h
    chunk = max(1, CHUNK // (arrays.level_q.size * int(by_level_t.sum())))
    for start in range(0, len(log_h), chunk):
        rows = slice(start, start + chunk)
        log_qh = _log_closed(arrays, element_hk[rows], state_hk[rows], by_level_t, slice(None))
        log_h[rows] += np.logaddexp.reduce(log_qh + np.log(arrays.level_q)[:, None])
    return log_h


def _log_closed(
    arrays: Arrays, element_hk: IntArray, state_hk: IntArray, keep_t: BoolArray, levels: slice
) -> FloatArray:
    """Log of the product of some closed bits, shape (level, fault set)."""
    terms = np.flatnonzero(keep_t)
    close_qt2 = arrays.close_qt2[levels][:, None, terms]
    open_ht = np.ones((len(element_hk), terms.size))
    explained_qht = np.zeros((len(close_qt2), *open_ht.shape))
    for element_h, state_h in zip(element_hk.T, state_hk.T, strict=True):
        rows = np.flatnonzero(element_h >= 0)
        at = terms[:, None], element_h[rows], state_h[rows]
        explained_qht[:, rows] *= arrays.explained_tes[at].T
        explained_qht[:, rows] += open_ht[rows] * arrays.explain.at(*at, levels).swapaxes(1, 2)
        open_ht[rows] *= arrays.open_tes[at].T
    closed_qht = open_ht * close_qt2[..., 0] + explained_qht * close_qt2[..., 1]
    with np.errstate(divide="ignore"):
        log_qh: FloatArray = np.log(closed_qht).sum(axis=2)
    return log_qh


def enumerate_sets(arrays: Arrays, prepared: Prepared) -> tuple[FaultSets, float]:
    """Enumerate the fault sets of findings until little can be left out, or many are found.

    Returns the sets in no order, their beliefs relative to all that was found, and the natural log
    of their total weight, a lower bound of the evidence.
    """
    relaxed = _relaxed(prepared)
    tree = Tree.of(relaxed, plan_route(relaxed.digits))
    bound, _ = run_passes([PassPlan.of(relaxed)])
    for threshold in THRESHOLDS:
        found = tree.sets_above(threshold, 2 * MOST_SETS, bound.marginal_des[0])
        if not len(found.belief_h):
            continue
        log_h = log_joint(arrays, found.element_hk, found.state_hk)
        log_evidence = float(np.logaddexp.reduce(log_h))
        share = float(np.exp(log_evidence - bound.log_evidence_d[0]))
        left_out = found.left_out / (found.left_out + share)
        if left_out <= ENOUGH or len(found.belief_h) >= MOST_SETS:
            break
    return replace(found, belief_h=np.exp(log_h - log_evidence), left_out=left_out), log_evidence


def _relaxed(prepared: Prepared) -> Prepared:
    """Drop digits until the pass over the rest is short."""
    digits = prepared.digits
    keep_g = np.zeros(len(digits), dtype=np.bool_)
    for digit in _most_different(digits):
        keep_g[digit] = True
        kept = digits.only(keep_g)
        keep_g[digit] = max(plan_route(kept).lengths(kept), default=1) <= RELAXED_LIMIT
    log_most_es, log_most = _most(digits.only(~keep_g))
    kept, level_q = digits.only(keep_g), prepared.level_q
    if not kept.by_level_g.any():
        log_most += float(np.log(level_q.sum()))
        level_q = np.ones(1)
    weight_des = prepared.weight_des * np.exp(log_most_es)
    return Prepared(weight_des, prepared.log_shift + log_most, level_q, kept)


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
