"""Terms merged into digits: a bit that several equal terms share counts how many are explained."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import comb

import numpy as np

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray, IntArray

IDLE = -1
"""Stands for "no digit" where an index is expected."""


@dataclass(frozen=True, slots=True)
class Digits:
    """The terms of a job, equal ones merged.

    A digit of ``k`` equal terms has ``k + 1`` levels: how many of them are explained. Axes as in
    `Arrays`, with ``g`` for digits.

    Attributes
    ----------
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    open_ges, explained_ges : ndarray of float, shape (digit, element, state)
        Weights of one of its terms.
    explain_qges : ndarray of float, shape (level node, digit, element, state)
        As above.
    close_qg2 : ndarray of float, shape (level node, digit, 2)
        Closing weights of one of its terms.
    reach_ge : ndarray of bool, shape (digit, element)
        Whether an element acts on the digit at all.
    by_level_g : ndarray of bool, shape (digit,)
        Whether the digit's weights depend on the shared level.
    moves_by_level_g : ndarray of bool, shape (digit,)
        Whether those do with which elements move it; if not, only its closing weights may.
    """

    count_g: IntArray
    open_ges: FloatArray
    explain_qges: FloatArray
    explained_ges: FloatArray
    close_qg2: FloatArray
    reach_ge: BoolArray
    by_level_g: BoolArray
    moves_by_level_g: BoolArray

    def __len__(self) -> int:
        return int(self.count_g.size)

    def length(self, digit: int) -> int:
        """Return the number of levels of a digit."""
        return int(self.count_g[digit]) + 1

    @property
    def good_acts_e(self) -> BoolArray:
        """Whether an element acts on any digit even in its good state, shape (element,)."""
        kept_ge = (self.open_ges[:, :, 0] == 1.0) & (self.explained_ges[:, :, 0] == 1.0)
        acts_ge = ~kept_ge | (self.explain_qges[:, :, :, 0] != 0.0).any(axis=0)
        return np.asarray(acts_ge.any(axis=0))

    def moves(self, digit: int, elements: IntArray) -> FloatArray:
        """Return a digit's moves at some elements.

        Returns
        -------
        ndarray of float, shape (to, from, level node or 1, element, state)
            Weights between its levels.
        """
        levels = slice(None) if self.by_level_g[digit] else slice(1)
        digit_je = np.full((1, elements.size), digit)
        return self.moves_at(int(self.count_g[digit]), digit_je, elements, levels)[:, :, :, 0]

    def moves_at(
        self, count: int, digit_je: IntArray, elements: IntArray, levels: slice
    ) -> FloatArray:
        """Return the moves of several digits of equal count at some elements.

        Parameters
        ----------
        count : int
            Terms merged into each of the digits.
        digit_je : ndarray of int, shape (row, element)
            Which digit is meant in each row at each element; `IDLE` stays as it is.
        elements : ndarray of int, shape (element,)
            Elements.
        levels : slice
            Level nodes wanted.

        Returns
        -------
        ndarray of float, shape (to, from, level node, row, element, state)
            Weights between the levels.
        """
        idle_je = digit_je == IDLE
        open_jes = self.open_ges[digit_je, elements]
        explain_qjes = self.explain_qges[levels, digit_je, elements]
        explained_jes = self.explained_ges[digit_je, elements]
        open_jes[idle_je] = 1.0
        explain_qjes[:, idle_je] = 0.0
        explained_jes[idle_je] = 1.0
        return count_moves(count, open_jes, explain_qjes, explained_jes)

    def closing(self, digit: int) -> FloatArray:
        """Return the closing weight of each level, shape (count + 1, level node or 1)."""
        levels = slice(None) if self.by_level_g[digit] else slice(1)
        close_2q = self.close_qg2[levels, digit].T
        count = int(self.count_g[digit])
        if count == 1:
            return close_2q
        open_k, explained_k = (_powers(count, close_q) for close_q in close_2q)
        return np.array([open_k[count - j] * explained_k[j] for j in range(count + 1)])

    def closing_of(self, count: int, digits: IntArray, levels: slice) -> FloatArray:
        """Return the closing weights of digits, shape (count + 1, level node, digit)."""
        open_qg, explained_qg = np.moveaxis(self.close_qg2[levels, digits], -1, 0)
        return np.stack([open_qg ** (count - j) * explained_qg**j for j in range(count + 1)])

    def only(self, keep_g: BoolArray) -> Digits:
        """Return some of the digits."""
        if keep_g.all():
            return self
        return Digits(
            count_g=self.count_g[keep_g],
            open_ges=self.open_ges[keep_g],
            explain_qges=self.explain_qges[:, keep_g],
            explained_ges=self.explained_ges[keep_g],
            close_qg2=self.close_qg2[:, keep_g],
            reach_ge=self.reach_ge[keep_g],
            by_level_g=self.by_level_g[keep_g],
            moves_by_level_g=self.moves_by_level_g[keep_g],
        )

    def tied(self, knots: list[list[int]], elements: IntArray) -> Digits:
        """Return what is left for some elements, and before them knots that reach some digits.

        The weights of knots are left to themselves: 1, 0 and 1.
        """
        shape = (len(self), len(knots), self.open_ges.shape[2])
        ones_gks, zeros_qgks = np.ones(shape), np.zeros((len(self.explain_qges), *shape))
        reach_gk = np.zeros(shape[:2], dtype=np.bool_)
        for k, reached in enumerate(knots):
            reach_gk[reached, k] = True
        return replace(
            self,
            open_ges=np.concatenate([ones_gks, self.open_ges[:, elements]], axis=1),
            explain_qges=np.concatenate([zeros_qgks, self.explain_qges[:, :, elements]], axis=2),
            explained_ges=np.concatenate([ones_gks, self.explained_ges[:, elements]], axis=1),
            reach_ge=np.concatenate([reach_gk, self.reach_ge[:, elements]], axis=1),
        )


def merge_terms(arrays: Arrays, used_es: BoolArray, *, merge: bool = True) -> Digits:
    """Merge the terms whose weights are equal on every element.

    Parameters
    ----------
    arrays : Arrays
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
    groups: list[list[int]] = []
    by_sum: dict[tuple[float, ...], list[list[int]]] = {}
    sums_t = zip(
        arrays.open_tes.sum(axis=(1, 2)).tolist(),
        arrays.explain_qtes.sum(axis=(0, 2, 3)).tolist(),
        arrays.close_qt2.sum(axis=(0, 2)).tolist(),
        strict=True,
    )
    for term, sums in enumerate(sums_t):
        like = by_sum.setdefault(sums, [])
        same = (group for group in like if merge and _are_equal(arrays, group[0], term))
        group = next(same, None)
        if group is None:
            group = []
            like.append(group)
            groups.append(group)
        group.append(term)
    first: IntArray | slice = np.array([terms[0] for terms in groups], dtype=np.int64)
    if len(groups) == arrays.finding_t.size:
        first = slice(None)  # a view of everything instead of a copy
    open_ges = arrays.open_tes[first]
    explain_qges = arrays.explain_qtes[:, first]
    explained_ges = arrays.explained_tes[first]
    close_qg2 = arrays.close_qt2[:, first]
    acts_ges = (open_ges != 1.0) | (explained_ges != 1.0) | (explain_qges != 0.0).any(axis=0)
    explain_varies_g = (explain_qges[1:] != explain_qges[:1]).any(axis=(0, 2, 3))
    return Digits(
        count_g=np.array([len(terms) for terms in groups], dtype=np.int64),
        open_ges=open_ges,
        explain_qges=explain_qges,
        explained_ges=explained_ges,
        close_qg2=close_qg2,
        reach_ge=(acts_ges & used_es).any(axis=2),
        by_level_g=explain_varies_g | (close_qg2[1:] != close_qg2[:1]).any(axis=(0, 2)),
        moves_by_level_g=explain_varies_g,
    )


