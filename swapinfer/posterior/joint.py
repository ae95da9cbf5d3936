"""The joint weight of given combinations of faults and all findings."""

from __future__ import annotations

import numpy as np

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray, IntArray
from swapinfer.posterior.belief import full_states

CHUNK = 2**18
"""Entries of a table of levels, fault sets and bits that is made at once."""


def log_joint(arrays: Arrays, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Return the log weight of fault sets jointly with all findings.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        As in `FaultSets`.

    Returns
    -------
    ndarray of float, shape (fault set,)
        Natural log of prior times probability of the findings; ``-inf`` where impossible.
    """
    if not _good_is_silent(arrays):
        state_hk = full_states(element_hk, state_hk, len(arrays.elements))
        element_hk = np.broadcast_to(np.arange(len(arrays.elements)), state_hk.shape)
    order = np.argsort(np.where(element_hk < 0, len(arrays.elements), element_hk), axis=1)
    element_hk = np.take_along_axis(element_hk, order, axis=1)
    state_hk = np.take_along_axis(state_hk, order, axis=1)
    log_h = _log_prior(arrays, element_hk, state_hk)
    by_level_t = arrays.explain.varies_t
    by_level_t |= (arrays.close_qt2[1:] != arrays.close_qt2[:1]).any(axis=(0, 2))
    log_h += _log_closed(arrays, element_hk, state_hk, ~by_level_t, slice(1))[0]
    if not by_level_t.any():
        log_h += np.logaddexp.reduce(np.log(arrays.level_q))
        return log_h
    chunk = max(1, CHUNK // (arrays.level_q.size * int(by_level_t.sum())))
    for start in range(0, len(log_h), chunk):
        rows = slice(start, start + chunk)
        log_qh = _log_closed(arrays, element_hk[rows], state_hk[rows], by_level_t, slice(None))
        log_h[rows] += np.logaddexp.reduce(log_qh + np.log(arrays.level_q)[:, None])
    return log_h


def _log_closed(
    arrays: Arrays,
    element_hk: IntArray,
    state_hk: IntArray,
    keep_t: BoolArray,
    levels: slice,
) -> FloatArray:
    """Log of the product of some closed bits, shape (level, fault set)."""
    terms = np.flatnonzero(keep_t)
    close_qt2 = arrays.close_qt2[levels][:, None, terms]
    open_ht = np.ones((len(element_hk), terms.size))
    explained_qht = np.zeros((len(close_qt2), *open_ht.shape))
    for element_h, state_h in zip(element_hk.T, state_hk.T, strict=True):
        rows = np.flatnonzero(element_h >= 0)
        at = terms[:, None], element_h[rows], state_h[rows]
        explained_qht[:, rows] *= arrays.explained_tes[at].T
        explained_qht[:, rows] += open_ht[rows] * arrays.explain.at(*at, levels).swapaxes(1, 2)
        open_ht[rows] *= arrays.open_tes[at].T
    closed_qht = open_ht * close_qt2[..., 0] + explained_qht * close_qt2[..., 1]
    with np.errstate(divide="ignore"):
        log_qh: FloatArray = np.log(closed_qht).sum(axis=2)
    return log_qh


def _good_is_silent(arrays: Arrays) -> bool:
    """Whether good elements leave every bit as it is, so that only faults need be followed."""
    return bool(
        np.all(arrays.prior_es[:, 0] > 0.0)
        and np.all(arrays.open_tes[:, :, 0] == 1.0)
        and np.all(arrays.explained_tes[:, :, 0] == 1.0)
        and not arrays.explain.most_tes[:, :, 0].any()
    )


def _log_prior(arrays: Arrays, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Log of the prior and the factors of each fault set, shape (fault set,)."""
    state_he = full_states(element_hk, state_hk, len(arrays.elements))
    every_e = np.arange(len(arrays.elements))
    with np.errstate(divide="ignore"):
        log_zes = np.log(arrays.prior_zes)
    log_zh = np.stack([log_es[every_e, state_he].sum(axis=1) for log_es in log_zes])
    log_h = np.logaddexp.reduce(log_zh + np.log(arrays.lot_z)[:, None])
    factor_es = arrays.log_factor_nes.sum(axis=0)
    found: FloatArray = log_h + factor_es[every_e, state_he].sum(axis=1)
    return found
