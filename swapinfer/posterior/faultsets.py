"""The most probable combinations of faults, found in the tree of partial assignments.

Going through the elements in the order of the pass, the backward message gives the exact share
of the posterior that all completions of a partial assignment have together. No completion has
more than that, so a branch below a threshold holds no set above it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray, Problem
from swapinfer.posterior.axistree import AxisTree
from swapinfer.posterior.exact import Posterior
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.route import BLOCK_LIMIT, plan_route
from swapinfer.posterior.tree import BlockTree

THRESHOLD_STEP = 5.0
"""Factor by which the threshold on a set's belief falls until enough is covered."""

SMALLEST_THRESHOLD = 1e-12
"""Sets below this belief are never looked for."""

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
        Posterior probability of all other combinations together.
    """

    element_hk: IntArray
    state_hk: IntArray
    belief_h: FloatArray
    left_out: float

    def states(self, n_elements: int) -> IntArray:
        """Return the state of every element, shape (fault set, element)."""
        return full_states(self.element_hk, self.state_hk, n_elements)


def full_states(element_hk: IntArray, state_hk: IntArray, n_elements: int) -> IntArray:
    """Spread padded fault sets to the state of every element, shape (fault set, element)."""
    state_he = np.zeros((len(element_hk), n_elements), dtype=np.int64)
    row, place = np.nonzero(element_hk >= 0)
    state_he[row, element_hk[row, place]] = state_hk[row, place]
    return state_he


def log_joint(problem: Problem, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Return the log weight of fault sets jointly with all findings.

    Parameters
    ----------
    problem : Problem
        Findings as arrays.
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        As in `FaultSets`.

    Returns
    -------
    ndarray of float, shape (fault set,)
        Natural log of prior times probability of the findings; ``-inf`` where impossible.
    """
    n_elements = len(problem.elements)
    state_he = full_states(element_hk, state_hk, n_elements)
    with np.errstate(divide="ignore"):
        log_es = np.log(problem.prior_es) + problem.log_factor_nes.sum(axis=0)
    log_h = log_es[np.arange(n_elements), state_he].sum(axis=1)
    open_ht = np.ones((len(state_he), problem.finding_t.size))
    explained_qht = np.zeros((problem.level_q.size, *open_ht.shape))
    for element in range(n_elements):
        state_h = state_he[:, element]
        explain_qht = problem.explain_qtes[:, :, element, state_h].swapaxes(1, 2)
        explained_qht *= problem.explained_tes[:, element, state_h].T
        explained_qht += open_ht * explain_qht
        open_ht *= problem.open_tes[:, element, state_h].T
    close_qt2 = problem.close_qt2[:, None]
    closed_qht = open_ht * close_qt2[..., 0] + explained_qht * close_qt2[..., 1]
    with np.errstate(divide="ignore"):
        log_qh = np.log(closed_qht).sum(axis=2) + np.log(problem.level_q)[:, None]
    found: FloatArray = log_h + np.logaddexp.reduce(log_qh, axis=0)
    return found


def fault_sets(
    problem: Problem, posterior: Posterior, cover: float = 0.999, limit: int = 5000
) -> FaultSets:
    """Find the most probable combinations of faults.

    Parameters
    ----------
    problem : Problem
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
        Sets in order of falling belief. Every set above the threshold of the search is among
        them unless `limit` cuts.
    """
    tree = _plant(problem, posterior)
    threshold = (1.0 - cover) / 20.0
    while True:
        found = tree.sets_above(threshold, WIDEST * limit)
        enough = found.belief_h.sum() >= cover or len(found.belief_h) >= limit
        if enough or threshold < SMALLEST_THRESHOLD:
            break
        threshold /= THRESHOLD_STEP
    order = np.argsort(-found.belief_h, kind="stable")
    count = min(limit, 1 + int(np.searchsorted(np.cumsum(found.belief_h[order]), cover)))
    kept = order[:count]
    element_hk, state_hk = found.padded(kept)
    return FaultSets(
        element_hk=element_hk,
        state_hk=state_hk,
        belief_h=found.belief_h[kept],
        left_out=float(found.belief_h[order[count:]].sum()) + found.left_out,
    )


def _plant(problem: Problem, posterior: Posterior) -> BlockTree | AxisTree:
    prepared = prepare(problem, problem.prior_es[None])
    n_states_e = (problem.prior_es > 0).sum(axis=1)
    route = plan_route(prepared.digits, n_states_e)
    if route.order and route.size(prepared.digits) <= BLOCK_LIMIT:
        return BlockTree.of(prepared, route)
    route = plan_route(prepared.digits, n_states_e, keep=False)
    return AxisTree.of(prepared, route, posterior.marginal_es, posterior.log_evidence)