def _are_equal(arrays: Arrays, one: int, other: int) -> bool:
    """Say whether two terms have equal weights everywhere."""
    return (
        np.array_equal(arrays.open_tes[one], arrays.open_tes[other])
        and np.array_equal(arrays.explain_qtes[:, one], arrays.explain_qtes[:, other])
        and np.array_equal(arrays.explained_tes[one], arrays.explained_tes[other])
        and np.array_equal(arrays.close_qt2[:, one], arrays.close_qt2[:, other])
    )


def count_moves(
    count: int, open_es: FloatArray, explain_qes: FloatArray, explained_es: FloatArray
) -> FloatArray:
    """Return how `count` equal terms move between levels at each element.

    Parameters
    ----------
    count : int
        Number of equal terms.
    open_es, explained_es : ndarray of float, shape (..., element, state)
        Weight with which one open term stays open, one explained term explained.
    explain_qes : ndarray of float, shape (level node, ..., element, state)
        Weight with which one open term becomes explained.

    Returns
    -------
    ndarray of float, shape (to, from, level node, ..., element, state)
        ``C(k - i, j - i) open^(k - j) explain^(j - i) explained^i`` from level ``i`` to ``j``.
    """
    moves = np.zeros((count + 1, count + 1, *explain_qes.shape))
    open_k, explain_k, explained_k = (
        _powers(count, base) for base in (open_es, explain_qes, explained_es)
    )
    for i in range(count + 1):
        for j in range(i, count + 1):
            ways = comb(count - i, j - i)
            moves[j, i] = ways * open_k[count - j] * explain_k[j - i] * explained_k[i]
    return moves


def _powers(count: int, base: FloatArray) -> list[FloatArray]:
    """Return the powers 0 to `count` of an array, by repeated multiplication."""
    powers = [np.ones_like(base)]
    for _ in range(count):
        powers.append(powers[-1] * base)
    return powers
