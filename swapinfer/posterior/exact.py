"""The posterior over every combination of faults, and the most probable of them."""

from __future__ import annotations

import time

import msgspec
import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import Arrays, FloatArray, for_order
from swapinfer.evidence.assemble import Evidence
from swapinfer.pack.model import Test
from swapinfer.posterior.bound import enumerate_sets, log_joint
from swapinfer.posterior.digits import prepare
from swapinfer.posterior.order import plan_route
from swapinfer.posterior.passes import PassPlan, PosteriorDraws, plan_passes, run_passes
from swapinfer.posterior.tree import FaultSets, Tree

EXACT_LIMIT = 2**24
"""Entries of all messages of an exact pass together, all nodes of the lots counted."""

THRESHOLD_STEP = 5.0
"""Factor by which the threshold on a set's belief falls until enough is covered."""

SMALLEST_THRESHOLD = 1e-12
"""Sets below this belief are never looked for."""

WIDEST = 2
"""Most branches followed at a time, in multiples of the number of sets wanted."""


class PassStats(msgspec.Struct, frozen=True):
    """What one inference took."""

    terms: int  # that the findings gave
    digits: int  # left after equal terms were merged and those of a single element became factors
    largest: int  # entries of the largest message or knot, level nodes included
    seconds: float  # wall time


class Posterior(msgspec.Struct, frozen=True, eq=False):
    """Belief about every element after the findings.

    Attributes
    ----------
    log_evidence : float
        Natural log of the probability (density) of all findings; a lower bound if not exact.
    marginal_es : ndarray of float, shape (element, state)
        Posterior probability of each state; rows sum to 1, unused states are 0.
    exact : bool
        False if the findings were too entangled and fault sets were enumerated instead.
    left_out : float
        Upper bound on the share of the posterior that was not looked at; 0 when exact. No
        probability of an inexact posterior is further than this from the exact one.
    stats : PassStats
        What it took.
    sets : FaultSets or None
        The fault sets that were enumerated, in no order; None when exact.
    """

    log_evidence: float
    marginal_es: FloatArray
    exact: bool
    left_out: float
    stats: PassStats
    sets: FaultSets | None = None

    @property
    def fault_e(self) -> FloatArray:
        """Probability that each element is in any state but good, summed without subtraction."""
        total: FloatArray = self.marginal_es[:, 1:].sum(axis=1)
        return total


def infer(arrays: Arrays) -> Posterior:
    """Compute the evidence and posterior marginals, exactly wherever that is in reach.

    Where the messages have more entries than `EXACT_LIMIT`, the most probable fault sets are
    enumerated instead, and the result says so.

    Raises
    ------
    EvidenceError
        If the findings have probability zero under every combination of states.
    """
    started = time.perf_counter()
    plans = plan_passes(prepare(arrays, arrays.prior_zes))
    sets, left_out = None, 0.0
    if _is_in_reach(arrays, plans):
        draws, largest = run_passes(plans)
        mixed = _over_lots(arrays, draws)
        log_evidence, marginal_es = float(mixed.log_evidence_d[0]), mixed.marginal_des[0]
    else:
        sets, log_evidence = enumerate_sets(arrays, prepare(arrays, arrays.prior_es[None]))
        marginal_es, largest = sets.marginals(arrays.prior_es.shape), len(sets.belief_h)
        left_out = sets.left_out
    seconds = time.perf_counter() - started
    stats = PassStats(arrays.finding_t.size, len(plans[0].prepared.digits), largest, seconds)
    return Posterior(log_evidence, marginal_es, sets is None, left_out, stats, sets)


def infer_draws(arrays: Arrays, prior_des: FloatArray) -> PosteriorDraws:
    """Compute the exact posterior under every prior of a batch, all in one pass.

    The priors have shape (draw, element, state); that of the arrays is not used.

    Raises
    ------
    EvidenceError
        If the findings have probability zero under every combination of states.
    """
    shape = (-1, *prior_des.shape[1:])
    plans = plan_passes(prepare(arrays, (prior_des[:, None] * arrays.lot_zes).reshape(shape)))
    if _is_in_reach(arrays, plans):
        return _over_lots(arrays, run_passes(plans)[0])
    one_by_one = [infer(replace(arrays, prior_es=prior_es)) for prior_es in prior_des]
    return PosteriorDraws(
        np.array([one.log_evidence for one in one_by_one]),
        np.stack([one.marginal_es for one in one_by_one]),
    )


def _is_in_reach(arrays: Arrays, plans: list[PassPlan]) -> bool:
    """Whether a pass for one prior is short enough."""
    return len(arrays.lot_z) * sum(plan.entries for plan in plans) <= EXACT_LIMIT


def _over_lots(arrays: Arrays, draws: PosteriorDraws) -> PosteriorDraws:
    """Mix what was found at the nodes of the lots, which are the inner axis of the draws."""
    n = len(arrays.lot_z)
    log_dz = draws.log_evidence_d.reshape(-1, n) + np.log(arrays.lot_z)
    log_evidence_d = np.logaddexp.reduce(log_dz, axis=1)
    weight_dz = np.exp(log_dz - log_evidence_d[:, None])
    marginal_dzes = draws.marginal_des.reshape(-1, n, *draws.marginal_des.shape[1:])
    return PosteriorDraws(log_evidence_d, np.einsum("dz,dzes->des", weight_dz, marginal_dzes))


