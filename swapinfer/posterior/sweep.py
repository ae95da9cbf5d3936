"""The pass for any number of open digits, each of them an axis of the message.

Slower than two blocks while few digits are open; beyond, an element costs only the axes that it
moves, and the message is never longer than the digits open at the time ask for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.route import Route

DENSE = 2**12
"""Entries up to which an element's states are summed into one matrix; beyond, one by one."""

GROUP = 16
"""Joint levels up to which digits are moved together when states go one by one."""


@dataclass(frozen=True, slots=True)
class Step:
    """One element's action on the message.

    Attributes
    ----------
    element : int
        Index of the element.
    rest : tuple of int
        Open digits that the element leaves alone.
    group : tuple of int
        Digits that it moves; those that open here are not yet axes of the message before.
    kernel_g : tuple of ndarray of float, shape (level node or 1, state, to, from)
        What each state does to each digit of the group; one that opens here comes from 1 level,
        one that closes here goes to 1.
    """

    element: int
    rest: tuple[int, ...]
    group: tuple[int, ...]
    kernel_g: tuple[FloatArray, ...]

    @property
    def before(self) -> tuple[int, ...]:
        """Axes of the message before the element."""
        pairs = zip(self.group, self.kernel_g, strict=True)
        return self.rest + tuple(g for g, kernel in pairs if kernel.shape[-1] > 1)

    @property
    def after(self) -> tuple[int, ...]:
        """Axes of the message after the element."""
        pairs = zip(self.group, self.kernel_g, strict=True)
        return self.rest + tuple(g for g, kernel in pairs if kernel.shape[-2] > 1)

    @property
    def to_length(self) -> int:
        """Joint levels of the group after the element."""
        return prod(kernel.shape[-2] for kernel in self.kernel_g)

    @property
    def from_length(self) -> int:
        """Joint levels of the group before the element."""
        return prod(kernel.shape[-1] for kernel in self.kernel_g)


@dataclass(frozen=True, slots=True)
class _Moves:
    """A step's kernels joined, for the states that have any weight.

    Attributes
    ----------
    states : ndarray of int, shape (live state,)
        Which states these are.
    factors : tuple of ndarray of float, shape (level node or 1, live state, to, from)
        All digits of the group in one matrix if that is small enough, else as many as fit.
    """

    states: IntArray
    factors: tuple[FloatArray, ...]

    @classmethod
    def of(cls, step: Step, weight_ds: FloatArray) -> _Moves:
        states = np.flatnonzero(weight_ds.any(axis=0))
        dense = step.to_length * step.from_length <= DENSE
        factors: list[FloatArray] = []
        for kernel in (kernel[:, states] for kernel in step.kernel_g):
            longest = max(factors[-1].shape[-2:]) * max(kernel.shape[-2:]) if factors else 0
            if factors and (dense or longest <= GROUP):
                factors[-1] = _kron(factors[-1], kernel)
            else:
                factors.append(kernel)
        return cls(states, tuple(factors))

    @property
    def is_dense(self) -> bool:
        """Whether one matrix does it all."""
        return len(self.factors) == 1

    def moved(self, row: int, message: FloatArray, length: int, *, backward: bool) -> FloatArray:
        """Move a message by one live state: the factors in turn, each joining the end."""
        moved = message.reshape(*message.shape[:2], -1, length)
        for factor in self.factors:
            kernel = factor[:, row] if backward else factor[:, row].swapaxes(-1, -2)
            split = moved.reshape(*moved.shape[:3], kernel.shape[-2], -1)
            turned = split.swapaxes(-1, -2) @ kernel[:, None]
            moved = turned.reshape(*turned.shape[:3], -1)
        return moved.reshape(*moved.shape[:2], -1)


