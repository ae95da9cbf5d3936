"""How belief moved, finding by finding, and what is left of doubt at the end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.problem import BoolArray, FloatArray, Problem
from swapinfer.evidence.states import draw_priors
from swapinfer.ledger.replay import Job
from swapinfer.posterior import (
    FaultIntervals,
    FindingChecks,
    FindingWeights,
    FlipPoints,
    Posterior,
    check_findings,
    fault_intervals,
    flip_points,
    infer,
    weigh_findings,
)

SEED = 1
"""Of the draws of the priors: always the same ones, so that an interval can be repeated."""

DRAWS = ((8_192, 200), (131_072, 40))
"""Largest message of the pass, and how often it is repeated under other priors; by size, not by
time, so that every machine says the same."""


def draws_for(posterior: Posterior) -> int:
    """Return how many draws an interval is made from; 0 where it would take too long."""
    if not posterior.exact:
        return 0
    return next((draws for largest, draws in DRAWS if posterior.stats.largest <= largest), 0)


@dataclass(frozen=True)
class Course:
    """Belief before the first finding, after each, and at the end.

    Attributes
    ----------
    evidence : Evidence
        Of the whole job.
    posterior : Posterior
        At the end.
    weights : FindingWeights
        Of each finding, given those before it; the complaint is the first.
    checks : FindingChecks or None
        How each finding agrees with all the others; None where that would take too long.
    intervals : FaultIntervals or None
        Over draws of the priors; likewise.
    flips : FlipPoints
        Of the leading element against every other.
    """

    evidence: Evidence
    posterior: Posterior
    weights: FindingWeights
    checks: FindingChecks | None
    intervals: FaultIntervals | None
    flips: FlipPoints

    @property
    def job(self) -> Job:
        """Job as replayed."""
        return self.evidence.job

    @property
    def leader(self) -> str:
        """Element that is most probably at fault."""
        return self.evidence.problem.elements[self.flips.leader]

    @cached_property
    def decibans_ne(self) -> FloatArray:
        """Weight of each finding for each element being at fault, shape (finding, element)."""
        weight_ne: FloatArray = np.nan_to_num(self.weights.fault_ne)
        return weight_ne

    @cached_property
    def fault_ne(self) -> FloatArray:
        """Fault probabilities after the first ``n`` findings, shape (findings so far, element)."""
        first = self.weights.prior_db_e[None]
        odds_db_ne = np.cumsum(np.concatenate([first, self.decibans_ne]), axis=0)
        fault_ne: FloatArray = 1.0 / (1.0 + 10.0 ** (-odds_db_ne / 10.0))
        return fault_ne

    @cached_property
    def times_likelier(self) -> dict[str, float]:
        """How much likelier beforehand each other element must be to draw level with the leader."""
        names = self.evidence.problem.elements
        tiny = np.finfo(float).tiny
        return {
            names[rival]: float(1.0 / max(factor, tiny))
            for rival, factor in zip(self.flips.rival_r, self.flips.factor_r, strict=True)
        }

    @cached_property
    def level(self) -> float:
        """Mean of the level that healthy cylinders share, after all findings."""
        problem, values_q = self.evidence.problem, self.evidence.level_values
        log_q = np.log(problem.level_q)
        if log_q.size > 1:
            log_q += [infer(_at_level(problem, q)).log_evidence for q in range(log_q.size)]
        weight_q = np.exp(log_q - log_q.max())
        return float(values_q @ weight_q / weight_q.sum())

    def index(self, element: str) -> int:
        """Position of an element in the arrays."""
        return self.evidence.space.index[element]

    def all_faulty(self, elements: Iterable[str]) -> float:
        """Probability that every one of these elements is at fault."""
        names = list(elements)
        if len(names) == 1:
            return float(self.posterior.fault_e[self.index(names[0])])
        barred_es = np.zeros_like(self.evidence.problem.prior_es, dtype=bool)
        for element in names:
            barred_es[self.index(element), 0] = True
        return self._share_without(barred_es)

    def residual_risk(self) -> float:
        """Probability that a fault which causes misfires is still active in the vehicle."""
        space, job = self.evidence.space, self.job
        fitted = {space.index[element] for element in job.fitted.values()}
        barred_es = space.active_es(job.time) & (space.rate_es > 0)
        barred_es[[e for e in range(len(space.elements)) if e not in fitted]] = False
        return 1.0 - self._share_without(barred_es)

    def _share_without(self, barred_es: BoolArray) -> float:
        """Posterior probability that no element is in a barred state: a ratio of evidences."""
        problem = self.evidence.problem
        rest = infer(replace(problem, prior_es=np.where(barred_es, 0.0, problem.prior_es)))
        return min(1.0, float(np.exp(rest.log_evidence - self.posterior.log_evidence)))


def _at_level(problem: Problem, q: int) -> Problem:
    """Return the problem with the shared level known to be at one node."""
    return replace(
        problem,
        explain_qtes=problem.explain_qtes[q : q + 1],
        close_qt2=problem.close_qt2[q : q + 1],
        level_q=np.ones(1),
    )


def follow_belief(job: Job) -> Course:
    """Infer after every finding of a job, without each, and under other priors.

    Parameters
    ----------
    job : Job
        As replayed.

    Returns
    -------
    Course
    """
    evidence = gather_evidence(job)
    problem = evidence.problem
    posterior = infer(problem)
    count = draws_for(posterior)
    draws = draw_priors(job, evidence.space, count, SEED) if count else None
    return Course(
        evidence=evidence,
        posterior=posterior,
        weights=weigh_findings(problem),
        checks=check_findings(problem, posterior) if count else None,
        intervals=None if draws is None else fault_intervals(problem, draws),
        flips=flip_points(problem, posterior),
    )
