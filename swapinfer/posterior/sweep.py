"""The pass over elements one by one, each open digit an axis of the message.

An element costs only the axes that it moves, and the message is never longer than the digits open
at the time ask for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.knots import Knot, KnotSum
from swapinfer.posterior.moves import DenseMoves, Moves, element_moves
from swapinfer.posterior.route import NONE, Route
from swapinfer.posterior.steps import Step, lay_out

STRIDE = 4
"""Positions between two rescalings of the message."""

SMALL = 1e-100
"""A message that shrinks below it within a stride is passed again, rescaled at every position."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """A planned pass with one axis an open digit.

    The axes of a message are (draw, kept state, level node, open digits not moved next, digits
    moved next). Kept state and level node are longer than 1 in the wide part of the route only.

    Attributes
    ----------
    route : Route
        Order, and where kept states and level nodes are carried.
    steps : list of Step
        One a position.
    moves : list of Moves
        The same, ready to carry messages.
    n_draws : int
        Draws of the prior.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    """

    route: Route
    steps: list[Step]
    moves: list[Moves]
    n_draws: int
    level_q: FloatArray
    count_g: IntArray

    @classmethod
    def of(
        cls,
        digits: Digits,
        route: Route,
        weight_des: FloatArray,
        level_q: FloatArray,
        knots: Sequence[Knot] = (),
    ) -> Sweep:
        """Lay out the steps of a route; the first elements may be knots."""
        live_es = np.asarray(weight_des.any(axis=0))
        live_e = (live_es.shape[1] - live_es[:, ::-1].argmax(axis=1)).tolist()
        n_kept = 1 if route.kept == NONE else live_e[route.order[route.kept]]
        steps = lay_out(digits, route, n_kept, len(knots))
        moves: list[Moves] = []
        for p, step in enumerate(steps):
            if step.element < len(knots):
                moves.append(DenseMoves(KnotSum.of(knots[step.element], step, digits)))
            else:
                weight_ds = weight_des[:, step.element, : live_e[step.element]]
                moves.append(element_moves(step, weight_ds, keep=p == route.kept))
        return cls(route, steps, moves, len(weight_des), level_q, digits.count_g)

    def run(self) -> tuple[FloatArray, list[FloatArray], int]:
        """Go forward and back.

        Returns
        -------
        log_z_d : ndarray of float, shape (draw,)
            Natural log of the total weight.
        meet_p : list of ndarray of float, shape (draw, state)
            Weight of each state with everything else summed out, up to a factor that each
            (draw, position) has for itself; for a knot, what each level is worth, (draw, level).
        largest : int
            Entries of the largest message of a draw.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            stride = STRIDE
            message_p, scales = self._forward(stride)
            if not scales.min() > SMALL:
                stride = 1
                message_p, scales = self._forward(stride)
            meet_p = [self.moves[p].met(message_p[p], after) for p, after in self.backward(stride)]
            log_z_d = np.log(scales).sum(axis=0)
        return log_z_d, meet_p[::-1], max(message[0].size for message in message_p)

    def _ordered(
        self, message: FloatArray, axes: tuple[int, ...], wanted: tuple[int, ...]
    ) -> FloatArray:
        """Bring the digits of a message from one order into another."""
        if axes == wanted:
            return message
        lengths = [int(self.count_g[g]) + 1 for g in axes]
        split = message.reshape(*message.shape[:3], *lengths)
        turned = split.transpose(0, 1, 2, *(3 + axes.index(g) for g in wanted))
        ordered: FloatArray = turned.reshape(*message.shape[:3], -1)
        return ordered

    def _forward(self, stride: int) -> tuple[list[FloatArray], FloatArray]:
        """Return the message before each position, and all scales."""
        message = np.ones((self.n_draws, 1, 1, 1))
        axes: tuple[int, ...] = ()
        message_p: list[FloatArray] = []
        scales: list[FloatArray] = []
        for p, step in enumerate(self.steps):
            if p == self.route.wide[0] and self.route.is_wide:
                message = message * self.level_q[:, None]
            message = self._ordered(message, axes, step.before)
            message_p.append(message)
            message = self.moves[p].carried(message, backward=False)
            axes = step.after
            if p == self.route.wide[1] - 1:
                message = message.sum(axis=(1, 2), keepdims=True)
            if p % stride == stride - 1:
                message, scale = _rescaled(message)
                scales.append(scale)
        return message_p, np.array([*scales, message[:, 0, 0, 0]])

    def backward(self, stride: int = 1) -> Iterator[tuple[int, FloatArray]]:
        """Yield what follows each position, last first, by joint level of the digits open there."""
        message = np.ones((self.n_draws, 1, 1, 1))
        for p in reversed(range(len(self.steps))):
            yield p, message
            message = self.moves[p].carried(message, backward=True)
            if p == self.route.wide[0] and self.route.is_wide:
                message = (message * self.level_q[:, None]).sum(axis=2, keepdims=True)
            if p:
                message = self._ordered(message, self.steps[p].before, self.steps[p - 1].after)
            if p % stride == 0:
                message, _ = _rescaled(message)


def _rescaled(message: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Divide by the largest entry of each draw, and return these."""
    scale = message.reshape(len(message), -1).max(axis=1)
    return message / scale[:, None, None, None], scale
