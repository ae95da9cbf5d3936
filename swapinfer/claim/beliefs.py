"""How belief moved, finding by finding, and what is left of doubt at the end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.states import draw_priors
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Test
from swapinfer.plan.costing import mode_weights
from swapinfer.posterior import (
    NEGLIGIBLE,
    FaultIntervals,
    FindingChecks,
    FindingWeights,
    FlipPoints,
    Posterior,
    at_levels,
    check_findings,
    draws_in_reach,
    fault_intervals,
    flip_points,
    infer,
    level_weights,
    weigh_findings,
)

SEED = 1
"""Of the draws of the priors: always the same ones, so that an interval can be repeated."""


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
    draws : int
        How many draws that were; 0 where there is no interval.
    flips : FlipPoints
        Of the leading element against every other.
    level_weight_q : ndarray of float, shape (level,)
        Posterior weights of the nodes of the level that readings share.
    """

    evidence: Evidence
    posterior: Posterior
    weights: FindingWeights
    checks: FindingChecks | None
    intervals: FaultIntervals | None
    draws: int
    flips: FlipPoints
    level_weight_q: FloatArray

    @property
    def job(self) -> Job:
        """Job as replayed."""
        return self.evidence.job

    @property
    def leader(self) -> str:
        """Element that is most probably at fault."""
        return self.evidence.arrays.elements[self.flips.leader]

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
        names = self.evidence.arrays.elements
        tiny = np.finfo(float).tiny
        return {
            names[rival]: float(1.0 / max(factor, tiny))
            for rival, factor in zip(self.flips.rival_r, self.flips.factor_r, strict=True)
        }

    def level(self, test: Test) -> float | None:
        """Say what sound ones are expected to show in a test, all considered; None if unknown."""
        return self.evidence.usual(test, self.level_weight_q) if test.level else None

    def index(self, element: str) -> int:
        """Position of an element in the arrays."""
        return self.evidence.space.index[element]

    def modes_of(self, element: str) -> dict[str, float]:
        """How an element failed: as the job was closed with, else the probability of each mode."""
        closing = self.job.closing
        if closing is not None:
            named = dict(zip(closing.causes, closing.modes, strict=False))
            if named.get(element):
                return {named[element]: 1.0}
        return mode_weights(self.evidence.space, self.posterior, element)

    def all_faulty(self, elements: Iterable[str]) -> float:
        """Probability that every one of these elements is at fault."""
        names = list(elements)
        if len(names) == 1:
            return float(self.posterior.fault_e[self.index(names[0])])
        barred_es = np.zeros_like(self.evidence.arrays.prior_es, dtype=bool)
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
        arrays = self.evidence.arrays
        rest = infer(arrays.with_prior(np.where(barred_es, 0.0, arrays.prior_es)))
        return min(1.0, float(np.exp(rest.log_evidence - self.posterior.log_evidence)))


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
    arrays = evidence.arrays
    posterior = infer(arrays)
    level_weight_q = level_weights(arrays)
    kept_q = level_weight_q >= NEGLIGIBLE
    count = draws_in_reach(posterior, float(kept_q.mean()))
    draws = draw_priors(job, evidence.space, count, SEED) if count else None
    return Course(
        evidence=evidence,
        posterior=posterior,
        weights=weigh_findings(arrays, evidence.keeping),
        checks=check_findings(arrays, posterior, evidence.keeping) if count else None,
        intervals=None if draws is None else fault_intervals(at_levels(arrays, kept_q), draws),
        draws=count,
        flips=flip_points(arrays, posterior),
        level_weight_q=level_weight_q,
    )
