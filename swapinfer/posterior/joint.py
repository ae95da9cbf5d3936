"""The joint weight of given combinations of faults and all findings."""

from __future__ import annotations

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray, Problem


def full_states(element_hk: IntArray, state_hk: IntArray, n_elements: int) -> IntArray:
    """Spread padded fault sets to the state of every element, shape (fault set, element)."""
    state_he = np.zeros((len(element_hk), n_elements), dtype=np.int64)
    row, place = np.nonzero(element_hk >= 0)
    state_he[row, element_hk[row, place]] = state_hk[row, place]
    return state_he


def log_joint(problem: Problem, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Return the log weight of fault sets jointly with all findings.

    Parameters
    ----------
    problem : Problem
        Findings as arrays.
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        As in `FaultSets`.

    Returns
    -------
    ndarray of float, shape (fault set,)
        Natural log of prior times probability of the findings; ``-inf`` where impossible.
    """
    n_elements = len(problem.elements)
    state_he = full_states(element_hk, state_hk, n_elements)
    with np.errstate(divide="ignore"):
        log_es = np.log(problem.prior_es) + problem.log_factor_nes.sum(axis=0)
    log_h = log_es[np.arange(n_elements), state_he].sum(axis=1)
    open_ht = np.ones((len(state_he), problem.finding_t.size))
    explained_qht = np.zeros((problem.level_q.size, *open_ht.shape))
    for element in range(n_elements):
        state_h = state_he[:, element]
        explain_qht = problem.explain_qtes[:, :, element, state_h].swapaxes(1, 2)
        explained_qht *= problem.explained_tes[:, element, state_h].T
        explained_qht += open_ht * explain_qht
        open_ht *= problem.open_tes[:, element, state_h].T
    close_qt2 = problem.close_qt2[:, None]
    closed_qht = open_ht * close_qt2[..., 0] + explained_qht * close_qt2[..., 1]
    with np.errstate(divide="ignore"):
        log_qh = np.log(closed_qht).sum(axis=2) + np.log(problem.level_q)[:, None]
    found: FloatArray = log_h + np.logaddexp.reduce(log_qh, axis=0)
    return found
