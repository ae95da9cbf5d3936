"""The tree of partial assignments for any number of open digits, each kept as a vector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.posterior.prepare import Prepared
from swapinfer.posterior.route import Route
from swapinfer.posterior.sweep import Step, lay_out, spread
from swapinfer.posterior.tree import Found


@dataclass(frozen=True, slots=True)
class AxisTree:
    """The elements in the order of the pass, and the totals of what follows each.

    Attributes
    ----------
    steps : list of Step
        One a level; elements that reach no digit come last and have no kernel.
    weight_es : ndarray of float, shape (element, state)
        Prior times factors.
    marginal_es : ndarray of float, shape (element, state)
        Posterior marginals: no set has more belief than any of its states.
    message_l : list of ndarray of float, shape (level node, open digits flattened)
        Backward message after each step.
    log_scale_l : list of float
        Log of what each message must be multiplied by to give a share of the posterior.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    """

    steps: list[Step]
    weight_es: FloatArray
    marginal_es: FloatArray
    message_l: list[FloatArray]
    log_scale_l: list[float]
    level_q: FloatArray

    @classmethod
    def of(
        cls, prepared: Prepared, route: Route, marginal_es: FloatArray, log_evidence: float
    ) -> AxisTree:
        """Plant the tree along a route that keeps no element."""
        weight_des = prepared.weight_des
        steps = lay_out(prepared.digits, route)
        alone = sorted(set(range(weight_des.shape[1])) - set(route.order))
        steps += [Step(element, (), (), ()) for element in alone]
        message = np.ones((1, prepared.level_q.size, 1))
        log_scale = prepared.log_shift - log_evidence
        message_l, log_scale_l = [message[0]], [log_scale]
        for step in reversed(steps[1:]):
            message = _total(step, message, weight_des[:, step.element])
            scale = float(message.max())
            message = message / scale
            log_scale += np.log(scale)
            message_l.append(message[0])
            log_scale_l.append(log_scale)
        return cls(
            steps=steps,
            weight_es=weight_des[0],
            marginal_es=marginal_es,
            message_l=message_l[::-1],
            log_scale_l=log_scale_l[::-1],
            level_q=prepared.level_q,
        )

    def sets_above(self, threshold: float, widest: int) -> Found:
        """Return every assignment whose belief is at least `threshold`; see `BlockTree`."""
        branches = _Branches.root(self)
        for level in range(len(self.steps)):
            branches = branches.grown(self, level, threshold, widest)
        return Found(
            element_l=np.array([step.element for step in self.steps]),
            state_hl=branches.state_hl,
            belief_h=branches.belief_h,
            left_out=max(0.0, 1.0 - float(branches.belief_h.sum())),
        )


def _total(step: Step, message: FloatArray, weight_ds: FloatArray) -> FloatArray:
    """Carry a backward message across one element, state by state to save memory."""
    parts = (
        spread(step, message, weight_ds[:, state : state + 1], slice(state, state + 1))[:, :, 0]
        for state in np.flatnonzero(weight_ds[0]).tolist()
    )
    total: FloatArray = sum(parts, np.zeros(1))
    return total


@dataclass(frozen=True, slots=True)
class _Branches:
    """Partial assignments that may still hold a set above the threshold.

    Attributes
    ----------
    state_hl : ndarray of int, shape (branch, tree level)
        States so far.
    log_weight_h : ndarray of float, shape (branch,)
        Log of prior times factors so far.
    level_qh : ndarray of float, shape (level node, branch)
        Weight of the digits closed so far.
    digit_g : tuple of ndarray of float, shape (level node, branch, count + 1)
        Where each open digit stands.
    belief_h : ndarray of float, shape (branch,)
        Share of the posterior that all completions have together.
    """

    state_hl: IntArray
    log_weight_h: FloatArray
    level_qh: FloatArray
    digit_g: tuple[FloatArray, ...]
    belief_h: FloatArray

    @classmethod
    def root(cls, tree: AxisTree) -> _Branches:
        return cls(
            state_hl=np.zeros((1, 0), dtype=np.int64),
            log_weight_h=np.zeros(1),
            level_qh=tree.level_q[:, None],
            digit_g=(),
            belief_h=np.ones(1),
        )

    def grown(self, tree: AxisTree, level: int, threshold: float, widest: int) -> _Branches:
        """Return the branches one level on, those below the threshold cut."""
        step = tree.steps[level]
        live_s = tree.marginal_es[step.element] >= threshold
        live_s[0] = tree.weight_es[step.element, 0] > 0
        state_s = np.flatnonzero(live_s)
        parent_h = np.repeat(np.arange(len(self.log_weight_h)), state_s.size)
        state_h = np.tile(state_s, len(self.log_weight_h))
        level_qh, digit_g = self._carried(step, state_s, parent_h)
        log_weight_h = self.log_weight_h[parent_h] + np.log(tree.weight_es[step.element, state_h])
        total_h = _meet(level_qh, digit_g, tree.message_l[level])
        belief_h = total_h * np.exp(log_weight_h + tree.log_scale_l[level])
        kept = np.flatnonzero(belief_h >= threshold)
        if kept.size > widest:
            kept = np.sort(kept[np.argsort(-belief_h[kept], kind="stable")[:widest]])
        return _Branches(
            state_hl=np.column_stack([self.state_hl[parent_h[kept]], state_h[kept]]),
            log_weight_h=log_weight_h[kept],
            level_qh=level_qh[:, kept],
            digit_g=tuple(digit[:, kept] for digit in digit_g),
            belief_h=belief_h[kept],
        )

    def _carried(
        self, step: Step, state_s: IntArray, parent_h: IntArray
    ) -> tuple[FloatArray, tuple[FloatArray, ...]]:
        kernels = dict(step.kernels)
        n_open = len(self.digit_g)
        level_qh = self.level_qh[:, parent_h]
        open_digits = []
        for axis in range(max(n_open, len(step.after))):
            fresh = np.ones((level_qh.shape[0], len(self.log_weight_h), 1))
            digit = self.digit_g[axis] if axis < n_open else fresh
            if axis not in kernels:
                open_digits.append(digit[:, parent_h])
                continue
            kernel = kernels[axis][:, state_s]
            moved = (kernel[:, None] @ digit[:, :, None, :, None])[..., 0]
            moved = moved.reshape(len(moved), parent_h.size, -1)
            if step.after[axis] == 1:
                level_qh = level_qh * moved[..., 0]
            else:
                open_digits.append(moved)
        return level_qh, tuple(open_digits)


def _meet(level_qh: FloatArray, digit_g: tuple[FloatArray, ...], message: FloatArray) -> FloatArray:
    """Sum what follows over the levels of the open digits, shape (branch,)."""
    half = len(digit_g) // 2
    left = _joint(level_qh[..., None], digit_g[:half])
    right = _joint(np.ones_like(left[..., :1]), digit_g[half:])
    table = message.reshape(message.shape[0], left.shape[2], right.shape[2])
    total: FloatArray = ((left @ table) * right).sum(axis=(0, 2))
    return total


def _joint(start: FloatArray, digit_g: tuple[FloatArray, ...]) -> FloatArray:
    joint = start
    for digit in digit_g:
        joint = (joint[..., :, None] * digit[..., None, :]).reshape(*joint.shape[:2], -1)
    return joint
