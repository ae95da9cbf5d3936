"""The tree of partial assignments: every combination of faults above a threshold.

Going through the elements in the order of the pass, the backward message gives the share of the
posterior that all completions of a partial assignment have together. No completion has more than
that, so a branch below a threshold holds no set above it.

Under a partial assignment the open digits are independent of one another, so a branch carries one
vector an open digit. Most branches agree on most of these: the distinct vectors of a digit stand in
a table, and what follows is weighed once for all branches that agree so far.

Axes: ``h`` branch or fault set, ``k`` fault of a set, ``r`` row: a branch and a state next tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import prod

import msgspec
import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.digits import Digits, Prepared, distinct_rows
from swapinfer.posterior.order import Route, Step
from swapinfer.posterior.sweep import Sweep

BLOCK = 2**18
"""Rows times level nodes that are weighed at a time."""

SPARSE = 32
"""Possible values a row from which numbering by sorting is faster than by a table of them."""


class FaultSets(msgspec.Struct, frozen=True, eq=False):
    """Combinations of faults; elements not named are good.

    Attributes
    ----------
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        The faulty elements of each set and their states, padded with -1.
    belief_h : ndarray of float, shape (fault set,)
        Posterior probability of each set, relative to all combinations there are.
    left_out : float
        Posterior probability of all other combinations together; an upper bound if the
        posterior was not exact, in which case beliefs are relative to what was enumerated.
    """

    element_hk: IntArray
    state_hk: IntArray
    belief_h: FloatArray
    left_out: float

    def states(self, n_elements: int) -> IntArray:
        """Return the state of every element, shape (fault set, element)."""
        return full_states(self.element_hk, self.state_hk, n_elements)

    def marginals(self, shape: tuple[int, ...]) -> FloatArray:
        """Add up the beliefs state by state, shape (element, state)."""
        state_eh = self.states(shape[0]).T
        return np.stack([np.bincount(s_h, self.belief_h, minlength=shape[1]) for s_h in state_eh])


def full_states(element_hk: IntArray, state_hk: IntArray, n_elements: int) -> IntArray:
    """Spread padded fault sets to the state of every element, shape (fault set, element)."""
    state_he = np.zeros((len(element_hk), n_elements), dtype=np.int64)
    row, place = np.nonzero(element_hk >= 0)
    state_he[row, element_hk[row, place]] = state_hk[row, place]
    return state_he


class Tree(msgspec.Struct, frozen=True, eq=False):
    """The tree along a route, of a single prior, that visits all elements one by one."""

    sweep: Sweep
    after_p: list[FloatArray]  # backward message after each position: (level node or 1, levels)

    @classmethod
    def of(cls, prepared: Prepared, route: Route) -> Tree:
        """Go back along a route of all elements that reach a digit."""
        sweep = Sweep.of(prepared, route)
        return cls(sweep, [message[0] for _, message in sweep.backward()][::-1])

    def sets_above(self, threshold: float, widest: int, chance_es: FloatArray) -> FaultSets:
        """Find every assignment whose share of the posterior is at least a threshold, in no order.

        No more than the `widest` branches are followed at a time. `chance_es` is the most that each
        state can have; one below the threshold is not tried. Beliefs, and what was cut, are upper
        bounds: a branch shares among the states tried what it has.
        """
        prepared, route = self.sweep.prepared, self.sweep.route
        weight_es = prepared.weight_des[0]
        dropped_es = chance_es < threshold
        dropped_es[:, 0] = False
        tried_es = (weight_es > 0) & ~dropped_es
        tried_es[:, 0] = True
        digits = prepared.digits
        is_silent_ge = (digits.open_ges == 1.0) & (digits.explained_ges == 1.0)
        is_silent_ge = (is_silent_ge & (digits.explain.most_tes == 0.0))[:, :, 0]
        walk = _Walk(digits, threshold, widest)
        for p, step in enumerate(self.sweep.steps):
            if not walk.share_h.size:
                break
            if route.is_wide and p == route.wide[0]:
                walk.weight_hq = walk.weight_hq * prepared.level_q
            states = np.flatnonzero(tried_es[step.element])
            is_idle = states.size == 1 and all(
                is_silent_ge[g, step.element] and route.opens[g] < p < route.closes[g]
                for g in step.group
            )
            if not is_idle:
                walk.visit(step, states, weight_es[step.element, states], self.after_p[p])
            if route.is_wide and p == route.wide[1] - 1:
                walk.weight_hq = walk.weight_hq.sum(axis=1, keepdims=True)
        alone_e = tried_es[:, 1:].any(axis=1) & ~digits.reach_ge.any(axis=0)
        for element in np.flatnonzero(alone_e).tolist():
            states = np.flatnonzero(tried_es[element])
            walk.branch(
                element, states, np.tile(weight_es[element, states], (len(walk.share_h), 1))
            )
        return walk.found(float(chance_es[dropped_es & (weight_es > 0)].sum()))


class Stand(msgspec.Struct, frozen=True, eq=False):
    """Where an open digit stands on each branch, or row."""

    # (kind, level node or 1, digit level): the distinct vectors, each up to a factor of its own
    table: FloatArray
    kind_h: IntArray  # which of them each branch has

    def only(self, rows: IntArray) -> Stand:
        """Return where it stands on some branches."""
        used, kind_h = _numbered(self.kind_h[rows], len(self.table))
        return Stand(self.table[used], kind_h)


class ClosedDigits(msgspec.Struct, frozen=True, eq=False):
    """What the digits that close on the way to some rows weigh."""

    scale_r: FloatArray  # where it depends on no level, and what is taken out of other digits
    by_level: list[Stand]  # the others; the only level is the weight

    def weights(
        self, weight_hq: FloatArray, parent_r: IntArray, rows: IntArray | slice, *further: Stand
    ) -> FloatArray:
        """Weigh some rows, given their branches, shape (row, level node or 1)."""
        weight_rq = weight_hq[parent_r[rows]] * self.scale_r[rows, None]
        for stand in (*self.by_level, *further):
            weight_rq = weight_rq * stand.table[..., 0].take(stand.kind_h[rows], axis=0)
        return weight_rq


class _Walk:
    """Branches above the threshold, on their way through the tree.

    They have a share (the most that all completions can have together), a weight of the digits
    closed so far, up to a factor of each branch, and a stand of each open digit.
    """

    def __init__(self, digits: Digits, threshold: float, widest: int) -> None:
        self.digits, self.threshold, self.widest = digits, threshold, widest
        self.share_h = np.ones(1)
        self.weight_hq = np.ones((1, 1))
        self.stands: dict[int, Stand] = {}
        self._cut = 0.0
        self._trail: list[tuple[int, IntArray, IntArray]] = []

    def visit(self, step: Step, states: IntArray, weight_s: FloatArray, after: FloatArray) -> None:
        """Divide each branch among the states of an element, and move its digits."""
        parent_r = np.repeat(np.arange(len(self.share_h)), states.size)
        closed, moved = self._moved(step, states)
        kept_r = parent_r
        if states.size > 1:
            worth = self._worth(after, step.after, moved, parent_r)
            block = max(1, BLOCK // self.weight_hq.shape[1])
            rows = (slice(row, row + block) for row in range(0, len(parent_r), block))
            total_r = np.concatenate(
                [closed.weights(self.weight_hq, parent_r, some, worth).sum(axis=1) for some in rows]
            )
            kept_r = self.branch(step.element, states, total_r.reshape(-1, states.size) * weight_s)
        weight_hq = closed.weights(self.weight_hq, parent_r, kept_r)
        self.weight_hq = weight_hq / weight_hq.max(axis=1, keepdims=True)
        parent_h = parent_r[kept_r]
        self.stands = {g: stand.only(parent_h) for g, stand in self.stands.items()}
        self.stands |= {g: stand.only(kept_r) for g, stand in moved.items()}

    def _moved(self, step: Step, states: IntArray) -> tuple[ClosedDigits, dict[int, Stand]]:
        """Take the digits of an element, and move them on each branch by each state."""
        n_branches, n_states = len(self.share_h), states.size
        scale_r, by_level = np.ones(n_branches * n_states), list[Stand]()
        moved: dict[int, Stand] = {}
        for g, kernel in zip(step.group, step.kernel_g, strict=True):
            stand = self.stands.pop(g, None) or Stand(_OPEN, np.zeros(n_branches, np.int64))
            first, kind_s = distinct_rows(self.digits.acts([g], step.element)[states])
            table_kmq = (kernel[states[first]] @ stand.table[:, None, ..., None])[..., 0]
            table = table_kmq.reshape(-1, *table_kmq.shape[2:])
            kind_r = (stand.kind_h[:, None] * first.size + kind_s).ravel()
            if kernel.shape[-2] == 1 and table.shape[1] > 1:
                by_level.append(Stand(table, kind_r))
                continue
            scale_k = table.max(axis=(1, 2))
            scale_k[scale_k == 0.0] = 1.0
            scale_r *= scale_k[kind_r]
            if kernel.shape[-2] > 1:
                table /= scale_k[:, None, None]
                first, number_k = distinct_rows(table.reshape(len(table), -1))
                moved[g] = Stand(table[first], number_k[kind_r])
        return ClosedDigits(scale_r, by_level), moved

    def _worth(
        self, after: FloatArray, axes: Sequence[int], moved: dict[int, Stand], parent_r: IntArray
    ) -> Stand:
        """Weigh what follows by where the open digits stand on each row.

        The digits with fewest kinds are summed out first, once for all rows that agree in them.
        The only level of what is returned is what follows each row.
        """
        stands = self.stands | moved
        lengths = {g: stands[g].table.shape[2] for g in axes}
        order = sorted(axes, key=lambda g: len(stands[g].table))
        cut = 0
        while prod(lengths[g] for g in order[:cut]) ** 2 < after.shape[1]:
            cut += 1
        few, many = (sorted(some, key=moved.__contains__) for some in (order[:cut], order[cut:]))
        ahead = after.reshape(len(after), *lengths.values())
        ahead = ahead.transpose(0, *(1 + axes.index(g) for g in (*few, *many)))
        few_u, few_r = self._joined(few, moved, parent_r)
        many_u, many_r = self._joined(many, moved, parent_r)
        ahead = few_u.swapaxes(0, 1) @ ahead.reshape(len(after), few_u.shape[2], many_u.shape[2])
        pairs, pair_r = _numbered(few_r * len(many_u) + many_r, len(few_u) * len(many_u))
        one, other = np.divmod(pairs, len(many_u))
        worth_qu = (ahead[:, one] * many_u[other].swapaxes(0, 1)).sum(axis=2)
        return Stand(worth_qu.T[..., None], pair_r)

    def _joined(
        self, group: Sequence[int], moved: dict[int, Stand], parent_r: IntArray
    ) -> tuple[FloatArray, IntArray]:
        """Join digits; those that are not moved are alike on all rows of a branch.

        Returns their distinct joint vectors, (kind, level node or 1, joint level), and which of
        them each row has.
        """
        joint_u, kind_h = _OPEN, np.zeros(len(self.share_h), dtype=np.int64)
        for g in group:
            if g not in moved:
                joint_u, kind_h = _times(joint_u, kind_h, self.stands[g])
        kind_r = kind_h[parent_r]
        for g in group:
            if g in moved:
                joint_u, kind_r = _times(joint_u, kind_r, moved[g])
        return joint_u, kind_r

    def branch(self, element: int, states: IntArray, total_hs: FloatArray) -> IntArray:
        """Divide each branch in proportion to its totals and cut what is below the threshold.

        Returns which of the (branch, state) pairs stay.
        """
        share_r = (total_hs * (self.share_h / total_hs.sum(axis=1))[:, None]).ravel()
        kept_r = np.flatnonzero(share_r >= self.threshold)
        if kept_r.size > self.widest:
            largest = np.argpartition(-share_r[kept_r], self.widest)[: self.widest]
            kept_r = np.sort(kept_r[largest])
        self.share_h = share_r[kept_r]
        share_r[kept_r] = 0.0
        self._cut += float(share_r.sum())
        parent_h, state_h = np.divmod(kept_r, states.size)
        self._trail.append((element, parent_h, states[state_h]))
        return kept_r

    def found(self, dropped: float) -> FaultSets:
        """Read the states of every branch off its trail."""
        at_h = np.arange(len(self.share_h))
        state_lh = np.zeros((len(self._trail), len(at_h)), dtype=np.int64)
        for row, (_, parent_h, state_h) in reversed(list(enumerate(self._trail))):
            state_lh[row] = state_h[at_h]
            at_h = parent_h[at_h]
        element_l = np.array([element for element, _, _ in self._trail], dtype=np.int64)
        state_hl = state_lh.T
        width = int((state_hl > 0).sum(axis=1).max(initial=0))
        faults_first = np.argsort(state_hl == 0, axis=1, kind="stable")[:, :width]
        state_hk = np.take_along_axis(state_hl, faults_first, axis=1)
        present_hk = state_hk > 0
        return FaultSets(
            element_hk=np.where(present_hk, element_l[faults_first], -1),
            state_hk=np.where(present_hk, state_hk, -1),
            belief_h=self.share_h,
            left_out=self._cut + dropped,
        )


_OPEN = np.ones((1, 1, 1))
"""Where a digit stands before anything has reached it."""


def _times(joint_u: FloatArray, kind_h: IntArray, stand: Stand) -> tuple[FloatArray, IntArray]:
    """Join one more digit."""
    n_kinds = len(stand.table)
    pairs, kind_h = _numbered(kind_h * n_kinds + stand.kind_h, len(joint_u) * n_kinds)
    one, other = np.divmod(pairs, n_kinds)
    product = joint_u[one, :, :, None] * stand.table[other, :, None]
    return product.reshape(*product.shape[:2], -1), kind_h


def _numbered(value_r: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Return the distinct values below a size, and the number of each row's among them."""
    if size > SPARSE * value_r.size:
        return np.unique(value_r, return_inverse=True)
    is_there = np.zeros(size, dtype=np.bool_)
    is_there[value_r] = True
    number = np.cumsum(is_there) - 1
    return np.flatnonzero(is_there), number[value_r]
