"""The exact posterior over every combination of faults, by one pass each way."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.problem import FloatArray, Problem
from swapinfer.posterior.blocks import BlockPass
from swapinfer.posterior.prepare import IMPOSSIBLE, Prepared, prepare
from swapinfer.posterior.route import BLOCK_LIMIT, Route, plan_route
from swapinfer.posterior.sweep import Sweep

CHUNK = 2**22
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


@dataclass(frozen=True, slots=True)
class PassStats:
    """What one inference took.

    Attributes
    ----------
    terms : int
        Terms of the problem.
    digits : int
        Digits left after equal terms were merged.
    largest : int
        Entries of the largest message, all level nodes together.
    seconds : float
        Wall time.
    """

    terms: int
    digits: int
    largest: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Belief about every element after the findings.

    Attributes
    ----------
    log_evidence : float
        Natural log of the probability (density) of all findings.
    marginal_es : ndarray of float, shape (element, state)
        Posterior probability of each state; rows sum to 1, unused states are 0.
    exact : bool
        False if the findings were too entangled and fault sets were enumerated instead.
    left_out : float
        Upper bound on the share of the posterior that was not looked at; 0 when exact.
    stats : PassStats
        What it took.
    """

    log_evidence: float
    marginal_es: FloatArray
    exact: bool
    left_out: float
    stats: PassStats

    @property
    def fault_e(self) -> FloatArray:
        """Probability that each element is in any state but good, summed without subtraction."""
        total: FloatArray = self.marginal_es[:, 1:].sum(axis=1)
        return total


@dataclass(frozen=True, slots=True)
class PosteriorDraws:
    """Belief under each of a batch of priors.

    Attributes
    ----------
    log_evidence_d : ndarray of float, shape (draw,)
        Natural log of the evidence.
    marginal_des : ndarray of float, shape (draw, element, state)
        Posterior probability of each state.
    """

    log_evidence_d: FloatArray
    marginal_des: FloatArray


def infer(problem: Problem, *, merge: bool = True) -> Posterior:
    """Compute the exact evidence and posterior marginals.

    Parameters
    ----------
    problem : Problem
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
    prepared = prepare(problem, problem.prior_es[None], merge=merge)
    draws, largest = _infer_batch(prepared)
    return Posterior(
        log_evidence=float(draws.log_evidence_d[0]),
        marginal_es=draws.marginal_des[0],
        exact=True,
        left_out=0.0,
        stats=PassStats(
            terms=int(problem.finding_t.size),
            digits=len(prepared.digits),
            largest=largest,
            seconds=time.perf_counter() - started,
        ),
    )


def infer_draws(problem: Problem, prior_des: FloatArray) -> PosteriorDraws:
    """Compute the exact posterior under every prior of a batch, all in one pass.

    Parameters
    ----------
    problem : Problem
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
    draws, _ = _infer_batch(prepare(problem, prior_des))
    return draws


def _infer_batch(prepared: Prepared) -> tuple[PosteriorDraws, int]:
    weight_des = prepared.weight_des
    route = plan_route(prepared.digits, (weight_des > 0).any(axis=0).sum(axis=1))
    passed = list(route.order)
    total_de = weight_des.sum(axis=2)
    marginal_des = weight_des / total_de[:, :, None]
    total_de[:, passed] = 1.0
    log_evidence_d = np.log(total_de).sum(axis=1) + prepared.log_shift
    largest = 1
    if passed:
        log_z_d, meet_dps, largest = _run(prepared, route)
        log_evidence_d += log_z_d
        marginal_des[:, passed] = meet_dps / meet_dps.sum(axis=2, keepdims=True)
    if not np.isfinite(log_evidence_d).all():
        raise EvidenceError(IMPOSSIBLE)
    return PosteriorDraws(log_evidence_d, marginal_des), largest


def _run(prepared: Prepared, route: Route) -> tuple[FloatArray, FloatArray, int]:
    """Run the pass that suits the route, draws in chunks that fit in memory."""
    passes = BlockPass if route.size(prepared.digits) <= BLOCK_LIMIT else Sweep
    chunk = max(1, CHUNK // (route.size(prepared.digits) * len(route.order)))
    parts = []
    for start in range(0, len(prepared.weight_des), chunk):
        weight_des = prepared.weight_des[start : start + chunk]
        one = passes.of(prepared.digits, route, weight_des, prepared.level_q)
        parts.append(one.run())
    log_z_d, meet_dps = (np.concatenate(part) for part in zip(*parts, strict=True))
    return log_z_d, meet_dps, one.largest