def _kron(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the Kronecker product of the last two axes."""
    joint: FloatArray = one[..., :, None, :, None] * other[..., None, :, None, :]
    rows, columns = one.shape[-2] * other.shape[-2], one.shape[-1] * other.shape[-1]
    return joint.reshape(*joint.shape[:2], rows, columns)


def lay_out(digits: Digits, route: Route) -> list[Step]:
    """Return the steps of a route that keeps no element as an axis.

    A digit opens at the first element that reaches it and closes right after the last one.
    """
    steps: list[Step] = []
    axes: tuple[int, ...] = ()
    for place, element in enumerate(route.order):
        group = np.flatnonzero(digits.reach_ge[:, element]).tolist()
        kernel_g = []
        for g in group:
            moves = digits.moves(g, np.array([element]))[:, :, :, 0].transpose(2, 3, 0, 1)
            kernel = moves[..., :1] if route.opens[g] == place else moves
            if route.closes[g] == place:
                kernel = digits.closing(g).T[:, None, None, :] @ kernel
            kernel_g.append(np.ascontiguousarray(kernel))
        rest = tuple(g for g in axes if g not in group)
        step = Step(element, rest, tuple(group), tuple(kernel_g))
        steps.append(step)
        axes = step.after
    return steps


@dataclass(frozen=True, slots=True)
class Sweep:
    """A planned pass with one axis an open digit.

    The axes of a message are (draw, level node, open digits not moved next, digits moved next).

    Attributes
    ----------
    route : Route
        Order, and where the level nodes are carried; keeps no element.
    steps : list of Step
        One a position.
    moves : list of _Moves
        The same, ready to be applied.
    weight_dps : ndarray of float, shape (draw, position, state)
        Prior times factors.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    """

    route: Route
    steps: list[Step]
    moves: list[_Moves]
    weight_dps: FloatArray
    level_q: FloatArray
    count_g: IntArray

    @classmethod
    def of(cls, digits: Digits, route: Route, weight_des: FloatArray, level_q: FloatArray) -> Sweep:
        """Lay out the steps of a route."""
        weight_dps = weight_des[:, list(route.order)]
        steps = lay_out(digits, route)
        moves = [_Moves.of(step, weight_dps[:, p]) for p, step in enumerate(steps)]
        return cls(route, steps, moves, weight_dps, level_q, digits.count_g)

    @property
    def largest(self) -> int:
        """Entries of the largest message of a draw."""
        after_p = [self._length(step.after) for step in self.steps]
        first, stop = self.route.wide
        return max(*after_p, max(after_p[first : stop - 1], default=0) * self.level_q.size, 1)

    def run(self) -> tuple[FloatArray, FloatArray]:
        """Go forward and back; see `swapinfer.posterior.blocks.BlockPass.run`."""
        with np.errstate(divide="ignore", invalid="ignore"):
            message_p, log_z_d = self._forward()
            positions = reversed(range(len(self.steps)))
            meet_p = [
                self._meet(p, after, message_p[p])
                for p, after in zip(positions, self.backward(), strict=True)
            ]
        return log_z_d, np.stack(meet_p[::-1], axis=1)

    def _length(self, axes: tuple[int, ...]) -> int:
        return prod(int(self.count_g[g]) + 1 for g in axes)

    def _ordered(
        self, message: FloatArray, axes: tuple[int, ...], wanted: tuple[int, ...]
    ) -> FloatArray:
        """Bring the digits of a message from one order into another."""
        if axes == wanted:
            return message
        lengths = [int(self.count_g[g]) + 1 for g in axes]
        split = message.reshape(*message.shape[:2], *lengths)
        turned = split.transpose(0, 1, *(2 + axes.index(g) for g in wanted))
        ordered: FloatArray = turned.reshape(*message.shape[:2], -1)
        return ordered

    def _forward(self) -> tuple[list[FloatArray], FloatArray]:
        """Return the message before each position, and the log of the total."""
        message = np.ones((len(self.weight_dps), 1, 1))
        axes: tuple[int, ...] = ()
        log_z_d = np.zeros(len(self.weight_dps))
        message_p: list[FloatArray] = []
        for p, step in enumerate(self.steps):
            if p == self.route.wide[0]:
                message = message * self.level_q[:, None]
            message = self._ordered(message, axes, step.before)
            message_p.append(message)
            message = self._carried(p, message, backward=False)
            axes = step.after
            if p == self.route.wide[1] - 1:
                message = message.sum(axis=1, keepdims=True)
            scale = message.max(axis=(1, 2), keepdims=True)
            message = message / scale
            log_z_d += np.log(scale[:, 0, 0])
        return message_p, log_z_d

    def backward(self) -> Iterator[FloatArray]:
        """Yield what follows each position, last first, by joint level of the digits open there."""
        message = np.ones((len(self.weight_dps), 1, 1))
        for p in reversed(range(len(self.steps))):
            yield message
            message = self._carried(p, message, backward=True)
            if p == self.route.wide[0]:
                message = (message * self.level_q[:, None]).sum(axis=1, keepdims=True)
            message = message / message.max(axis=(1, 2), keepdims=True)
            if p:
                message = self._ordered(message, self.steps[p].before, self.steps[p - 1].after)

    def _carried(self, p: int, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across one element, its states summed."""
        step, moves = self.steps[p], self.moves[p]
        weight_ds = self.weight_dps[:, p, moves.states]
        length = step.to_length if backward else step.from_length
        if moves.is_dense:
            matrix = np.einsum("ds,qsji->dqji", weight_ds, moves.factors[0])
            split = message.reshape(*message.shape[:2], -1, length)
            moved: FloatArray = split @ (matrix if backward else matrix.swapaxes(-1, -2))
            return moved.reshape(*moved.shape[:2], -1)
        parts = (
            weight_ds[:, row, None, None] * moves.moved(row, message, length, backward=backward)
            for row in range(moves.states.size)
        )
        return sum(parts, np.zeros(1))

    def _meet(self, p: int, after: FloatArray, before: FloatArray) -> FloatArray:
        """Weigh each state between what came before and what follows, shape (draw, state)."""
        step, moves = self.steps[p], self.moves[p]
        meet_ds = np.zeros_like(self.weight_dps[:, p])
        if moves.is_dense:
            ahead = after.reshape(*after.shape[:2], -1, step.to_length)
            behind = before.reshape(*before.shape[:2], -1, step.from_length)
            both = ahead.swapaxes(-1, -2) @ behind
            meet_ds[:, moves.states] = np.einsum("qsji,dqji->ds", moves.factors[0], both)
        else:
            for row, state in enumerate(moves.states.tolist()):
                moved = moves.moved(row, before, step.from_length, backward=False)
                meet_ds[:, state] = (moved * after).sum(axis=(1, 2))
        return meet_ds * self.weight_dps[:, p]
