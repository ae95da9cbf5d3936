"""What inference returns."""

from __future__ import annotations

import msgspec
import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray


class FaultSets(msgspec.Struct, frozen=True, eq=False):
    """Combinations of faults, the most probable first; elements not named are good.

    Attributes
    ----------
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        The faulty elements of each set and their states, padded with -1.
    belief_h : ndarray of float, shape (fault set,)
        Posterior probability of each set, relative to all combinations there are.
    left_out : float
        Posterior probability of all other combinations together; an upper bound if the
        posterior was not exact, in which case beliefs are relative to what was enumerated.
    """

    element_hk: IntArray
    state_hk: IntArray
    belief_h: FloatArray
    left_out: float

    def states(self, n_elements: int) -> IntArray:
        """Return the state of every element, shape (fault set, element)."""
        return full_states(self.element_hk, self.state_hk, n_elements)

    def marginals(self, shape: tuple[int, ...]) -> FloatArray:
        """Add up the beliefs state by state, shape (element, state)."""
        state_eh = self.states(shape[0]).T
        return np.stack([np.bincount(s_h, self.belief_h, minlength=shape[1]) for s_h in state_eh])


class PassStats(msgspec.Struct, frozen=True):
    """What one inference took.

    Attributes
    ----------
    terms : int
        Terms that the findings gave.
    digits : int
        Digits left after equal terms were merged and those of a single element became factors.
    largest : int
        Entries of the largest message or knot, level nodes included.
    seconds : float
        Wall time.
    """

    terms: int
    digits: int
    largest: int
    seconds: float


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


class PosteriorDraws(msgspec.Struct, frozen=True, eq=False):
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


def full_states(element_hk: IntArray, state_hk: IntArray, n_elements: int) -> IntArray:
    """Spread padded fault sets to the state of every element, shape (fault set, element)."""
    state_he = np.zeros((len(element_hk), n_elements), dtype=np.int64)
    row, place = np.nonzero(element_hk >= 0)
    state_he[row, element_hk[row, place]] = state_hk[row, place]
    return state_he
