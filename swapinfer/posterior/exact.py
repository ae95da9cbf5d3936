"""The posterior over every combination of faults."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from swapinfer.evidence.arrays import Arrays, FloatArray
from swapinfer.posterior.belief import PassStats, Posterior, PosteriorDraws
from swapinfer.posterior.passes import Plan, is_within_bound, run_passes
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.relax import enumerate_sets

IN_PARTS_LIMIT = 2**21
"""Entries of the longest message up to which a pass that is too long is made in parts, for some of
the level nodes at a time."""


def infer(arrays: Arrays, *, merge: bool = True) -> Posterior:
    """Compute the evidence and posterior marginals, exactly wherever that is in reach.

    Where more digits are open at once than the bound `swapinfer.posterior.passes.EXACT_LIMIT`
    allows, the most probable fault sets are enumerated instead, and the result says so.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    merge : bool, optional
        Whether equal terms share a digit; the answer is the same either way.

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
    prepared = prepare(arrays, arrays.prior_zes, merge=merge)
    plan = Plan.of(prepared)
    exact = is_within_bound(plan)
    if not exact and arrays.level_q.size > 1 and plan.longest <= IN_PARTS_LIMIT:
        return _in_parts(arrays, started, merge=merge)
    left_out = 0.0
    if exact:
        draws, largest = run_passes(plan)
        mixed = _over_lots(arrays, draws)
        log_evidence, marginal_es = float(mixed.log_evidence_d[0]), mixed.marginal_des[0]
    else:
        sets = enumerate_sets(arrays, prepare(arrays, arrays.prior_es[None], merge=merge))
        log_evidence, left_out = sets.log_evidence, sets.left_out
        marginal_es, largest = sets.marginals(arrays.prior_es.shape), len(sets.found.belief_h)
    stats = PassStats(
        terms=int(arrays.finding_t.size),
        digits=len(prepared.digits),
        largest=largest,
        seconds=time.perf_counter() - started,
    )
    return Posterior(log_evidence, marginal_es, exact, left_out, stats)


def _in_parts(arrays: Arrays, started: float, *, merge: bool) -> Posterior:
    """Infer for one half of the level nodes, then for the other, and mix what they say."""
    nodes = np.arange(arrays.level_q.size)
    halves = [nodes < nodes.size // 2, nodes >= nodes.size // 2]
    parts = [infer(arrays.at_nodes(kept_q), merge=merge) for kept_q in halves]
    log_h = np.array([part.log_evidence for part in parts])
    log_h += np.log([arrays.level_q[kept_q].sum() for kept_q in halves])
    log_evidence = float(np.logaddexp.reduce(log_h))
    weight_h = np.exp(log_h - log_evidence)
    marginal_es = sum(w * part.marginal_es for w, part in zip(weight_h, parts, strict=True))
    stats = replace(
        parts[0].stats,
        largest=sum(part.stats.largest for part in parts),
        seconds=time.perf_counter() - started,
    )
    left_out = float(weight_h @ [part.left_out for part in parts])
    exact = all(part.exact for part in parts)
    return Posterior(log_evidence, np.asarray(marginal_es), exact, left_out, stats)


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
    plan = Plan.of(prepare(arrays, (prior_des[:, None] * arrays.lot_zes).reshape(shape)))
    if is_within_bound(plan):
        return _over_lots(arrays, run_passes(plan)[0])
    one_by_one = [infer(arrays.with_prior(prior_es)) for prior_es in prior_des]
    return PosteriorDraws(
        np.array([one.log_evidence for one in one_by_one]),
        np.stack([one.marginal_es for one in one_by_one]),
    )


def _over_lots(arrays: Arrays, draws: PosteriorDraws) -> PosteriorDraws:
    """Mix what was found at the nodes of the lots, which are the inner axis of the draws."""
    n = len(arrays.lot_z)
    log_dz = draws.log_evidence_d.reshape(-1, n) + np.log(arrays.lot_z)
    log_evidence_d = np.logaddexp.reduce(log_dz, axis=1)
    weight_dz = np.exp(log_dz - log_evidence_d[:, None])
    marginal_dzes = draws.marginal_des.reshape(-1, n, *draws.marginal_des.shape[1:])
    return PosteriorDraws(log_evidence_d, np.einsum("dz,dzes->des", weight_dz, marginal_dzes))