def level_weights(arrays: Arrays) -> FloatArray:
    """Compute the posterior weights of the level's nodes, shape (level node,).

    In one pass where it is exact, else from the evidence at each.
    """
    if arrays.level_q.size == 1:
        return np.ones(1)
    plans = plan_passes(prepare(arrays, arrays.prior_zes))
    is_wide = all(plan.route.is_wide for plan in plans)
    if is_wide and sum(plan.entries for plan in plans) <= EXACT_LIMIT:
        log_kz = np.stack([plan.run()[0] for plan in plans]) + np.log(arrays.lot_z)
        share_kz = np.exp(log_kz - np.logaddexp.reduce(log_kz, axis=None))
        node_kzq = np.stack([plan.sweep(slice(None))[0].by_node() for plan in plans])
        found: FloatArray = np.einsum("kz,kzq->q", share_kz, np.nan_to_num(node_kzq))
        return found
    nodes = np.arange(arrays.level_q.size)
    log_at_q = [infer(arrays.at_nodes(nodes == q)).log_evidence for q in nodes]
    log_q = np.log(arrays.level_q) + log_at_q
    weight_q: FloatArray = np.exp(log_q - np.logaddexp.reduce(log_q))
    return weight_q


def usual_reading(evidence: Evidence, test: Test) -> float | None:
    """Say what a sound one is expected to show, all findings considered.

    In the unit of a test that is relative to a level; None where nothing tells it.
    """
    told = evidence.telling(test)
    return told.usual(test, level_weights(told.arrays))


def fault_sets(
    arrays: Arrays, posterior: Posterior, cover: float = 0.999, limit: int = 5000
) -> FaultSets:
    """Find the most probable combinations of faults, in order of falling belief.

    Parameters
    ----------
    arrays, posterior : Arrays, Posterior
        Findings as arrays, and their posterior.
    cover : float, optional
        Share of the posterior to cover.
    limit : int, optional
        Most sets to return; where it cuts, `left_out` says how much is missing. Otherwise every
        set as probable as the last one is among them.
    """
    found = posterior.sets or _search(arrays, posterior, cover, limit)
    with np.errstate(divide="ignore"):
        falling_h = for_order(-np.log(found.belief_h))
    order = np.lexsort((*found.state_hk.T[::-1], *found.element_hk.T[::-1], falling_h))
    count = min(limit, 1 + int(np.searchsorted(np.cumsum(found.belief_h[order]), cover)))
    kept, cut = order[:count], order[count:]
    n_faults = int((found.element_hk[kept] >= 0).sum(axis=1).max(initial=0))
    return FaultSets(
        element_hk=found.element_hk[kept, :n_faults],
        state_hk=found.state_hk[kept, :n_faults],
        belief_h=found.belief_h[kept],
        left_out=min(1.0, float(found.belief_h[cut].sum()) + found.left_out),
    )


def _search(arrays: Arrays, posterior: Posterior, cover: float, limit: int) -> FaultSets:
    """Lower the threshold until enough is covered or enough sets are found.

    In each case its part of the posterior is taken as the whole.
    """
    prepared = prepare(arrays, arrays.prior_es[None])
    cases = [plan.prepared for plan in plan_passes(prepared)]
    routes = [plan_route(case.digits) for case in cases]
    entries = [sum(r.lengths(case.digits)) for r, case in zip(routes, cases, strict=True)]
    if sum(entries) > EXACT_LIMIT:
        return _weighed(arrays, posterior, [enumerate_sets(arrays, prepared)[0]])
    trees = [Tree.of(case, route) for case, route in zip(cases, routes, strict=True)]
    threshold = (1.0 - cover) / 100.0
    while True:
        sets = []
        for tree in trees:
            possible_es = tree.sweep.prepared.weight_des[0] > 0
            part = float((posterior.marginal_es * possible_es).sum(axis=1).min())
            chance_es = posterior.marginal_es / part
            sets.append(tree.sets_above(threshold / part, WIDEST * limit, chance_es))
        found = _weighed(arrays, posterior, sets)
        enough = found.left_out <= 1.0 - cover or len(found.belief_h) >= limit
        if enough or threshold < SMALLEST_THRESHOLD:
            return found
        threshold /= THRESHOLD_STEP


def _weighed(arrays: Arrays, posterior: Posterior, sets: list[FaultSets]) -> FaultSets:
    """Put the sets of all cases together, and weigh them as they are."""
    width = max(one.element_hk.shape[1] for one in sets)
    element_hk, state_hk = (
        np.concatenate(
            [np.pad(a_hk, ((0, 0), (0, width - a_hk.shape[1])), constant_values=-1) for a_hk in of]
        )
        for of in ([one.element_hk for one in sets], [one.state_hk for one in sets])
    )
    belief_h = np.exp(log_joint(arrays, element_hk, state_hk) - posterior.log_evidence)
    return FaultSets(element_hk, state_hk, belief_h, max(0.0, 1.0 - float(belief_h.sum())))
