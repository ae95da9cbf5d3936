"""The most probable combinations of faults, found in the tree of partial assignments.

Going through the elements in the order of the pass, the backward message gives the exact share
of the posterior that all completions of a partial assignment have together. No completion has
more than that, so a branch below a threshold holds no set above it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapinfer.evidence.arrays import Arrays, FloatArray, IntArray, for_order
from swapinfer.posterior.axistree import AxisTree
from swapinfer.posterior.belief import Posterior
from swapinfer.posterior.joint import full_states, log_joint, log_joint_by_level
from swapinfer.posterior.levels import level_weights
from swapinfer.posterior.passes import route_of
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.relax import enumerate_sets
from swapinfer.posterior.route import BLOCK_LIMIT
from swapinfer.posterior.tree import BlockTree, Found

THRESHOLD_STEP = 5.0
"""Factor by which the threshold on a set's belief falls until enough is covered."""

SMALLEST_THRESHOLD = 1e-12
"""Sets below this belief are never looked for."""

SCOUTS = 12
"""Likeliest single faults that decide at which level node to search."""

MISSED = 0.02
"""Share of the posterior that may be missing before other level nodes are searched."""

MOST_NODES = 6
"""Level nodes searched then."""

WIDEST = 2
"""Most branches followed at a time, in multiples of the number of sets wanted."""


@dataclass(frozen=True, slots=True)
class FaultSets:
    """Combinations of faults, the most probable first; elements not named are good.

    Attributes
    ----------
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        The faulty elements of each set and their states, padded with -1.
    belief_h : ndarray of float, shape (fault set,)
        Posterior probability of each set, relative to all combinations there are.
    left_out : float
        Posterior probability of all other combinations together; an upper bound if the
        posterior was not exact, in which case beliefs are relative to what was enumerated.
    """

    element_hk: IntArray
    state_hk: IntArray
    belief_h: FloatArray
    left_out: float

    def states(self, n_elements: int) -> IntArray:
        """Return the state of every element, shape (fault set, element)."""
        return full_states(self.element_hk, self.state_hk, n_elements)


def fault_sets(
    arrays: Arrays, posterior: Posterior, cover: float = 0.999, limit: int = 5000
) -> FaultSets:
    """Find the most probable combinations of faults.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    posterior : Posterior
        Its posterior.
    cover : float, optional
        Share of the posterior to cover.
    limit : int, optional
        Most sets to return; where it cuts, `left_out` says how much is missing.

    Returns
    -------
    FaultSets
        Sets in order of falling belief. Without a shared level every set as probable as the last
        one is among them, unless `limit` cuts; with one, the sets cover what was asked for but
        a single set of lower belief may stand in for a more probable one.
    """
    if not posterior.exact:
        found = enumerate_sets(arrays, prepare(arrays, arrays.prior_es[None])).found
    elif arrays.level_q.size == 1:
        found = _search(arrays, cover, limit)
    else:
        found = _search_one_level(arrays, posterior, cover, limit)
        if found.left_out > max(1.0 - cover, MISSED):
            found = _search_other_levels(arrays, posterior, found, cover, limit)
        if found.left_out > 1.0 - cover and len(found.belief_h) < limit:
            found = _search(arrays, cover, limit)
    if posterior.exact and arrays.lot_z.size > 1:
        found = _weighed(arrays, posterior, found)
    order = _by_belief(found)
    count = min(limit, 1 + int(np.searchsorted(np.cumsum(found.belief_h[order]), cover)))
    kept = order[:count]
    element_hk, state_hk = found.padded(kept)
    return FaultSets(
        element_hk=element_hk,
        state_hk=state_hk,
        belief_h=found.belief_h[kept],
        left_out=min(1.0, float(found.belief_h[order[count:]].sum()) + found.left_out),
    )


