"""The tree of partial assignments, followed while the pass fits in two blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.posterior.blocks import Blocks
from swapinfer.posterior.prepare import Prepared
from swapinfer.posterior.route import Route


@dataclass(frozen=True, slots=True)
class Found:
    """Full assignments whose belief is above a threshold.

    Attributes
    ----------
    element_l : ndarray of int, shape (tree level,)
        Elements in the order of the tree.
    state_hl : ndarray of int, shape (assignment, tree level)
        Their states.
    belief_h : ndarray of float, shape (assignment,)
        Posterior probabilities, in no order.
    left_out : float
        Posterior probability of all other assignments together.
    """

    element_l: IntArray
    state_hl: IntArray
    belief_h: FloatArray
    left_out: float

    def padded(self, rows: IntArray) -> tuple[IntArray, IntArray]:
        """Return some assignments as (element_hk, state_hk), padded with -1."""
        state_hl = self.state_hl[rows]
        width = int((state_hl > 0).sum(axis=1).max(initial=0))
        faults_first = np.argsort(state_hl == 0, axis=1, kind="stable")[:, :width]
        state_hk = np.take_along_axis(state_hl, faults_first, axis=1)
        present_hk = state_hk > 0
        element_hk = np.where(present_hk, self.element_l[faults_first], -1)
        return element_hk, np.where(present_hk, state_hk, -1)


@dataclass(slots=True)
class Walk:
    """Branches above the threshold, on their way through the tree.

    Attributes
    ----------
    belief_h : ndarray of float, shape (branch,)
        Share of the posterior that all completions have together.
    trail : list of (ndarray of int, ndarray of int)
        Parent and state of each branch, level by level.
    left_out : float
        Share of the posterior in branches cut.
    """

    belief_h: FloatArray
    trail: list[tuple[IntArray, IntArray]]
    left_out: float

    @classmethod
    def start(cls) -> Walk:
        """Return a single branch that holds everything."""
        return cls(np.ones(1), [], 0.0)

    def branch(
        self, total_hs: FloatArray, threshold: float, widest: int
    ) -> tuple[IntArray, IntArray]:
        """Divide each branch in proportion to its totals and cut what is below the threshold.

        Returns
        -------
        parent_h, state_h : ndarray of int, shape (branch,)
            Origin of the branches that stay.
        """
        share_h = self.belief_h / total_hs.sum(axis=1)
        flat = (total_hs * share_h[:, None]).ravel()
        kept = np.flatnonzero(flat >= threshold)
        if kept.size > widest:
            kept = np.sort(kept[np.argpartition(-flat[kept], widest)[:widest]])
        self.belief_h = flat[kept]
        flat[kept] = 0.0
        self.left_out += float(flat.sum())
        parent_h, state_h = np.divmod(kept, total_hs.shape[1])
        self.trail.append((parent_h, state_h))
        return parent_h, state_h

    def visit_alone(self, weight_es: FloatArray, threshold: float, widest: int) -> None:
        """Divide by elements that reach no digit."""
        for weight_s in weight_es:
            total_hs = np.broadcast_to(weight_s, (len(self.belief_h), weight_s.size))
            self.branch(total_hs, threshold, widest)

    def found(self, elements: tuple[int, ...]) -> Found:
        """Read the states of every branch off its trail."""
        at_h = np.arange(len(self.belief_h))
        columns = []
        for parent_h, state_h in reversed(self.trail):
            columns.append(state_h[at_h])
            at_h = parent_h[at_h]
        return Found(
            np.array(elements), np.stack(columns[::-1], axis=1), self.belief_h, self.left_out
        )


@dataclass(frozen=True, slots=True)
class BlockTree:
    """The tree whose branches carry two-block messages.

    Attributes
    ----------
    blocks : Blocks
        The route's matrices.
    outlook_p : list of ndarray of float, shape (kept state or 1, level node, state, left, right)
        At each position, what each state and all that follows weigh for a message before it.
    alone : tuple of int
        Elements that reach no digit.
    weight_es : ndarray of float, shape (element, state)
        Prior times factors.
    idle_p : ndarray of bool, shape (position,)
        Where the good state leaves the message as it is.
    """

    blocks: Blocks
    outlook_p: list[FloatArray]
    alone: tuple[int, ...]
    weight_es: FloatArray
    idle_p: BoolArray

    @classmethod
    def of(cls, prepared: Prepared, route: Route) -> BlockTree:
        """Plant the tree along a route that reaches at least one digit."""
        weight_es = prepared.weight_des[0]
        alone = tuple(sorted(set(range(len(weight_es))) - set(route.order)))
        blocks = Blocks.of(prepared.digits, route, weight_es, prepared.level_q)
        idle_p = ~prepared.digits.good_acts_e[list(route.order)]
        idle_p[list(route.closes)] = False
        return cls(blocks, blocks.outlook(), alone, weight_es, idle_p)

    def sets_above(self, threshold: float, widest: int) -> Found:
        """Return every assignment whose belief is at least `threshold`.

        Parameters
        ----------
        threshold : float
            Belief below which branches are cut.
        widest : int
            Most branches followed at a time; beyond, those with the largest totals are.
        """
        left, right = self.blocks.left, self.blocks.right
        stand = _Stand(np.zeros((1, 1, left.length, right.length)), np.zeros(1, dtype=np.int64))
        stand.message_h[..., 0, 0] = 1.0
        walk = Walk.start()
        for p in range(len(self.outlook_p)):
            stand = self._visited(walk, p, self._opened(p, stand), threshold, widest)
        walk.visit_alone(self.weight_es[list(self.alone)], threshold, widest)
        return walk.found((*self.blocks.route.order, *self.alone))

    def _opened(self, p: int, stand: _Stand) -> _Stand:
        """Open what was delayed until now; carry the level nodes from where they matter."""
        message_h = stand.message_h
        if self.blocks.route.is_wide and p == self.blocks.route.wide[0]:
            message_h = message_h * self.blocks.level_q[:, None, None]
        left, right = self.blocks.left, self.blocks.right
        if p in left.open_p:
            message_h = left.open_p[p][stand.kept_h] @ message_h
        if p in right.open_p:
            message_h = message_h @ right.open_p[p][stand.kept_h].swapaxes(-1, -2)
        return _Stand(message_h, stand.kept_h)

    def _visited(self, walk: Walk, p: int, stand: _Stand, threshold: float, widest: int) -> _Stand:
        route = self.blocks.route
        parent_h, state_h = walk.branch(stand.met(self.outlook_p[p]), threshold, widest)
        message_h = self._moved(p, stand.message_h[parent_h], state_h)
        if route.is_wide and p == route.wide[1] - 1:
            message_h = message_h.sum(axis=1, keepdims=True)
        return _Stand(message_h, state_h if p == route.kept else stand.kept_h[parent_h])

    def _moved(self, p: int, message_h: FloatArray, state_h: IntArray) -> FloatArray:
        """Move each branch's message by its own state."""
        left, right = self.blocks.left, self.blocks.right
        left_qjsi = left.move_p[p].reshape(-1, left.length, left.n_states, left.length)
        right_qsij = right.move_p[p].reshape(-1, right.n_states, right.length, right.length)
        for state in np.flatnonzero(np.bincount(state_h)).tolist():
            if state == 0 and self.idle_p[p]:
                continue
            rows = np.flatnonzero(state_h == state)
            moved = left_qjsi[:, :, state] @ message_h[rows] @ right_qsij[:, state]
            message_h[rows] = moved / moved.max(axis=(1, 2, 3), keepdims=True)
        return message_h


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where the digits stand on each branch.

    Attributes
    ----------
    message_h : ndarray of float, shape (branch, level node or 1, left, right)
        Weight of the joint levels of the open digits, up to a factor of each branch.
    kept_h : ndarray of int, shape (branch,)
        State of the kept element.
    """

    message_h: FloatArray
    kept_h: IntArray

    def met(self, outlook: FloatArray) -> FloatArray:
        """Weigh each state and all that follows, shape (branch, state)."""
        message_h = self.message_h
        if outlook.shape[1] < message_h.shape[1]:
            message_h = message_h.sum(axis=1, keepdims=True)
        flat_h = message_h.reshape(len(message_h), -1)
        n_kept, _, n_states = outlook.shape[:3]
        flat_ks = outlook.swapaxes(1, 2).reshape(n_kept, n_states, -1)
        total_hs: FloatArray = np.empty((len(flat_h), n_states))
        if n_kept == 1:
            np.matmul(flat_h, flat_ks[0].T, out=total_hs)
            return total_hs
        for kept in np.flatnonzero(np.bincount(self.kept_h)).tolist():
            rows = self.kept_h == kept
            total_hs[rows] = flat_h[rows] @ flat_ks[kept].T
        return total_hs
