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

    A digit of ``k`` equal terms has ``k + 1`` levels: how many of them are explained. The weights
    are those of one of its terms, see `Arrays`.
    """

    count_g: IntArray  # number of terms merged into each digit
    open_ges: FloatArray
    explain: Explain
    explained_ges: FloatArray
    # Weights of an open and an explained term before the first element, and closing weights
    start_qg2: FloatArray
    close_qg2: FloatArray
    reach_ge: BoolArray  # whether an element acts on the digit at all
    # Whether the digit's weights depend on the shared level; whether those do with which elements
    # move it, and not only its closing weights
    by_level_g: BoolArray
    moves_by_level_g: BoolArray
    strict_g: BoolArray  # whether it minds the order of the elements that move it

    def __len__(self) -> int:
        return int(self.count_g.size)

    @property
    def n_nodes(self) -> int:
        """Number of level nodes."""
        return len(self.close_qg2)

    @cached_property
    def lengths(self) -> list[int]:
        """Number of levels of each digit."""
        lengths: list[int] = (self.count_g + 1).tolist()
        return lengths

    def starting(self, digit: int) -> FloatArray:
        """Return the weight of each level at first, shape (count + 1, level node or 1)."""
        count, nodes = int(self.count_g[digit]), slice(None if self.moves_by_level_g[digit] else 1)
        open_k, explained_k = (_powers(count, base) for base in self.start_qg2[nodes, digit].T)
        return np.array(
            [comb(count, j) * open_k[count - j] * explained_k[j] for j in range(count + 1)]
        )

    def closing(self, digit: int) -> FloatArray:
        """Return the closing weight of each level, shape (count + 1, level node or 1)."""
        count, nodes = int(self.count_g[digit]), slice(None if self.by_level_g[digit] else 1)
        open_k, explained_k = (_powers(count, base) for base in self.close_qg2[nodes, digit].T)
        return np.array([open_k[count - j] * explained_k[j] for j in range(count + 1)])

    def acts(self, group: Sequence[int], element: int) -> FloatArray:
        """Return what tells states apart that move some digits, shape (state, figure)."""
        at, explain = (list(group), element), self.explain
        figures = self.open_ges, explain.most_tes, explain.shown_tes, self.explained_ges
        acts_xs: FloatArray = np.concatenate([of_ges[at] for of_ges in figures])
        return acts_xs.T

    @cached_property
    def node_qg(self) -> IntArray:
        """Which of those that a digit tells apart each level node is."""
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

        A knot acts as a whole, by a matrix of its own: its weights here are 1, 0 and 1.
        """
        shape = len(self), len(knots), self.open_ges.shape[2]
        ones_gks, zeros_gks = np.ones(shape), np.zeros(shape, dtype=np.int64)
        reach_gk = np.zeros(shape[:2], dtype=np.bool_)
        for k, reached in enumerate(knots):
            reach_gk[reached, k] = True
        explain = self.explain
        return replace(
            self,
            open_ges=np.concatenate([ones_gks, self.open_ges[:, elements]], axis=1),
            explain=Explain(
                np.concatenate([zeros_gks, explain.most_tes[:, elements]], axis=1),
                np.concatenate([zeros_gks, explain.shown_tes[:, elements]], axis=1),
                explain.share_qtp,
            ),
            explained_ges=np.concatenate([ones_gks, self.explained_ges[:, elements]], axis=1),
            reach_ge=np.concatenate([reach_gk, self.reach_ge[:, elements]], axis=1),
        )


def merge_terms(arrays: Arrays, used_es: BoolArray) -> Digits:
    """Merge the terms whose weights are equal on every element.

    Only states that have any prior probability, `used_es`, can reach a term.
    """
    explain, firsts = arrays.explain, dict[tuple[float, ...], list[int]]()
    sums_t = zip(
        arrays.open_tes.sum(axis=(1, 2)).tolist(),
        explain.most_tes.sum(axis=(1, 2)).tolist(),
        arrays.close_qt2.sum(axis=(0, 2)).tolist(),
        strict=True,
    )
    count_t = np.zeros(arrays.finding_t.size, dtype=np.int64)
    for term, sums in enumerate(sums_t):
        like = firsts.setdefault(sums, [])
        first = next((one for one in like if _are_equal(arrays, one, term)), term)
        if first == term:
            like.append(term)
        count_t[first] += 1
    first_g: IntArray | slice = np.flatnonzero(count_t)
    if count_t.all():
        first_g = slice(None)  # a view of everything instead of a copy
    open_ges, explained_ges = arrays.open_tes[first_g], arrays.explained_tes[first_g]
    explain, close_qg2 = explain.only(first_g), arrays.close_qt2[:, first_g]
    acts_ges = (open_ges != 1.0) | (explained_ges != 1.0) | (explain.most_tes != 0.0)
    gap_ges = open_ges + explain.most_tes
    gap_ges -= explained_ges
    is_free_ges = np.abs(gap_ges, out=gap_ges) <= ROUNDING * explained_ges
    varies_g = explain.varies_t
    start_qg2 = np.zeros_like(close_qg2)
    start_qg2[..., 0] = 1.0
    return Digits(
        count_g=count_t[first_g],
        open_ges=open_ges,
        explain=explain,
        explained_ges=explained_ges,
        start_qg2=start_qg2,
        close_qg2=close_qg2,
        reach_ge=(acts_ges & used_es).any(axis=2),
        by_level_g=varies_g | (close_qg2[1:] != close_qg2[:1]).any(axis=(0, 2)),
        moves_by_level_g=varies_g,
        strict_g=varies_g | ~is_free_ges.all(axis=(1, 2)),
    )


