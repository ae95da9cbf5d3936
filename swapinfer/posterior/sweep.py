"""The pass for any number of open digits, each of them an axis of the message.

Slower than two blocks while few digits are open; beyond, an element costs only the axes that it
moves, and the message is never longer than the digits open at the time ask for.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.route import Route

CHUNK = 2**20
"""Entries of the largest intermediate array; states are taken in chunks that fit."""


@dataclass(frozen=True, slots=True)
class Step:
    """One element's action on the message.

    Attributes
    ----------
    element : int
        Index of the element.
    kernels : tuple of (int, ndarray of float, shape (level node or 1, state, to, from))
        Axis of the message and what each state does along it.
    before, after : tuple of int
        Shape of the message on either side; an axis that opens here has length 1 before, one
        that closes here length 1 after.
    """

    element: int
    kernels: tuple[tuple[int, FloatArray], ...]
    before: tuple[int, ...]
    after: tuple[int, ...]

    @property
    def widest(self) -> int:
        """Entries of the longer of the two messages."""
        return max(prod(self.before), prod(self.after))


def lay_out(digits: Digits, route: Route) -> list[Step]:
    """Return the steps of a route that keeps no element as an axis.

    A digit opens at the first element that reaches it and closes right after the last one.
    """
    steps: list[Step] = []
    axes: list[int] = []
    for place, element in enumerate(route.order):
        group = np.flatnonzero(digits.reach_ge[:, element]).tolist()
        opening = [g for g in group if route.opens[g] == place]
        closing = {g for g in group if route.closes[g] == place}
        axes += opening
        steps.append(
            Step(
                element=element,
                kernels=tuple(
                    (axes.index(g), _kernel(digits, g, element, g in opening, g in closing))
                    for g in group
                ),
                before=tuple(1 if g in opening else digits.length(g) for g in axes),
                after=tuple(1 if g in closing else digits.length(g) for g in axes),
            )
        )
        axes = [g for g in axes if g not in closing]
    return steps


def _kernel(digits: Digits, digit: int, element: int, opens: bool, closes: bool) -> FloatArray:
    moves = digits.moves(digit, np.array([element]))[:, :, :, 0]
    kernel = np.ascontiguousarray(moves.transpose(2, 3, 0, 1))
    if opens:
        kernel = kernel[..., :1]
    if closes:
        kernel = digits.closing(digit).T[:, None, None, :] @ kernel
    return kernel


def spread(step: Step, message: FloatArray, weight_ds: FloatArray, states: slice) -> FloatArray:
    """Carry a backward message across one element, each of its states apart.

    Parameters
    ----------
    step : Step
        The element's action.
    message : ndarray of float, shape (draw, level node, open digits flattened)
        Weight of all that follows, for every joint level of the open digits.
    weight_ds : ndarray of float, shape (draw, state)
        Prior times factors of the element in these states.
    states : slice
        Which states.

    Returns
    -------
    ndarray of float, shape (draw, level node, state, open digits flattened)
        The parts whose sum over states is the backward message before the element.
    """
    carried = message[:, :, None]
    shape = list(step.after)
    for axis, kernel in step.kernels:
        carried, shape = _along(axis, kernel[:, states].swapaxes(-1, -2), carried, shape)
    weighted: FloatArray = carried * weight_ds[:, None, :, None]
    return weighted


def _chunks(step: Step, message: FloatArray) -> list[slice]:
    n_states = step.kernels[0][1].shape[1]
    n_levels = max(len(message[0]), *(len(kernel) for _, kernel in step.kernels))
    size = max(1, CHUNK // (len(message) * n_levels * step.widest))
    return [slice(start, start + size) for start in range(0, n_states, size)]


def _along(
    axis: int, kernel: FloatArray, message: FloatArray, shape: list[int]
) -> tuple[FloatArray, list[int]]:
    """Multiply `message` (draw, level node, state or 1, flattened) by `kernel` along one axis."""
    outer, inner = prod(shape[:axis]), prod(shape[axis + 1 :])
    split = message.reshape(*message.shape[:3], outer, shape[axis], inner)
    moved = kernel[None, :, :, None] @ split
    new_shape = [*shape[:axis], kernel.shape[-2], *shape[axis + 1 :]]
    return moved.reshape(*moved.shape[:3], -1), new_shape


@dataclass(frozen=True, slots=True)
class Sweep:
    """A planned pass with one axis an open digit.

    Attributes
    ----------
    route : Route
        Order, and where the level nodes are carried; keeps no element.
    steps : list of Step
        One a position.
    weight_dps : ndarray of float, shape (draw, position, state)
        Prior times factors.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    """

    route: Route
    steps: list[Step]
    weight_dps: FloatArray
    level_q: FloatArray

    @classmethod
    def of(cls, digits: Digits, route: Route, weight_des: FloatArray, level_q: FloatArray) -> Sweep:
        """Lay out the steps of a route."""
        return cls(route, lay_out(digits, route), weight_des[:, list(route.order)], level_q)

    @property
    def largest(self) -> int:
        """Entries of the largest message of a draw."""
        widest_p = [step.widest for step in self.steps]
        wide = widest_p[slice(*self.route.wide)]
        return max(*widest_p, max(wide, default=0) * self.level_q.size)

    def run(self) -> tuple[FloatArray, FloatArray]:
        """Go forward and back; see `swapinfer.posterior.blocks.BlockPass.run`."""
        message_p, log_z_d = self._forward()
        message = np.ones((1, 1, 1))
        meet_p: list[FloatArray] = []
        for p in reversed(range(len(self.steps))):
            total, meet_ds = self._pull(p, message, message_p[p])
            if p == self.route.wide[0]:
                total = self._enter_level(p, total).sum(axis=1, keepdims=True)
            message = total / total.max(axis=(1, 2), keepdims=True)
            meet_p.append(meet_ds)
        return log_z_d, np.stack(meet_p[::-1], axis=1)

    def _enter_level(self, p: int, message: FloatArray) -> FloatArray:
        weighted: FloatArray = (
            message * self.level_q[:, None] if p == self.route.wide[0] else message
        )
        return weighted

    def _forward(self) -> tuple[list[FloatArray], FloatArray]:
        message = np.ones((len(self.weight_dps), 1, 1))
        log_z_d = np.zeros(len(self.weight_dps))
        message_p: list[FloatArray] = []
        for p in range(len(self.steps)):
            message = self._enter_level(p, message)
            message_p.append(message)
            message = self._push(p, message)
            if p == self.route.wide[1] - 1:
                message = message.sum(axis=1, keepdims=True)
            scale = message.max(axis=(1, 2), keepdims=True)
            message = message / scale
            log_z_d += np.log(scale[:, 0, 0])
        return message_p, log_z_d

    def _push(self, p: int, message: FloatArray) -> FloatArray:
        step, weight_ds = self.steps[p], self.weight_dps[:, p]
        total: FloatArray = np.zeros(1)
        for states in _chunks(step, message):
            carried = message[:, :, None]
            shape = list(step.before)
            for axis, kernel in step.kernels:
                carried, shape = _along(axis, kernel[:, states], carried, shape)
            total = total + np.einsum("ds,dqsn->dqn", weight_ds[:, states], carried)
        return total

    def _pull(
        self, p: int, message: FloatArray, earlier: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the backward message before the element, and each state's total weight."""
        step, weight_ds = self.steps[p], self.weight_dps[:, p]
        total: FloatArray = np.zeros(1)
        meet_ds = np.empty(weight_ds.shape)
        for states in _chunks(step, message):
            carried = spread(step, message, weight_ds[:, states], states)
            meet_ds[:, states] = (carried @ earlier[..., None])[..., 0].sum(axis=1)
            total = total + carried.sum(axis=2)
        return total, meet_ds
