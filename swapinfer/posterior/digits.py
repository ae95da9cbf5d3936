"""Terms merged into digits: a bit that several equal terms share counts how many are explained.

All that needs no pass is done here: a term that one element reaches is a factor on it, and one that
none reaches is a constant.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from math import comb

import msgspec
import numpy as np
from msgspec.structs import replace

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import Arrays, BoolArray, Explain, FloatArray, IntArray

ROUNDING = 1e-15
"""Relative difference up to which ``explain`` counts as ``explained - open``."""

IMPOSSIBLE = "the findings have probability zero under every combination of faults"


class Digits(msgspec.Struct, frozen=True, eq=False, dict=True):
    """The terms of a job, equal ones merged.

    A digit of ``k`` equal terms has ``k + 1`` levels: how many of them are explained. Axes as in
    `Arrays`, with ``g`` for digits.

    Attributes
    ----------
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    open_ges, explained_ges : ndarray of float, shape (digit, element, state)
        Weights of one of its terms.
    explain : Explain
        As above.
    start_qg2, close_qg2 : ndarray of float, shape (level node, digit, 2)
        Weights of an open and an explained term before the first element, and closing weights.
    reach_ge : ndarray of bool, shape (digit, element)
        Whether an element acts on the digit at all.
    by_level_g : ndarray of bool, shape (digit,)
        Whether the digit's weights depend on the shared level.
    moves_by_level_g : ndarray of bool, shape (digit,)
        Whether those do with which elements move it; if not, only its closing weights may.
    strict_g : ndarray of bool, shape (digit,)
        Whether it minds the order of the elements that move it.
    """

    count_g: IntArray
    open_ges: FloatArray
    explain: Explain
    explained_ges: FloatArray
    start_qg2: FloatArray
    close_qg2: FloatArray
    reach_ge: BoolArray
    by_level_g: BoolArray
    moves_by_level_g: BoolArray
    strict_g: BoolArray

    def __len__(self) -> int:
        return int(self.count_g.size)

    @property
    def n_nodes(self) -> int:
        """Number of level nodes."""
        return len(self.close_qg2)

    def starting(self, digit: int) -> FloatArray:
        """Return the weight of each level at first, shape (count + 1, level node or 1)."""
        levels = slice(None) if self.moves_by_level_g[digit] else slice(1)
        count = int(self.count_g[digit])
        open_k, explained_k = (_powers(count, q) for q in self.start_qg2[levels, digit].T)
        return np.array(
            [comb(count, j) * open_k[count - j] * explained_k[j] for j in range(count + 1)]
        )

    def closing(self, digit: int) -> FloatArray:
        """Return the closing weight of each level, shape (count + 1, level node or 1)."""
        levels = slice(None) if self.by_level_g[digit] else slice(1)
        close_2q = self.close_qg2[levels, digit].T
        count = int(self.count_g[digit])
        if count == 1:
            return close_2q
        open_k, explained_k = (_powers(count, close_q) for close_q in close_2q)
        return np.array([open_k[count - j] * explained_k[j] for j in range(count + 1)])

    def acts(self, group: Sequence[int], element: int) -> FloatArray:
        """Return what tells states apart that move some digits, shape (state, figure)."""
        at, explain = (list(group), element), self.explain
        figures = self.open_ges, explain.most_tes, explain.shown_tes, self.explained_ges
        acts_xs: FloatArray = np.concatenate([of_ges[at] for of_ges in figures])
        return acts_xs.T

    @cached_property
    def node_qg(self) -> IntArray:
        """Which of those that a digit tells apart each level node is, shape (level node, digit)."""
        node_qg = np.zeros((self.n_nodes, len(self)), dtype=np.int64)
        for g in np.flatnonzero(self.by_level_g):
            weights = self.explain.share_qtp[:, g], self.start_qg2[:, g], self.close_qg2[:, g]
            node_qg[:, g] = distinct_rows(np.concatenate(weights, axis=1))[1]
        return node_qg

    def only(self, keep_g: BoolArray) -> Digits:
        """Return some of the digits."""
        if keep_g.all():
            return self
        return Digits(
            count_g=self.count_g[keep_g],
            open_ges=self.open_ges[keep_g],
            explain=self.explain.only(keep_g),
            explained_ges=self.explained_ges[keep_g],
            start_qg2=self.start_qg2[:, keep_g],
            close_qg2=self.close_qg2[:, keep_g],
            reach_ge=self.reach_ge[keep_g],
            by_level_g=self.by_level_g[keep_g],
            moves_by_level_g=self.moves_by_level_g[keep_g],
            strict_g=self.strict_g[keep_g],
        )

    def tied(self, knots: list[list[int]], elements: IntArray) -> Digits:
        """Return what is left for some elements, and before them knots that reach some digits.

        The weights of knots are left to themselves: 1, 0 and 1.
        """
        shape = (len(self), len(knots), self.open_ges.shape[2])
        ones_gks, zeros_gks = np.ones(shape), np.zeros(shape)
        most_ges, shown_ges = (
            np.concatenate([zeros_gks.astype(of_ges.dtype), of_ges[:, elements]], axis=1)
            for of_ges in (self.explain.most_tes, self.explain.shown_tes)
        )
        reach_gk = np.zeros(shape[:2], dtype=np.bool_)
        for k, reached in enumerate(knots):
            reach_gk[reached, k] = True
        return replace(
            self,
            open_ges=np.concatenate([ones_gks, self.open_ges[:, elements]], axis=1),
            explain=Explain(most_ges, shown_ges, self.explain.share_qtp),
            explained_ges=np.concatenate([ones_gks, self.explained_ges[:, elements]], axis=1),
            reach_ge=np.concatenate([reach_gk, self.reach_ge[:, elements]], axis=1),
        )


def merge_terms(arrays: Arrays, used_es: BoolArray) -> Digits:
    """Merge the terms whose weights are equal on every element.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    used_es : ndarray of bool, shape (element, state)
        States that have any prior probability; only these can reach a term.

    Returns
    -------
    Digits
        One digit for every distinct term, in order of first appearance.
    """
    groups: list[list[int]] = []
    by_sum: dict[tuple[float, ...], list[list[int]]] = {}
    sums_t = zip(
        arrays.open_tes.sum(axis=(1, 2)).tolist(),
        arrays.explain.most_tes.sum(axis=(1, 2)).tolist(),
        arrays.close_qt2.sum(axis=(0, 2)).tolist(),
        strict=True,
    )
    for term, sums in enumerate(sums_t):
        like = by_sum.setdefault(sums, [])
        same = (group for group in like if _are_equal(arrays, group[0], term))
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
    explain = arrays.explain.only(first)
    explained_ges = arrays.explained_tes[first]
    close_qg2 = arrays.close_qt2[:, first]
    acts_ges = (open_ges != 1.0) | (explained_ges != 1.0) | (explain.most_tes != 0.0)
    explain_varies_g = explain.varies_t
    return Digits(
        count_g=np.array([len(terms) for terms in groups], dtype=np.int64),
        open_ges=open_ges,
        explain=explain,
        explained_ges=explained_ges,
        start_qg2=np.stack([np.ones(close_qg2.shape[:2]), np.zeros(close_qg2.shape[:2])], axis=2),
        close_qg2=close_qg2,
        reach_ge=(acts_ges & used_es).any(axis=2),
        by_level_g=explain_varies_g | (close_qg2[1:] != close_qg2[:1]).any(axis=(0, 2)),
        moves_by_level_g=explain_varies_g,
        strict_g=explain_varies_g | _minds_order(open_ges, explain.most_tes, explained_ges),
    )


def _minds_order(
    open_ges: FloatArray, explain_ges: FloatArray, explained_ges: FloatArray
) -> BoolArray:
    """Say which digits mind the order of the elements that move them, shape (digit,)."""
    gap_ges = open_ges + explain_ges
    gap_ges -= explained_ges
    is_free_ges = np.abs(gap_ges, out=gap_ges) <= ROUNDING * explained_ges
    return np.asarray(~is_free_ges.all(axis=(1, 2)))


def _are_equal(arrays: Arrays, one: int, other: int) -> bool:
    """Say whether two terms have equal weights everywhere."""
    explain = arrays.explain
    by_term = arrays.open_tes, arrays.explained_tes, explain.most_tes, explain.shown_tes
    by_node = explain.share_qtp, arrays.close_qt2
    return all(np.array_equal(each[one], each[other]) for each in by_term) and all(
        np.array_equal(each[:, one], each[:, other]) for each in by_node
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


class Prepared(msgspec.Struct, frozen=True, eq=False):
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

    def cases(self) -> list[Prepared]:
        """Suppose in turn what the element does that comes first on most digits that mind order.

        Given what it does, each of these starts at two known weights, and need not be open before
        the next element that reaches it. States that do alike are one case.
        """
        digits = self.digits
        joins_g = digits.strict_g & (digits.reach_ge.sum(axis=1) > 1)
        if not joins_g.any():
            return [self]
        first_g = digits.reach_ge.argmax(axis=1)
        leader = int(np.bincount(first_g[joins_g]).argmax())
        led = np.flatnonzero(joins_g & (first_g == leader))
        open_gs = digits.open_ges[led, leader]
        every_s = np.arange(open_gs.shape[1])
        explain_qgs = digits.explain.at(led[:, None], np.array(leader), every_s)
        acts = np.concatenate([open_gs, *explain_qgs])
        first_k, kind_s = distinct_rows(acts.T)
        reach_ge = digits.reach_ge.copy()
        reach_ge[led, leader] = False
        cases = []
        for kind, state in enumerate(first_k.tolist()):
            weight_des = self.weight_des.copy()
            weight_des[:, leader, kind_s != kind] = 0.0
            start_qg2 = digits.start_qg2.copy()
            start_qg2[:, led, 0] = open_gs[:, state]
            start_qg2[:, led, 1] = explain_qgs[:, :, state]
            supposed = replace(digits, start_qg2=start_qg2, reach_ge=reach_ge)
            if weight_des[:, leader].any():
                cases.append(replace(self, weight_des=weight_des, digits=supposed))
        return cases

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


def distinct_rows(rows: FloatArray | IntArray) -> tuple[IntArray, IntArray]:
    """Return where each distinct row stands first, and which of these each row equals."""
    width, packed = rows.itemsize * rows.shape[1], rows.tobytes()
    seen: dict[bytes, int] = {}
    starts = range(0, len(packed), width)
    number_r = np.array([seen.setdefault(packed[at : at + width], len(seen)) for at in starts])
    first = np.flatnonzero(np.diff(np.maximum.accumulate(number_r), prepend=-1))
    return first, number_r


def prepare(arrays: Arrays, prior_des: FloatArray) -> Prepared:
    """Merge terms, and take those that join nothing into the weights.

    A term that one element reaches is a factor on it; one that none reaches is a constant.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays; its own prior is not used.
    prior_des : ndarray of float, shape (draw, element, state)
        Priors.

    Returns
    -------
    Prepared

    Raises
    ------
    EvidenceError
        If an element has no possible state left.
    """
    used_es = np.asarray((prior_des > 0).any(axis=0))
    digits = merge_terms(arrays, used_es)
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
    closed_ges = digits.open_ges * open_close_g + digits.explain.most_tes * explained_close_g
    log_ges = np.where(digits.reach_ge[:, :, None], np.log(closed_ges), 0.0)
    total: FloatArray = np.tensordot(digits.count_g.astype(float), log_ges, axes=1)
    return total
