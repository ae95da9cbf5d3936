"""How belief moved, finding by finding, and what is left of doubt at the end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.problem import BoolArray, FloatArray
from swapinfer.ledger.replay import Job
from swapinfer.posterior import Posterior, infer, infer_draws


@dataclass(frozen=True)
class Course:
    """Belief before the first finding, after each, and at the end.

    Attributes
    ----------
    evidence : Evidence
        Of the whole job.
    posterior : Posterior
        At the end.
    fault_ne, good_ne : ndarray of float, shape (findings so far, element)
        Probability that an element is at fault, and that it is not, after the first ``n``
        findings; the complaint is the first.
    """

    evidence: Evidence
    posterior: Posterior
    fault_ne: FloatArray
    good_ne: FloatArray

    @cached_property
    def decibans_ne(self) -> FloatArray:
        """Weight of each finding for each element being at fault, in decibans.

        Notes
        -----
        Change of 10 log10 of the odds, given all findings before it, so the weights of all
        findings add up. Good, I. J. (1950), Probability and the Weighing of Evidence, ch. 6.
        """
        tiny = np.finfo(float).tiny
        log_odds_ne = 10.0 * (
            np.log10(np.maximum(self.fault_ne, tiny)) - np.log10(np.maximum(self.good_ne, tiny))
        )
        weight_ne: FloatArray = np.diff(log_odds_ne, axis=0)
        return weight_ne

    @property
    def job(self) -> Job:
        """Job as replayed."""
        return self.evidence.job

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
        return float(self._share_without([barred_es])[0])

    def draw_level(self, leader: str, rivals: Sequence[str]) -> FloatArray:
        """Factors by which the rivals' prior odds would have to grow to draw level.

        Parameters
        ----------
        leader : str
            Element id.
        rivals : sequence of str
            Element ids.

        Returns
        -------
        ndarray of float, shape (rival,)

        Notes
        -----
        Growing the prior odds of ``b`` by ``f`` multiplies the weight of every combination with
        ``b`` by ``f``. Then P(a) = P(b) where P(a, not b) = f P(b, not a).
        """
        a = self.index(leader)
        barred = []
        for rival in rivals:
            b = self.index(rival)
            barred += [self._bar(faulty=a, good=b), self._bar(faulty=b, good=a)]
        share_k = self._share_without(barred)
        only_leader, only_rival = share_k[0::2], share_k[1::2]
        factor_r: FloatArray = only_leader / np.maximum(only_rival, np.finfo(float).tiny)
        return factor_r

    def residual_risk(self) -> float:
        """Probability that a fault which causes misfires is still active in the vehicle."""
        space, job = self.evidence.space, self.job
        fitted = {space.index[element] for element in job.fitted.values()}
        barred_es = space.active_es(job.time) & (space.rate_es > 0)
        barred_es[[e for e in range(len(space.elements)) if e not in fitted]] = False
        return max(0.0, 1.0 - float(self._share_without([barred_es])[0]))

    def _bar(self, *, faulty: int, good: int) -> BoolArray:
        barred_es = np.zeros_like(self.evidence.problem.prior_es, dtype=bool)
        barred_es[faulty, 0] = True
        barred_es[good, 1:] = True
        return barred_es

    def _share_without(self, barred: Sequence[BoolArray]) -> FloatArray:
        """Posterior probability that no element is in a barred state, for each mask."""
        if not barred:
            return np.zeros(0)
        problem = self.evidence.problem
        prior_des = np.where(np.stack(barred), 0.0, problem.prior_es)
        log_d = infer_draws(problem, prior_des).log_evidence_d
        share_d: FloatArray = np.exp(log_d - self.posterior.log_evidence)
        return np.minimum(share_d, 1.0)


def follow_belief(job: Job) -> Course:
    """Infer after every finding of a job.

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
    some = [infer(problem.until(count)) for count in range(1, problem.n_findings)]
    posteriors = [*some, infer(problem)]
    marginal_nes = np.stack([problem.prior_es, *(after.marginal_es for after in posteriors)])
    return Course(
        evidence=evidence,
        posterior=posteriors[-1],
        fault_ne=marginal_nes[:, :, 1:].sum(axis=2),
        good_ne=marginal_nes[:, :, 0],
    )
