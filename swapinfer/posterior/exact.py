"""The posterior over every combination of faults."""

from __future__ import annotations

import time

import msgspec
import numpy as np
from msgspec.structs import replace

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import Arrays, FloatArray, IntArray
from swapinfer.evidence.assemble import Evidence
from swapinfer.pack.model import Test
from swapinfer.posterior.belief import PassStats, Posterior, PosteriorDraws
from swapinfer.posterior.bound import enumerate_sets
from swapinfer.posterior.digits import IMPOSSIBLE, Prepared, prepare
from swapinfer.posterior.knots import CLIMB_LIMIT, Bundle, Knots, tie_knots
from swapinfer.posterior.order import Route, plan_route
from swapinfer.posterior.sweep import Sweep

EXACT_LIMIT = 2**24
"""Entries of all messages of an exact pass together, all nodes of the lots counted."""

WORTH_SUPPOSING = 2**17
"""Entries from which it may pay to suppose in turn what an element does."""

CHUNK = 2**21
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


class PassPlan(msgspec.Struct, frozen=True, eq=False):
    """Which elements are tied into knots, and the route of these and the others.

    Attributes
    ----------
    prepared : Prepared
        What is planned for.
    knots : list of list of Bundle
        Elements that mind no order, bundle by bundle.
    elements : ndarray of int, shape (other element,)
        The other elements that reach any digit.
    rest : Prepared
        The knots as elements, and after them the others.
    route : Route
        Of the rest.
    entries : int
        Entries of all messages of the pass together.
    """

    prepared: Prepared
    knots: list[list[Bundle]]
    elements: IntArray
    rest: Prepared
    route: Route
    entries: int

    @classmethod
    def of(cls, prepared: Prepared) -> PassPlan:
        """Tie the elements that mind no order, and plan a route."""
        digits = prepared.digits
        reaching_e = np.asarray(digits.reach_ge.any(axis=0))
        free_e = np.asarray(reaching_e & ~digits.reach_ge[digits.strict_g].any(axis=0))
        knots, left = tie_knots(digits, free_e)
        others_e = reaching_e & ~free_e
        others_e[left] = True
        elements = np.flatnonzero(others_e)
        reached = [sorted({g for one in knot for g in one.digits}) for knot in knots]
        rest = prepared.tied(reached, elements)
        route = plan_route(rest.digits)
        return cls(prepared, knots, elements, rest, route, sum(route.lengths(rest.digits)))


def plan_passes(prepared: Prepared) -> list[PassPlan]:
    """PassPlan one pass, or one for each case of an element that comes first on many digits."""
    plan = PassPlan.of(prepared)
    if plan.entries <= WORTH_SUPPOSING:
        return [plan]
    plans = [PassPlan.of(case) for case in prepared.cases()]
    return plans if sum(one.entries for one in plans) < plan.entries else [plan]


def _is_in_reach(arrays: Arrays, plans: list[PassPlan]) -> bool:
    """Whether a pass for one prior is short enough."""
    return len(arrays.lot_z) * sum(plan.entries for plan in plans) <= EXACT_LIMIT


def infer(arrays: Arrays) -> Posterior:
    """Compute the evidence and posterior marginals, exactly wherever that is in reach.

    Where the messages have more entries than `EXACT_LIMIT`, the most probable fault sets are
    enumerated instead, and the result says so.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.

    Returns
    -------
    Posterior
        Evidence, marginals and what they took.

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
    stats = PassStats(
        terms=int(arrays.finding_t.size),
        digits=len(plans[0].prepared.digits),
        largest=largest,
        seconds=time.perf_counter() - started,
    )
    return Posterior(log_evidence, marginal_es, sets is None, left_out, stats, sets)


def infer_draws(arrays: Arrays, prior_des: FloatArray) -> PosteriorDraws:
    """Compute the exact posterior under every prior of a batch, all in one pass.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays; its own prior is not used.
    prior_des : ndarray of float, shape (draw, element, state)
        Priors; rows sum to 1.

    Returns
    -------
    PosteriorDraws
        Evidence and marginals of each draw.

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


def level_weights(arrays: Arrays) -> FloatArray:
    """Compute the posterior weights of the level's nodes.

    In one pass where it is exact, else from the evidence at each.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.

    Returns
    -------
    ndarray of float, shape (level node,)
        Adds up to 1.
    """
    if arrays.level_q.size == 1:
        return np.ones(1)
    plans = plan_passes(prepare(arrays, arrays.prior_zes))
    is_wide = all(plan.route.is_wide for plan in plans)
    if is_wide and sum(plan.entries for plan in plans) <= EXACT_LIMIT:
        log_kz = np.stack([_run_chunks(plan)[0] for plan in plans]) + np.log(arrays.lot_z)
        share_kz = np.exp(log_kz - np.logaddexp.reduce(log_kz, axis=None))
        node_kzq = np.stack([_sweep(plan, slice(None))[0].by_node() for plan in plans])
        found: FloatArray = np.einsum("kz,kzq->q", share_kz, np.nan_to_num(node_kzq))
        return found
    nodes = np.arange(arrays.level_q.size)
    log_at_q = [infer(arrays.at_nodes(nodes == q)).log_evidence for q in nodes]
    log_q = np.log(arrays.level_q) + log_at_q
    weight_q: FloatArray = np.exp(log_q - np.logaddexp.reduce(log_q))
    return weight_q


