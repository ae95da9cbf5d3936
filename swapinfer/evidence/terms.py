"""The two shapes in which a finding acts: a factor on each element, or a bit that joins many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray


@dataclass(frozen=True, slots=True)
class Factor:
    """Independent weights on the states of every element.

    Attributes
    ----------
    log_es : ndarray of float, shape (element, state)
        Natural logs.
    log_constant : float
        What the finding weighs when no element says anything.
    """

    log_es: FloatArray
    log_constant: float = 0.0


@dataclass(frozen=True, slots=True)
class Term:
    """One bit, "explained yet, or not"; see `swapinfer.evidence.problem.Problem`.

    Attributes
    ----------
    open_es, explained_es : ndarray of float, shape (element, state)
        Weights of leaving the bit as it is.
    explain_qes : ndarray of float, shape (level, element, state) or (1, element, state)
        Weights of explaining it.
    close_q2 : ndarray of float, shape (level, 2) or (1, 2)
        Closing weights of an open and of an explained bit.
    """

    open_es: FloatArray
    explain_qes: FloatArray
    explained_es: FloatArray
    close_q2: FloatArray

    @classmethod
    def plain(
        cls,
        open_es: FloatArray,
        explain_es: FloatArray,
        explained_es: FloatArray,
        close: tuple[float, float],
    ) -> Term:
        """Make a term that does not depend on a shared level."""
        return cls(open_es, explain_es[None], explained_es, np.array([close]))


def at_least_one(expected_es: FloatArray, leak: float) -> Term:
    """Make the term of "at least one episode", a noisy-OR.

    Parameters
    ----------
    expected_es : ndarray of float, shape (element, state)
        Expected number of episodes that each state contributes.
    leak : float
        Chance of one that nothing in the model accounts for.

    References
    ----------
    Pearl, J. (1988), Probabilistic Reasoning in Intelligent Systems, section 4.3.2.
    """
    ones = np.ones_like(expected_es)
    return Term.plain(np.exp(-expected_es), -np.expm1(-expected_es), ones, (leak, 1.0))


def none_at_all(expected_es: FloatArray, leak: float) -> Factor:
    """Make the factor of "not one episode", the other outcome of `at_least_one`."""
    return Factor(-expected_es, float(np.log1p(-leak)))