def _are_equal(arrays: Arrays, one: int, other: int) -> bool:
    explain = arrays.explain
    by_term = arrays.open_tes, arrays.explained_tes, explain.most_tes, explain.shown_tes
    by_node = explain.share_qtp, arrays.close_qt2
    return all(np.array_equal(each[one], each[other]) for each in by_term) and all(
        np.array_equal(each[:, one], each[:, other]) for each in by_node
    )


def count_moves(
    count: int, open_es: FloatArray, explain_qes: FloatArray, explained_es: FloatArray
) -> FloatArray:
    """Return how `count` equal terms move between levels, shape (to, from, level node, ...).

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
    """Return the powers 0 to `count`, by repeated multiplication."""
    powers = [np.ones_like(base)]
    for _ in range(count):
        powers.append(powers[-1] * base)
    return powers


class Prepared(msgspec.Struct, frozen=True, eq=False):
    """Weights of single elements, and the digits that join several."""

    # Prior times factors under each draw of the prior, each element's largest factor taken out
    weight_des: FloatArray
    log_shift: float  # natural log of what was taken out
    # Weight of each level node, the largest 1; a single 1 where no digit depends on it
    level_q: FloatArray
    digits: Digits  # digits that at least one element reaches

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
        first_k, kind_s = distinct_rows(np.concatenate([open_gs, *explain_qgs]).T)
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
        weight_des = np.concatenate([good_dks, weight_des], axis=1)
        return replace(self, weight_des=weight_des, digits=self.digits.tied(knots, elements))


def distinct_rows(rows: FloatArray | IntArray) -> tuple[IntArray, IntArray]:
    """Return where each distinct row stands first, and which of these each row equals."""
    whole = f"V{rows.itemsize * rows.shape[1]}"
    keys = np.ascontiguousarray(rows).view(whole).ravel().tolist()
    number = {key: at for at, key in enumerate(dict.fromkeys(keys))}
    number_r = np.array([number[key] for key in keys])
    first = np.zeros(len(number), dtype=np.int64)
    first[number_r[::-1]] = np.arange(len(keys))[::-1]  # of equal ones the last assigned stays
    return first, number_r


def prepare(arrays: Arrays, prior_des: FloatArray) -> Prepared:
    """Merge terms, and take those that join nothing into the weights.

    The priors have shape (draw, element, state); that of the arrays is not used.

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
            never = digits.only(n_reaching_g == 0)
            log_level_q += np.log(never.close_qg2[:, :, 0]) @ never.count_g.astype(float)
            log_es += _log_alone(digits.only(alone_g))
    digits = digits.only(joining_g)
    shift_e = np.where(used_es, log_es, -np.inf).max(axis=1)
    if not digits.by_level_g.any():
        log_level_q = np.logaddexp.reduce(log_level_q, keepdims=True)
    log_shift = float(shift_e.sum() + log_level_q.max())
    if not np.isfinite(log_shift):
        raise EvidenceError(IMPOSSIBLE)
    factor_es = np.exp(np.where(used_es, log_es - shift_e[:, None], -np.inf))
    level_q = np.exp(log_level_q - log_level_q.max())
    return Prepared(prior_des * factor_es, log_shift, level_q, digits)


def _log_alone(digits: Digits) -> FloatArray:
    """Return the log factors of digits that one element decides, shape (element, state)."""
    open_close_g, explained_close_g = digits.close_qg2[0, :, :, None, None].swapaxes(0, 1)
    closed_ges = digits.open_ges * open_close_g + digits.explain.most_tes * explained_close_g
    log_ges = np.where(digits.reach_ge[:, :, None], np.log(closed_ges), 0.0)
    total: FloatArray = np.tensordot(digits.count_g.astype(float), log_ges, axes=1)
    return total
