"""The most probable combinations of faults."""

from __future__ import annotations

import numpy as np

from swapinfer.evidence.arrays import Arrays, IntArray, for_order
from swapinfer.posterior.belief import FaultSets, Posterior
from swapinfer.posterior.bound import enumerate_sets
from swapinfer.posterior.digits import prepare
from swapinfer.posterior.exact import EXACT_LIMIT, plan_passes
from swapinfer.posterior.joint import log_joint
from swapinfer.posterior.order import plan_route
from swapinfer.posterior.tree import Tree

THRESHOLD_STEP = 5.0
"""Factor by which the threshold on a set's belief falls until enough is covered."""

SMALLEST_THRESHOLD = 1e-12
"""Sets below this belief are never looked for."""

WIDEST = 2
"""Most branches followed at a time, in multiples of the number of sets wanted."""


def fault_sets(
    arrays: Arrays, posterior: Posterior, cover: float = 0.999, limit: int = 5000
) -> FaultSets:
    """Find the most probable combinations of faults.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    posterior : Posterior
        Their posterior.
    cover : float, optional
        Share of the posterior to cover.
    limit : int, optional
        Most sets to return; where it cuts, `left_out` says how much is missing.

    Returns
    -------
    FaultSets
        Sets in order of falling belief. Every set as probable as the last one is among them,
        unless `limit` cuts.
    """
    found = posterior.sets or _search(arrays, posterior, cover, limit)
    order = _by_belief(found)
    count = min(limit, 1 + int(np.searchsorted(np.cumsum(found.belief_h[order]), cover)))
    kept, cut = order[:count], order[count:]
    n_faults = int((found.element_hk[kept] >= 0).sum(axis=1).max(initial=0))
    return FaultSets(
        element_hk=found.element_hk[kept, :n_faults],
        state_hk=found.state_hk[kept, :n_faults],
        belief_h=found.belief_h[kept],
        left_out=min(1.0, float(found.belief_h[cut].sum()) + found.left_out),
    )


def _by_belief(found: FaultSets) -> IntArray:
    """Order sets by falling belief; equal ones by element and state."""
    with np.errstate(divide="ignore"):
        falling_h = for_order(-np.log(found.belief_h))
    order: IntArray = np.lexsort((*found.state_hk.T[::-1], *found.element_hk.T[::-1], falling_h))
    return order


def _search(arrays: Arrays, posterior: Posterior, cover: float, limit: int) -> FaultSets:
    """Lower the threshold until enough is covered or enough sets are found."""
    prepared = prepare(arrays, arrays.prior_es[None])
    cases = [plan.prepared for plan in plan_passes(prepared)]
    routes = [plan_route(case.digits) for case in cases]
    entries = [sum(r.lengths(case.digits)) for r, case in zip(routes, cases, strict=True)]
    if sum(entries) > EXACT_LIMIT:
        return _weighed(arrays, posterior, [enumerate_sets(arrays, prepared)[0]])
    trees = [Tree.of(case, route) for case, route in zip(cases, routes, strict=True)]
    threshold = (1.0 - cover) / 100.0
    while True:
        sets = [_of_case(tree, threshold, WIDEST * limit, posterior) for tree in trees]
        found = _weighed(arrays, posterior, sets)
        enough = found.left_out <= 1.0 - cover or len(found.belief_h) >= limit
        if enough or threshold < SMALLEST_THRESHOLD:
            return found
        threshold /= THRESHOLD_STEP


def _weighed(arrays: Arrays, posterior: Posterior, sets: list[FaultSets]) -> FaultSets:
    """Put the sets of all cases together, and weigh them as they are."""
    width = max(one.element_hk.shape[1] for one in sets)
    element_hk = np.concatenate([_padded(one.element_hk, width) for one in sets])
    state_hk = np.concatenate([_padded(one.state_hk, width) for one in sets])
    belief_h = np.exp(log_joint(arrays, element_hk, state_hk) - posterior.log_evidence)
    return FaultSets(element_hk, state_hk, belief_h, max(0.0, 1.0 - float(belief_h.sum())))


def _of_case(tree: Tree, threshold: float, widest: int, posterior: Posterior) -> FaultSets:
    """Search one case, its part of the posterior taken as the whole."""
    possible_es = tree.prepared.weight_des[0] > 0
    part = float((posterior.marginal_es * possible_es).sum(axis=1).min())
    return tree.sets_above(threshold / part, widest, posterior.marginal_es / part)


def _padded(index_hk: IntArray, width: int) -> IntArray:
    """Widen padded sets."""
    return np.pad(index_hk, ((0, 0), (0, width - index_hk.shape[1])), constant_values=-1)
