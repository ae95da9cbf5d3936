"""From the arrays of a job to the weights and digits of the pass: all that needs no pass."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import Arrays, FloatArray, IntArray
from swapinfer.posterior.digits import Digits, merge_terms

IMPOSSIBLE = "the findings have probability zero under every combination of faults"


@dataclass(frozen=True, slots=True)
class Prepared:
    """Weights of single elements, and the digits that join several.

    Attributes
    ----------
    weight_des : ndarray of float, shape (draw, element, state)
        Prior times factors, each element's largest factor taken out.
    log_shift : float
        Natural log of what was taken out.
    level_q : ndarray of float, shape (level node,)
        Weight of each level node, the largest 1; a single 1 where no digit depends on it.
    digits : Digits
        Digits that at least one element reaches.
    """

    weight_des: FloatArray
    log_shift: float
    level_q: FloatArray
    digits: Digits

    @property
    def n_states_e(self) -> IntArray:
        """Number of states that each element may be in."""
        return np.asarray((self.weight_des > 0).any(axis=0).sum(axis=1))

    def tied(self, knots: list[list[int]], elements: IntArray) -> Prepared:
        """Return some of the elements, and before them knots that reach some of the digits."""
        weight_des = self.weight_des[:, elements]
        good_dks = np.zeros((len(weight_des), len(knots), weight_des.shape[2]))
        good_dks[:, :, 0] = 1.0
        return replace(
            self,
            weight_des=np.concatenate([good_dks, weight_des], axis=1),
            digits=self.digits.tied(knots, elements),
        )


def prepare(arrays: Arrays, prior_des: FloatArray, *, merge: bool = True) -> Prepared:
    """Merge terms, and take those that join nothing into the weights.

    A term that one element reaches is a factor on it; one that none reaches is a constant.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays; its own prior is not used.
    prior_des : ndarray of float, shape (draw, element, state)
        Priors.
    merge : bool, optional
        Whether equal terms share a digit.

    Returns
    -------
    Prepared

    Raises
    ------
    EvidenceError
        If an element has no possible state left.
    """
    used_es = np.asarray((prior_des > 0).any(axis=0))
    digits = merge_terms(arrays, used_es, merge=merge)
    n_reaching_g = digits.reach_ge.sum(axis=1)
    alone_g = (n_reaching_g == 1) & ~digits.by_level_g
    joining_g = (n_reaching_g > 0) & ~alone_g
    log_es = arrays.log_factor_nes.sum(axis=0)
    with np.errstate(divide="ignore"):
        log_level_q = np.log(arrays.level_q)
        if not joining_g.all():
            log_level_q += _log_constants(digits.only(n_reaching_g == 0))
            log_es += _log_alone(digits.only(alone_g))
    digits = digits.only(joining_g)
    shift_e = np.where(used_es, log_es, -np.inf).max(axis=1)
    if not digits.by_level_g.any():
        log_level_q = np.logaddexp.reduce(log_level_q, keepdims=True)
    log_shift = float(shift_e.sum() + log_level_q.max())
    if not np.isfinite(log_shift):
        raise EvidenceError(IMPOSSIBLE)
    factor_es = np.exp(np.where(used_es, log_es - shift_e[:, None], -np.inf))
    return Prepared(
        weight_des=prior_des * factor_es,
        log_shift=log_shift,
        level_q=np.exp(log_level_q - log_level_q.max()),
        digits=digits,
    )


def _log_constants(digits: Digits) -> FloatArray:
    """Return the log weight of digits that stay open, shape (level node,)."""
    total: FloatArray = np.log(digits.close_qg2[:, :, 0]) @ digits.count_g.astype(float)
    return total


def _log_alone(digits: Digits) -> FloatArray:
    """Return the log factors of digits that one element decides, shape (element, state)."""
    open_close_g, explained_close_g = digits.close_qg2[0, :, :, None, None].swapaxes(0, 1)
    closed_ges = digits.open_ges * open_close_g + digits.explain_qges[0] * explained_close_g
    log_ges = np.where(digits.reach_ge[:, :, None], np.log(closed_ges), 0.0)
    total: FloatArray = np.tensordot(digits.count_g.astype(float), log_ges, axes=1)
    return total
