"""Terms merged into digits: a bit that several equal terms share counts how many are explained."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np

from swapinfer.evidence.problem import BoolArray, FloatArray, IntArray, Problem


@dataclass(frozen=True, slots=True)
class Digits:
    """The terms of a problem, equal ones merged.

    A digit of ``k`` equal terms has ``k + 1`` levels: how many of them are explained. Axes as in
    `Problem`, with ``g`` for digits.

    Attributes
    ----------
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    open_ges, explained_ges : ndarray of float, shape (digit, element, state)
        Weights of one of its terms.
    explain_qges : ndarray of float, shape (level, digit, element, state)
        As above.
    close_qg2 : ndarray of float, shape (level, digit, 2)
        Closing weights of one of its terms.
    reach_ge : ndarray of bool, shape (digit, element)
        Whether an element acts on the digit at all.
    """

    count_g: IntArray
    open_ges: FloatArray
    explain_qges: FloatArray
    explained_ges: FloatArray
    close_qg2: FloatArray
    reach_ge: BoolArray

    def transitions(self, digit: int, element: int) -> FloatArray:
        """Return the weights between levels, shape (level node, state, to, from)."""
        return count_transitions(
            int(self.count_g[digit]),
            self.open_ges[digit, element],
            self.explain_qges[:, digit, element],
            self.explained_ges[digit, element],
        )

    def closing(self, digit: int) -> FloatArray:
        """Return the closing weight of each level, shape (level node, count + 1)."""
        count = int(self.count_g[digit])
        explained_j = np.arange(count + 1)
        close_q2 = self.close_qg2[:, digit]
        closing_qj: FloatArray = (
            close_q2[:, :1] ** (count - explained_j) * close_q2[:, 1:] ** explained_j
        )
        return closing_qj


def merge_terms(problem: Problem, used_es: BoolArray, *, merge: bool = True) -> Digits:
    """Merge the terms whose weights are equal on every element.

    Parameters
    ----------
    problem : Problem
        Findings as arrays.
    used_es : ndarray of bool, shape (element, state)
        States that have any prior probability; only these can reach a term.
    merge : bool, optional
        False keeps one digit a term; the posterior is the same, the pass longer.

    Returns
    -------
    Digits
        One digit for every distinct term, in order of first appearance.
    """
    groups: dict[object, list[int]] = {}
    for term in range(problem.finding_t.size):
        key = (
            problem.open_tes[term].tobytes(),
            problem.explain_qtes[:, term].tobytes(),
            problem.explained_tes[term].tobytes(),
            problem.close_qt2[:, term].tobytes(),
        )
        groups.setdefault(key if merge else term, []).append(term)
    first = np.array([terms[0] for terms in groups.values()], dtype=np.int64)
    open_ges = problem.open_tes[first]
    explain_qges = problem.explain_qtes[:, first]
    explained_ges = problem.explained_tes[first]
    acts_ges = (open_ges != 1.0) | (explained_ges != 1.0) | (explain_qges != 0.0).any(axis=0)
    return Digits(
        count_g=np.array([len(terms) for terms in groups.values()], dtype=np.int64),
        open_ges=open_ges,
        explain_qges=explain_qges,
        explained_ges=explained_ges,
        close_qg2=problem.close_qt2[:, first],
        reach_ge=(acts_ges & used_es).any(axis=2),
    )


def count_transitions(
    count: int, open_s: FloatArray, explain_qs: FloatArray, explained_s: FloatArray
) -> FloatArray:
    """Return how `count` equal terms move between levels at one element.

    Parameters
    ----------
    count : int
        Number of equal terms.
    open_s, explained_s : ndarray of float, shape (..., state)
        Weight with which one open term stays open, one explained term explained.
    explain_qs : ndarray of float, shape (level node, ..., state)
        Weight with which one open term becomes explained.

    Returns
    -------
    ndarray of float, shape (level node, ..., state, to, from)
        ``C(k - i, j - i) open^(k - j) explain^(j - i) explained^i`` from level ``i`` to ``j``.
    """
    moves = np.zeros((*explain_qs.shape, count + 1, count + 1))
    for before in range(count + 1):
        for after in range(before, count + 1):
            moves[..., after, before] = (
                comb(count - before, after - before)
                * open_s ** (count - after)
                * explain_qs ** (after - before)
                * explained_s**before
            )
    return moves
