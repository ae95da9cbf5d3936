"""What a test is worth before it is made, by the textbook, to hold look-ahead against."""

from __future__ import annotations

from swapinfer.evidence.arrays import FloatArray


def expected_loss_with_test(
    prior_h: FloatArray, chance_oh: FloatArray, loss_dh: FloatArray
) -> float:
    """Compute the expected loss when the decision may depend on a free test's outcome.

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    chance_oh : ndarray of float, shape (outcome, hypothesis)
        Chance of each outcome under each hypothesis.
    loss_dh : ndarray of float, shape (decision, hypothesis)
        Loss of each decision; a gain is a negative loss.

    Returns
    -------
    float
        ``sum over outcomes of the least expected loss``.
    """
    return float((loss_dh @ (chance_oh * prior_h).T).min(axis=0).sum())


def value_of_test(prior_h: FloatArray, chance_oh: FloatArray, loss_dh: FloatArray) -> float:
    """Compute how much a free test lowers expected loss (EVSI).

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    chance_oh : ndarray of float, shape (outcome, hypothesis)
        Chance of each outcome under each hypothesis.
    loss_dh : ndarray of float, shape (decision, hypothesis)
        Loss of each decision.

    Returns
    -------
    float
        Expected value of sample information; non-negative up to rounding.

    References
    ----------
    Raiffa (1968), *Decision Analysis*.
    """
    without = float((loss_dh @ prior_h).min())
    return without - expected_loss_with_test(prior_h, chance_oh, loss_dh)


def value_of_certainty(prior_h: FloatArray, loss_dh: FloatArray) -> float:
    """Compute how much knowing the hypothesis would lower expected loss (EVPI).

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    loss_dh : ndarray of float, shape (decision, hypothesis)
        Loss of each decision.

    Returns
    -------
    float
        Expected value of perfect information, the upper bound of every test's EVSI.
    """
    return float((loss_dh @ prior_h).min() - loss_dh.min(axis=0) @ prior_h)