def _by_belief(found: Found) -> IntArray:
    """Order sets by falling belief; equal ones by element and state."""
    element_hk, state_hk = found.padded(np.arange(len(found.belief_h)))
    with np.errstate(divide="ignore"):
        keys = (*state_hk.T[::-1], *element_hk.T[::-1], for_order(-np.log(found.belief_h)))
    order: IntArray = np.lexsort(keys)
    return order


def _search_one_level(arrays: Arrays, posterior: Posterior, cover: float, limit: int) -> Found:
    """Search at the level node that the likeliest single faults prefer, then weigh at all nodes.

    The search is far cheaper at one node. What it finds is weighed exactly, so that beliefs and
    what is left out are exact too, though a set that only another node makes likely may be among
    what is left out.
    """
    fault_es = posterior.marginal_es[:, 1:]
    scouts = np.argsort(-fault_es, axis=None)[:SCOUTS]
    element_h, state_h = np.unravel_index(scouts, fault_es.shape)
    log_qh = log_joint_by_level(arrays, element_h[:, None], state_h[:, None] + 1)
    node = int(np.logaddexp.reduce(log_qh, axis=1).argmax())
    if not np.isfinite(log_qh[node]).any():
        return _search(arrays, cover, limit)
    return _weighed(arrays, posterior, _search(arrays.at_level(node), cover, limit))


def _search_other_levels(
    arrays: Arrays, posterior: Posterior, found: Found, cover: float, limit: int
) -> Found:
    """Search also at the nodes where most is missing: what is likely there may be so there alone.

    Whether something that serves all cylinders upset them is such an unknown: several faults at
    once are likely where it did not, and cannot be seen where it did.
    """
    weight_q = level_weights(arrays)
    searched: set[int] = set()
    while len(searched) < MOST_NODES:
        every = np.arange(len(found.belief_h))
        log_qh = log_joint_by_level(arrays, *found.padded(every)) - posterior.log_evidence
        missing_q = weight_q - np.exp(np.logaddexp.reduce(log_qh, axis=1))
        node = int(missing_q.argmax())
        if node in searched or missing_q[node] <= max(1.0 - cover, MISSED) / arrays.level_q.size:
            break
        searched.add(node)
        more = _search(arrays.at_level(node), cover, limit)
        found = _weighed(arrays, posterior, _together(found, more))
        if found.left_out <= max(1.0 - cover, MISSED):
            break
    return found


def _together(first: Found, second: Found) -> Found:
    """Put what was found twice together, each set once."""
    column = np.argsort(second.element_l)[np.argsort(np.argsort(first.element_l))]
    state_hl = np.unique(np.vstack([first.state_hl, second.state_hl[:, column]]), axis=0)
    return replace(first, state_hl=state_hl, belief_h=np.zeros(len(state_hl)))


def _weighed(arrays: Arrays, posterior: Posterior, found: Found) -> Found:
    """Weigh sets that were found for simpler findings as they are."""
    every = np.arange(len(found.belief_h))
    belief_h = np.exp(log_joint(arrays, *found.padded(every)) - posterior.log_evidence)
    return replace(found, belief_h=belief_h, left_out=max(0.0, 1.0 - float(belief_h.sum())))


def _search(arrays: Arrays, cover: float, limit: int) -> Found:
    """Lower the threshold until enough is covered or enough sets are found."""
    tree = _plant(arrays)
    threshold = (1.0 - cover) / 20.0
    while True:
        found = tree.sets_above(threshold, WIDEST * limit)
        enough = found.belief_h.sum() >= cover or len(found.belief_h) >= limit
        if enough or threshold < SMALLEST_THRESHOLD:
            return found
        threshold /= THRESHOLD_STEP


def _plant(arrays: Arrays) -> BlockTree | AxisTree:
    prepared = prepare(arrays, arrays.prior_es[None])
    route = route_of(prepared)
    if route.order and route.size(prepared.digits) <= BLOCK_LIMIT:
        return BlockTree.of(prepared, route)
    return AxisTree.of(prepared, route_of(prepared, keep=False))
