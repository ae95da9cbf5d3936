"""The pass over elements one by one, each open digit an axis of the message.

An element costs only the axes that it moves, and the message is never longer than the digits open
at the time ask for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.route import NONE, Route
from swapinfer.posterior.steps import Step, lay_out, started

DENSE = 2**10
"""Entries up to which the digits that a state moves are joined into one matrix."""

GROUP = 16
"""Joint levels up to which digits are moved together otherwise."""

BATCH = 2**15
"""Entries of a message up to which states are moved together."""

STRIDE = 4
"""Positions between two rescalings of the message."""

SMALL = 1e-100
"""A message that shrinks below it within a stride is passed again, rescaled at every position."""


@dataclass(frozen=True, slots=True)
class _Moves:
    """A step's kernels joined, for the states that have any weight.

    Attributes
    ----------
    weight_ds : ndarray of float, shape (draw, live state)
        Prior times factors.
    factors : tuple of ndarray of float, shape (live state, kept or 1, level or 1, to, from)
        All digits of the group in one matrix if that is small enough, else as many as fit.
    matrix : ndarray of float, shape (draw, kept or 1, level or 1, to, from), or None
        All states together, if one matrix does for each.
    """

    weight_ds: FloatArray
    factors: tuple[FloatArray, ...]
    matrix: FloatArray | None

    @classmethod
    def of(cls, step: Step, weight_ds: FloatArray) -> _Moves:
        live = _live(weight_ds)
        dense = step.to_length * step.from_length <= DENSE
        factors: list[FloatArray] = []
        for kernel in (kernel[live] for kernel in step.kernel_g):
            longest = max(factors[-1].shape[-2:]) * max(kernel.shape[-2:]) if factors else 0
            if factors and (dense or longest <= GROUP):
                factors[-1] = _kron(factors[-1], kernel)
            else:
                factors.append(kernel)
        if not factors:
            factors.append(np.ones((weight_ds[0, live].size, 1, 1, 1, 1)))
        return cls(weight_ds[:, live], tuple(factors), _total(weight_ds[:, live], factors))

    def each(self, message: FloatArray, rows: slice, *, backward: bool) -> FloatArray:
        """Move a message by some live states: the factors in turn, each joining the end.

        Parameters
        ----------
        message : ndarray of float, shape (state or 1, draw, kept, level, rest and group)
            Before the element, or what follows it.
        rows : slice
            Live states.
        backward : bool
            Whether to go backward.

        Returns
        -------
        ndarray of float, shape (state, draw, kept, level, rest and group)
        """
        side = -2 if backward else -1
        length = prod(factor.shape[side] for factor in self.factors)
        moved = message.reshape(*message.shape[:4], -1, length)
        for factor in self.factors:
            kernel = (factor if backward else factor.swapaxes(-1, -2))[rows, None, :, :, None]
            split = moved.reshape(*moved.shape[:5], kernel.shape[-2], -1)
            turned = split.swapaxes(-1, -2) @ kernel
            moved = turned.reshape(*turned.shape[:5], -1)
        return moved.reshape(*moved.shape[:4], -1)

    def batches(self, size: int) -> Iterator[slice]:
        """Divide the live states so that messages of a size are not too many at once."""
        count, together = len(self.factors[0]), max(1, BATCH // size)
        return (slice(row, min(row + together, count)) for row in range(0, count, together))


def _live(weight_ds: FloatArray) -> slice:
    """Return the states up to the last one that has any weight."""
    return slice(1 + int(np.flatnonzero(weight_ds.any(axis=0)).max(initial=0)))


def _total(weight_ds: FloatArray, factors: list[FloatArray]) -> FloatArray | None:
    if len(factors) > 1:
        return None
    flat: FloatArray = weight_ds @ factors[0].reshape(len(factors[0]), -1)
    return flat.reshape(-1, *factors[0].shape[1:])


def _kron(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the Kronecker product of the last two axes."""
    joint: FloatArray = one[..., :, None, :, None] * other[..., None, :, None, :]
    rows, columns = one.shape[-2] * other.shape[-2], one.shape[-1] * other.shape[-1]
    return joint.reshape(*joint.shape[:3], rows, columns)


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
    moves : list of _Moves
        The same, ready to be applied.
    n_draws : int
        Draws of the prior.
    n_states : int
        States of an element, unused ones included.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    count_g : ndarray of int, shape (digit,)
        Number of terms merged into each digit.
    """

    route: Route
    steps: list[Step]
    moves: list[_Moves]
    n_draws: int
    n_states: int
    level_q: FloatArray
    count_g: IntArray

    @classmethod
    def of(cls, digits: Digits, route: Route, weight_des: FloatArray, level_q: FloatArray) -> Sweep:
        """Lay out the steps of a route."""
        kept = slice(1)
        if route.kept != NONE:
            kept = _live(weight_des[:, route.order[route.kept]])
        steps = lay_out(digits, route, kept)
        moves = [_Moves.of(step, weight_des[:, step.element]) for step in steps]
        return cls(
            route, steps, moves, len(weight_des), weight_des.shape[2], level_q, digits.count_g
        )

    def run(
        self, start_dl: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray, FloatArray, int]:
        """Go forward and back.

        Parameters
        ----------
        start_dl : ndarray of float, shape (draw, level), optional
            Weight of the joint levels of the digits that are open from the start.

        Returns
        -------
        log_z_d : ndarray of float, shape (draw,)
            Natural log of the total weight.
        meet_dps : ndarray of float, shape (draw, position, state)
            Weight of each state with everything else summed out, up to a factor that each
            (draw, position) has for itself.
        worth_dl : ndarray of float, shape (draw, level)
            What the levels at the start are worth, up to a factor of each draw.
        largest : int
            Entries of the largest message of a draw.
        """
        start = np.ones((self.n_draws, 1)) if start_dl is None else start_dl
        with np.errstate(divide="ignore", invalid="ignore"):
            message_p, scales = self._forward(start[:, None, None], STRIDE)
            stride = STRIDE if np.min(scales) > SMALL else 1
            if stride == 1:
                message_p, scales = self._forward(start[:, None, None], stride)
            meet_dps = np.zeros((self.n_draws, len(self.steps), self.n_states))
            for p, after in self.backward(stride):
                if p == NONE:
                    worth_dl = after[:, 0, 0]
                    continue
                meet_ds = self._meet(p, after, message_p[p]) * self.moves[p].weight_ds
                meet_dps[:, p, : meet_ds.shape[1]] = meet_ds
            log_z_d = np.log(scales).sum(axis=0)
        return log_z_d, meet_dps, worth_dl, max(message[0].size for message in message_p)

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

    def _forward(
        self, message: FloatArray, stride: int
    ) -> tuple[list[FloatArray], list[FloatArray]]:
        """Return the message before each position, and all scales."""
        axes = started(self.route)
        message_p: list[FloatArray] = []
        scales: list[FloatArray] = []
        for p, step in enumerate(self.steps):
            if p == self.route.wide[0] and self.route.is_wide:
                message = message * self.level_q[:, None]
            message = self._ordered(message, axes, step.before)
            message_p.append(message)
            message = self._moved(p, message)
            axes = step.after
            if p == self.route.wide[1] - 1:
                message = message.sum(axis=(1, 2), keepdims=True)
            if p % stride == stride - 1:
                message, scale = _rescaled(message)
                scales.append(scale)
        return message_p, [*scales, message[:, 0, 0, 0]]

    def backward(self, stride: int = 1) -> Iterator[tuple[int, FloatArray]]:
        """Yield what follows each position, last first, by joint level of the digits open there.

        What follows the start comes at the end, at position `NONE`.
        """
        message = np.ones((self.n_draws, 1, 1, 1))
        for p in reversed(range(len(self.steps))):
            yield p, message
            message = self._unmoved(p, message)
            if p == self.route.wide[0] and self.route.is_wide:
                message = (message * self.level_q[:, None]).sum(axis=2, keepdims=True)
            axes = self.steps[p - 1].after if p else started(self.route)
            message = self._ordered(message, self.steps[p].before, axes)
            if p % stride == 0:
                message, _ = _rescaled(message)
        yield NONE, message

    def _moved(self, p: int, message: FloatArray) -> FloatArray:
        """Carry a message forward across one element, its states summed or kept."""
        moves = self.moves[p]
        if p == self.route.kept:
            kept: FloatArray = moves.each(message[None], slice(None), backward=False)[:, :, 0]
            return kept.swapaxes(0, 1) * moves.weight_ds[:, :, None, None]
        return self._summed(p, message, backward=False)

    def _unmoved(self, p: int, message: FloatArray) -> FloatArray:
        """Carry a message backward across one element."""
        moves = self.moves[p]
        if p == self.route.kept:
            weighted = message * moves.weight_ds[:, :, None, None]
            back = moves.each(weighted.swapaxes(0, 1)[:, :, None], slice(None), backward=True)
            total: FloatArray = back.sum(axis=0)
            return total
        return self._summed(p, message, backward=True)

    def _summed(self, p: int, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across one element, its states summed."""
        step, moves = self.steps[p], self.moves[p]
        if moves.matrix is not None:
            length = step.to_length if backward else step.from_length
            split = message.reshape(*message.shape[:3], -1, length)
            moved: FloatArray = split @ (
                moves.matrix if backward else moves.matrix.swapaxes(-1, -2)
            )
            return moved.reshape(*moved.shape[:3], -1)
        parts = (
            np.einsum(
                "ds,sd...->d...",
                moves.weight_ds[:, rows],
                moves.each(message[None], rows, backward=backward),
            )
            for rows in moves.batches(message.size)
        )
        return sum(parts, np.zeros(1))

    def _meet(self, p: int, after: FloatArray, before: FloatArray) -> FloatArray:
        """Weigh each live state between what came before and what follows, shape (draw, state)."""
        step, moves = self.steps[p], self.moves[p]
        if moves.matrix is not None and p != self.route.kept:
            ahead = after.reshape(*after.shape[:3], -1, step.to_length)
            behind = before.reshape(*before.shape[:3], -1, step.from_length)
            both = ahead.swapaxes(-1, -2) @ behind
            factor = moves.factors[0]
            if factor[0].size == factor[0, 0, 0].size:
                flat = both.sum(axis=(1, 2)).reshape(len(both), -1)
                meet: FloatArray = flat @ factor.reshape(len(factor), -1).T
                return meet
            together: FloatArray = np.einsum("shqji,dhqji->ds", factor, both)
            return together
        ahead = after.swapaxes(0, 1)[:, :, None] if p == self.route.kept else after[None]
        parts = [
            (moves.each(before[None], rows, backward=False) * ahead).sum(axis=(2, 3, 4))
            for rows in moves.batches(before.size)
        ]
        met: FloatArray = np.concatenate(parts).T
        return met


def _rescaled(message: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Divide by the largest entry of each draw, and return these."""
    scale = message.reshape(len(message), -1).max(axis=1)
    return message / scale[:, None, None, None], scale
