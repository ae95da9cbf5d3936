"""What a test is worth before it is made: in bits, and in money."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def information_bits(prior_h: FloatArray, chance_oh: FloatArray) -> float:
    """Mutual information between a test's outcome and the hypotheses.

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    chance_oh : ndarray of float, shape (outcome, hypothesis)
        Chance of each outcome under each hypothesis; columns add up to 1.

    Returns
    -------
    float
        ``H(outcome) - H(outcome | hypothesis)`` in bits.

    References
    ----------
    MacKay (2003), *Information Theory, Inference, and Learning Algorithms*, ch. 8.
    """
    return float(information_bits_a(prior_h, chance_oh[None])[0])


def information_bits_a(prior_h: FloatArray, chance_aoh: FloatArray) -> FloatArray:
    """Mutual information of many tests at once, see `information_bits`.

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    chance_aoh : ndarray of float, shape (action, outcome, hypothesis)
        Chances; outcomes that an action lacks have rows of 0.

    Returns
    -------
    ndarray of float, shape (action,)
        Bits.
    """
    chance_ao = chance_aoh @ prior_h
    given_a = _plogp(chance_aoh).sum(axis=1) @ prior_h
    bits: FloatArray = np.maximum(given_a - _plogp(chance_ao).sum(axis=1), 0.0)
    return bits


def _plogp(p: FloatArray) -> FloatArray:
    """``p log2 p`` with its limit 0 at 0."""
    result: FloatArray = p * np.log2(np.where(p > 0.0, p, 1.0))
    return result
