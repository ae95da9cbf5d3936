"""The exact posterior over every combination of faults, by one pass each way."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.problem import FloatArray, Problem
from swapinfer.posterior.digits import Digits, merge_terms
from swapinfer.posterior.sweep import Step, lay_out, pull, push


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
    digits = merge_terms(problem, problem.prior_es > 0, merge=merge)
    log_evidence_d, marginal_des, largest = _infer_batch(problem, digits, problem.prior_es[None])
    return Posterior(
        log_evidence=float(log_evidence_d[0]),
        marginal_es=marginal_des[0],
        exact=True,
        left_out=0.0,
        stats=PassStats(
            terms=int(problem.finding_t.size),
            digits=int(digits.count_g.size),
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
    digits = merge_terms(problem, (prior_des > 0).any(axis=0))
    log_evidence_d, marginal_des, _ = _infer_batch(problem, digits, prior_des)
    return PosteriorDraws(log_evidence_d, marginal_des)


def _infer_batch(
    problem: Problem, digits: Digits, prior_des: FloatArray
) -> tuple[FloatArray, FloatArray, int]:
    weight_des, log_shift = scaled_weights(problem, prior_des)
    steps = lay_out(digits, list(range(len(problem.elements))))
    log_q = np.log(problem.level_q) + log_untouched(digits)
    log_z_dq, messages = _forward(steps, weight_des, problem.level_q.size)
    meet_dqes = _backward(steps, weight_des, messages)
    log_joint_dq = log_z_dq + log_q
    log_shift_d = log_joint_dq.max(axis=1)
    with np.errstate(invalid="ignore"):
        level_dq = np.exp(log_joint_dq - log_shift_d[:, None])
    passed = [step.element for step in steps]
    total_de = weight_des.sum(axis=2)
    untouched = np.setdiff1d(np.arange(total_de.shape[1]), passed)
    with np.errstate(divide="ignore"):
        log_alone_d = np.log(total_de[:, untouched]).sum(axis=1)
        log_evidence_d = np.log(level_dq.sum(axis=1)) + log_shift_d + log_alone_d + log_shift
    if not np.isfinite(log_evidence_d).all():
        raise EvidenceError("the findings have probability zero under every combination of faults")
    marginal_des = weight_des / total_de[:, :, None]
    share_dq = level_dq / level_dq.sum(axis=1, keepdims=True)
    meet_dqes /= np.maximum(meet_dqes.sum(axis=3, keepdims=True), np.finfo(float).tiny)
    marginal_des[:, passed] = np.einsum("dq,dqes->des", share_dq, meet_dqes)
    largest = max((message.shape[1] * message.shape[2] for message in messages), default=0)
    return log_evidence_d, marginal_des, largest


def scaled_weights(problem: Problem, prior_des: FloatArray) -> tuple[FloatArray, float]:
    """Return prior times factors, each element's largest factor taken out, and the log of those.

    Returns
    -------
    weight_des : ndarray of float, shape (draw, element, state)
        Weights.
    log_shift : float
        Natural log of the factor taken out of all elements together.
    """
    log_factor_es = problem.log_factor_nes.sum(axis=0)
    used_es = (prior_des > 0).any(axis=0)
    shift_e = np.where(used_es, log_factor_es, -np.inf).max(axis=1)
    if not np.isfinite(shift_e).all():
        raise EvidenceError("the findings have probability zero under every combination of faults")
    factor_es = np.exp(np.where(used_es, log_factor_es - shift_e[:, None], -np.inf))
    return prior_des * factor_es, float(shift_e.sum())


def log_untouched(digits: Digits) -> FloatArray:
    """Return the log weight of the digits that no element reaches, shape (level node,)."""
    alone = ~digits.reach_ge.any(axis=1)
    with np.errstate(divide="ignore"):
        log_close_qg = np.log(digits.close_qg2[:, alone, 0])
    total: FloatArray = log_close_qg @ digits.count_g[alone].astype(float)
    return total


def _forward(
    steps: list[Step], weight_des: FloatArray, n_levels: int
) -> tuple[FloatArray, list[FloatArray]]:
    n_draws = weight_des.shape[0]
    message = np.ones((n_draws, n_levels, 1))
    log_z_dq = np.zeros((n_draws, n_levels))
    messages = [message]
    for step in steps:
        message, scale_dq = _rescaled(push(step, message, weight_des[:, step.element]))
        with np.errstate(divide="ignore"):
            log_z_dq += np.log(scale_dq)
        messages.append(message)
    return log_z_dq, messages


def _backward(steps: list[Step], weight_des: FloatArray, messages: list[FloatArray]) -> FloatArray:
    message = np.ones_like(messages[-1])
    meets = []
    for step, earlier in zip(reversed(steps), reversed(messages[:-1]), strict=True):
        total, meet_dqs = pull(step, message, weight_des[:, step.element], earlier)
        message, _ = _rescaled(total)
        meets.append(meet_dqs)
    shape = (*messages[0].shape[:2], len(steps), weight_des.shape[2])
    return np.stack(meets[::-1], axis=2) if meets else np.zeros(shape)


def _rescaled(message: FloatArray) -> tuple[FloatArray, FloatArray]:
    scale_dq = message.max(axis=2)
    safe_dq = np.where(scale_dq > 0, scale_dq, 1.0)
    return message / safe_dq[:, :, None], scale_dq
