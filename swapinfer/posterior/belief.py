"""What inference returns."""

from __future__ import annotations

from dataclasses import dataclass

from swapinfer.evidence.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class PassStats:
    """What one inference took.

    Attributes
    ----------
    terms : int
        Terms that the findings gave.
    digits : int
        Digits left after equal terms were merged and those of a single element became factors.
    largest : int
        Entries of the largest message or knot, kept states and level nodes included.
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