def usual_reading(evidence: Evidence, test: Test) -> float | None:
    """Say what a sound one is expected to show, all findings considered.

    Parameters
    ----------
    evidence : Evidence
        Of a job.
    test : Test
        A reading that is relative to a level.

    Returns
    -------
    float or None
        In the test's unit; None where nothing tells it.
    """
    told = evidence.telling(test)
    return told.usual(test, level_weights(told.arrays))


def run_passes(plans: list[PassPlan]) -> tuple[PosteriorDraws, int]:
    """Go forward and back as planned, and add up the cases.

    Returns
    -------
    draws : PosteriorDraws
        Evidence and marginals of every draw.
    largest : int
        Entries of the largest message of a draw.

    Raises
    ------
    EvidenceError
        If the findings have probability zero under every combination of states.
    """
    cases = [_run_chunks(plan) for plan in plans]
    log_kd = np.stack([log_d for log_d, _, _ in cases])
    log_d: FloatArray = np.logaddexp.reduce(log_kd)
    if not np.isfinite(log_d).all():
        raise EvidenceError(IMPOSSIBLE)
    share_kd = np.exp(log_kd - log_d)
    marginal_des = np.zeros(cases[0][1].shape)
    for share_d, (_, meet_des, _) in zip(share_kd, cases, strict=True):
        meet_des[share_d == 0.0] = 1.0
        marginal_des += meet_des * (share_d[:, None] / meet_des.sum(axis=2))[..., None]
    return PosteriorDraws(log_d, marginal_des), sum(largest for _, _, largest in cases)


def _run_chunks(plan: PassPlan) -> tuple[FloatArray, FloatArray, int]:
    """Run a pass for all draws, as many at a time as fit.

    Returns
    -------
    log_evidence_d, meet_des, largest
        As of `_run`, the evidence of all elements.
    """
    weight_des = plan.prepared.weight_des
    reached_e = plan.prepared.digits.reach_ge.any(axis=0)
    with np.errstate(divide="ignore"):
        log_evidence_d = np.log(weight_des[:, ~reached_e].sum(axis=2)).sum(axis=1)
    log_evidence_d += plan.prepared.log_shift
    if not reached_e.any():
        return log_evidence_d, weight_des.copy(), 1
    by_state = plan.entries * weight_des.shape[2]
    chunk = max(1, CHUNK // (by_state + CLIMB_LIMIT * sum(len(knot) for knot in plan.knots)))
    parts = [_run(plan, slice(d, d + chunk)) for d in range(0, len(weight_des), chunk)]
    log_z_d, meet_des = (np.concatenate(part) for part in list(zip(*parts, strict=True))[:2])
    return log_evidence_d + log_z_d, meet_des, parts[0][2]


def _run(plan: PassPlan, draws: slice) -> tuple[FloatArray, FloatArray, int]:
    """Run the pass for some of the draws.

    Returns
    -------
    log_z_d : ndarray of float, shape (draw,)
        Natural log of the total weight of the elements that reach a digit.
    meet_des : ndarray of float, shape (draw, element, state)
        Weight of each state with everything else summed out, up to a factor of each element.
    largest : int
        Entries of the largest message or knot of a draw.
    """
    meet_des, n_knots = plan.prepared.weight_des[draws].copy(), len(plan.knots)
    with np.errstate(divide="ignore", invalid="ignore"):
        sweep, knots = _sweep(plan, draws)
        log_z_d, meet_p, largest = sweep.run()
        met = dict(zip(plan.route.order, meet_p, strict=True))
        if knots.knots:
            log_z_d += knots.log_scale_d
            largest = max(largest, *(knot.lattice.length for knot in knots.knots))
            knots.hand_down([met[k] for k in range(n_knots)], meet_des)
    for e, element in enumerate(plan.elements.tolist(), start=n_knots):
        meet_des[:, element] = 0.0
        meet_des[:, element, : met[e].shape[1]] = met[e]
    return log_z_d, meet_des, largest


def _sweep(plan: PassPlan, draws: slice) -> tuple[Sweep, Knots]:
    """Lay the pass out for some of the draws, and what is tied up ahead of it."""
    rest = replace(plan.rest, weight_des=plan.rest.weight_des[draws])
    with np.errstate(divide="ignore", invalid="ignore"):
        knots = Knots.of(plan.prepared.digits, plan.knots, plan.prepared.weight_des[draws])
        return Sweep.of(rest, plan.route, knots.knots), knots


def _over_lots(arrays: Arrays, draws: PosteriorDraws) -> PosteriorDraws:
    """Mix what was found at the nodes of the lots, which are the inner axis of the draws."""
    n = len(arrays.lot_z)
    log_dz = draws.log_evidence_d.reshape(-1, n) + np.log(arrays.lot_z)
    log_evidence_d = np.logaddexp.reduce(log_dz, axis=1)
    weight_dz = np.exp(log_dz - log_evidence_d[:, None])
    marginal_dzes = draws.marginal_des.reshape(-1, n, *draws.marginal_des.shape[1:])
    return PosteriorDraws(log_evidence_d, np.einsum("dz,dzes->des", weight_dz, marginal_dzes))
