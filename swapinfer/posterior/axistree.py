"""The tree of partial assignments for any number of open digits, each kept as a vector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.prepare import Prepared
from swapinfer.posterior.route import Route
from swapinfer.posterior.steps import Step
from swapinfer.posterior.sweep import Sweep
from swapinfer.posterior.tree import Found, Walk


@dataclass(frozen=True, slots=True)
class AxisTree:
    """The tree whose branches carry one vector an open digit.

    Attributes
    ----------
    sweep : Sweep
        The pass.
    message_p : dict of int to ndarray of float, shape (level node or 1, open digits flattened)
        Backward message after each position.
    alone : tuple of int
        Elements that reach no digit.
    weight_es : ndarray of float, shape (element, state)
        Prior times factors.
    """

    sweep: Sweep
    message_p: dict[int, FloatArray]
    alone: tuple[int, ...]
    weight_es: FloatArray

    @classmethod
    def of(cls, prepared: Prepared, route: Route) -> AxisTree:
        """Plant the tree along a route that keeps no element."""
        sweep = Sweep.of(prepared.digits, route, prepared.weight_des, prepared.level_q)
        weight_es = prepared.weight_des[0]
        alone = tuple(sorted(set(range(len(weight_es))) - set(route.order)))
        message_p = {p: message[0, 0] for p, message in sweep.backward()}
        return cls(sweep, message_p, alone, weight_es)

    def sets_above(self, threshold: float, widest: int) -> Found:
        """Return every assignment whose belief is at least `threshold`; see `BlockTree`."""
        walk = Walk.start()
        stand = _Stand(np.ones((1, 1)), {})
        for p in range(len(self.sweep.steps)):
            stand = self._visited(walk, p, stand, threshold, widest)
        walk.visit_alone(self.weight_es[list(self.alone)], threshold, widest)
        return walk.found((*self.sweep.route.order, *self.alone))

    def _visited(self, walk: Walk, p: int, stand: _Stand, threshold: float, widest: int) -> _Stand:
        step, route = self.sweep.steps[p], self.sweep.route
        if p == route.wide[0]:
            stand = _Stand(stand.level_qh * self.sweep.level_q[:, None], stand.digits)
        weight_s = self.weight_es[step.element]
        state_s = np.flatnonzero(weight_s > 0)
        parent_r = np.repeat(np.arange(len(walk.belief_h)), state_s.size)
        moved = stand.moved(step, parent_r, np.tile(state_s, len(walk.belief_h)))
        total_hs = np.zeros((len(walk.belief_h), weight_s.size))
        total_hs[:, state_s] = moved.met(step.after, self.message_p[p]).reshape(-1, state_s.size)
        total_hs *= weight_s
        parent_h, state_h = walk.branch(total_hs, threshold, widest)
        stand = moved.only(parent_h * state_s.size + np.searchsorted(state_s, state_h))
        return stand.level_summed() if p == route.wide[1] - 1 else stand


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where the digits stand on each branch.

    Attributes
    ----------
    level_qh : ndarray of float, shape (level node or 1, branch)
        Weight of the digits closed so far, up to a factor of each branch.
    digits : dict of int to ndarray of float, shape (level node or 1, branch, count + 1)
        Where each open digit stands.
    """

    level_qh: FloatArray
    digits: dict[int, FloatArray]

    def moved(self, step: Step, parent_r: IntArray, state_r: IntArray) -> _Stand:
        """Let a step's states act on copies of the branches."""
        level_qr = self.level_qh[:, parent_r]
        digits = {g: self.digits[g][:, parent_r] for g in step.before if g not in step.group}
        for g, kernel in zip(step.group, step.kernel_g, strict=True):
            before = self.digits.get(g, np.ones((1, len(self.level_qh[0]), 1)))[:, parent_r]
            moves = kernel[state_r, 0].swapaxes(0, 1)
            after = (moves @ before[..., None])[..., 0]
            if kernel.shape[-2] == 1:
                level_qr = level_qr * after[..., 0]
            else:
                digits[g] = after
        return _Stand(level_qr, digits)

    def met(self, axes: tuple[int, ...], message: FloatArray) -> FloatArray:
        """Weigh what follows, summed over the levels of the open digits, shape (branch,)."""
        half = len(axes) // 2
        left = self._joint(self.level_qh[..., None], axes[:half])
        right = self._joint(np.ones_like(left[..., :1]), axes[half:])
        table = message.reshape(len(message), left.shape[-1], right.shape[-1])
        total: FloatArray = ((left @ table) * right).sum(axis=(0, 2))
        return total

    def _joint(self, start: FloatArray, axes: tuple[int, ...]) -> FloatArray:
        joint = start
        for g in axes:
            product = joint[..., :, None] * self.digits[g][..., None, :]
            joint = product.reshape(*product.shape[:2], -1)
        return joint

    def only(self, rows: IntArray) -> _Stand:
        """Return some branches, each rescaled."""
        level_qh = self.level_qh[:, rows]
        return _Stand(
            level_qh / level_qh.max(axis=0),
            {g: digit[:, rows] for g, digit in self.digits.items()},
        )

    def level_summed(self) -> _Stand:
        """Sum out the level nodes once no open digit depends on them."""
        return _Stand(self.level_qh.sum(axis=0, keepdims=True), self.digits)
