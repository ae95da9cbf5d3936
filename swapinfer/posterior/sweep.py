"""The pass over elements one by one, each open digit an axis of the message.

An element costs only the axes that it moves, and the message is never longer than the digits open
at the time ask for. The axes of a message are (draw, level node, open digits not moved, digits
moved); level nodes are told apart in the wide part of the route only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import prod

import msgspec
import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.digits import Digits, Prepared, distinct_rows
from swapinfer.posterior.knots import Knot, KnotSum
from swapinfer.posterior.order import Route, Step, lay_out

STRIDE = 4
"""Positions between two rescalings of the message."""

SMALL = 1e-100
"""A message that shrinks below it within a stride is passed again, rescaled at every position."""

DENSE = 2**10
"""Entries up to which the digits that a state moves are joined into one matrix."""

DISTINCT = 2**9
"""Entries of a matrix, level nodes included, from which it pays to find what does alike."""

GROUP = 16
"""Joint levels up to which digits are moved together otherwise."""

BATCH = 2**15
"""Entries of messages up to which states are moved together."""


class Kinds(msgspec.Struct, frozen=True, eq=False):
    """Kinds of states of an element, those that move every digit alike being of one.

    Most modes of an element differ in what a meter shows, not in how they make an engine misfire.
    """

    weight_ds: FloatArray  # prior times factors of each state
    kind_s: IntArray | slice  # kind of each state; a slice where each is of its own
    weight_dk: FloatArray  # prior times factors of the states of a kind together

    def each(self, met_dk: FloatArray) -> FloatArray:
        """Weigh each state by what its kind is worth, shape (draw, state)."""
        met_ds: FloatArray = met_dk[:, self.kind_s] * self.weight_ds
        return met_ds


class StateSum(msgspec.Struct, frozen=True, eq=False):
    """The states of an element, each kind one matrix."""

    kinds: Kinds
    kernel: FloatArray  # (kind, distinct level node or 1, to, from): what each kind does
    total: FloatArray  # (draw, distinct level node or 1, to, from): their weighted sum
    # Which of the distinct nodes each level node is; a slice where all are
    node_q: IntArray | slice

    @classmethod
    def of(cls, kinds: Kinds, kernel: FloatArray, node_q: IntArray | slice) -> StateSum:
        """Sum the states."""
        flat = kinds.weight_dk @ kernel.reshape(len(kernel), -1)
        return cls(kinds, kernel, flat.reshape(-1, *kernel.shape[1:]), node_q)

    @property
    def matrix(self) -> FloatArray:
        """The sum at every level node, shape (draw, level node or 1, to, from)."""
        return self.total[:, self.node_q]

    def worth(self, both: FloatArray) -> FloatArray:
        """Weigh each state, given what each entry of the matrix is worth."""
        kernel = self.kernel
        if kernel.shape[1] == 1:
            flat = both.sum(axis=1).reshape(len(both), -1)
            return self.kinds.each(flat @ kernel.reshape(len(kernel), -1).T)
        if not isinstance(self.node_q, slice):
            is_at_nq = self.node_q == np.arange(kernel.shape[1])[:, None]
            flat = is_at_nq.astype(float) @ both.reshape(*both.shape[:2], -1)
            both = flat.reshape(len(both), *kernel.shape[1:])
        return self.kinds.each(np.einsum("knji,dnji->dk", kernel, both))


class DenseMoves(msgspec.Struct, frozen=True, eq=False):
    """An element, or a knot, whose moves are one matrix."""

    of: StateSum | KnotSum

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""
        matrix = self.of.matrix if backward else self.of.matrix.swapaxes(-1, -2)
        split = message.reshape(*message.shape[:2], -1, matrix.shape[-2])
        moved: FloatArray = split @ matrix
        return moved.reshape(*moved.shape[:2], -1)

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh each state, or level of a knot, between what came before and what follows."""
        to_length, from_length = self.of.matrix.shape[-2:]
        ahead = after.reshape(*after.shape[:2], -1, to_length)
        behind = before.reshape(*before.shape[:2], -1, from_length)
        return self.of.worth(ahead.swapaxes(-1, -2) @ behind)


class StatewiseMoves(msgspec.Struct, frozen=True, eq=False):
    """An element whose states, each a Kronecker product, move too many digits for one matrix."""

    kinds: Kinds
    # (kind, level node or 1, to, from): factors, in the order of the digits
    kernels: list[FloatArray]

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""
        total = np.zeros(1)
        for rows in self._batches(message.size):
            moved = self._each(message[None], rows, backward=backward)
            total = total + np.einsum("dk,kd...->d...", self.kinds.weight_dk[:, rows], moved)
        return total

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh each state between what came before and what follows."""
        parts = [
            (self._each(before[None], rows, backward=False) * after).sum(axis=(2, 3))
            for rows in self._batches(before.size)
        ]
        return self.kinds.each(np.concatenate(parts).T)

    def _each(self, message: FloatArray, rows: slice, *, backward: bool) -> FloatArray:
        """Move a message by some kinds of states: the factors in turn, each joining the end.

        Shape (kind, draw, level node or 1, digits).
        """
        side = -2 if backward else -1
        length = prod(kernel.shape[side] for kernel in self.kernels)
        moved = message.reshape(*message.shape[:3], -1, length)
        for kernel in self.kernels:
            turn = (kernel if backward else kernel.swapaxes(-1, -2))[rows, None, :, None]
            split = moved.reshape(*moved.shape[:4], turn.shape[-2], -1)
            turned = split.swapaxes(-1, -2) @ turn
            moved = turned.reshape(*turned.shape[:4], -1)
        return moved.reshape(*moved.shape[:3], -1)

    def _batches(self, size: int) -> Iterator[slice]:
        """Divide the kinds so that messages of a size are not too many at once."""
        count, together = self.kinds.weight_dk.shape[1], max(1, BATCH // size)
        return (slice(row, min(row + together, count)) for row in range(0, count, together))


Moves = DenseMoves | StatewiseMoves


def element_moves(step: Step, weight_ds: FloatArray, digits: Digits) -> Moves:
    """Join the digits that an element moves, as far as that pays."""
    joint = step.to_length * step.from_length
    dense, n_nodes = joint <= DENSE, max(kernel.shape[1] for kernel in step.kernel_g)
    n_states = weight_ds.shape[1]
    first_k: IntArray | slice = slice(n_states)
    kinds = Kinds(weight_ds, slice(None), weight_ds)
    is_large = n_nodes > 1 and joint * n_nodes > DISTINCT
    if is_large or not dense:
        first_k, kind_s = distinct_rows(digits.acts(step.group, step.element)[:n_states])
        kind_sk = kind_s[:, None] == np.arange(len(first_k))
        kinds = Kinds(weight_ds, kind_s, weight_ds @ kind_sk.astype(float))
    kernel_g = [kernel[first_k] for kernel in step.kernel_g]
    every_q: IntArray | slice = slice(None)
    if is_large and dense:
        first_n, node_q = distinct_rows(digits.node_qg[:, list(step.group)])
        if first_n.size < n_nodes:
            every_q = node_q
            kernel_g = [one[:, first_n] if one.shape[1] > 1 else one for one in kernel_g]
    kernels: list[FloatArray] = []
    for kernel in kernel_g:
        longest = max(kernel.shape[-2:]) * max(kernels[-1].shape[-2:]) if kernels else 0
        if kernels and (dense or longest <= GROUP):
            kernels[-1] = _kron(kernels[-1], kernel)
        else:
            kernels.append(kernel)
    if len(kernels) > 1:
        return StatewiseMoves(kinds, kernels)
    return DenseMoves(StateSum.of(kinds, kernels[0], every_q))


def _kron(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the Kronecker product of the last two axes."""
    joint: FloatArray = one[..., :, None, :, None] * other[..., None, :, None, :]
    rows, columns = one.shape[-2] * other.shape[-2], one.shape[-1] * other.shape[-1]
    return joint.reshape(*joint.shape[:2], rows, columns)


class Sweep(msgspec.Struct, frozen=True, eq=False):
    """A planned pass with one axis an open digit: a step a position, and what carries messages."""

    prepared: Prepared
    route: Route
    steps: list[Step]
    moves: list[Moves]

    @classmethod
    def of(cls, prepared: Prepared, route: Route, knots: Sequence[Knot] = ()) -> Sweep:
        """Lay out the steps of a route; the first elements may be knots."""
        digits, weight_des = prepared.digits, prepared.weight_des
        live_es = np.asarray(weight_des.any(axis=0))
        live_e = (live_es.shape[1] - live_es[:, ::-1].argmax(axis=1)).tolist()
        steps = lay_out(digits, route, len(knots))
        moves: list[Moves] = []
        for step in steps:
            if step.element < len(knots):
                moves.append(DenseMoves(KnotSum.of(knots[step.element], step, digits)))
            else:
                weight_ds = weight_des[:, step.element, : live_e[step.element]]
                moves.append(element_moves(step, weight_ds, digits))
        return cls(prepared, route, steps, moves)

    def run(self) -> tuple[FloatArray, list[FloatArray], int]:
        """Go forward and back.

        Returns the natural log of the total weight, (draw,); for each position the weight of each
        state with everything else summed out, (draw, state), up to a factor that each (draw,
        position) has for itself, or for a knot what each level is worth, (draw, level); and the
        entries of the largest message of a draw.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            stride = STRIDE
            message_p, scales = self._forward(stride)
            if not scales.min() > SMALL:
                stride = 1
                message_p, scales = self._forward(stride)
            meet_p = [
                self.moves[p].met(message_p[p], self._weighed(p, after))
                for p, after in self.backward(stride)
            ]
            log_z_d = np.log(scales).sum(axis=0)
        return log_z_d, meet_p[::-1], max((message[0].size for message in message_p), default=1)

    def by_node(self) -> FloatArray:
        """Return the share of each level node in the total weight, shape (draw, level node).

        Where they are first told apart: what came before and what follows are met there.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            message_p, _ = self._forward(1)
            first = self.route.wide[0]
            after = next(message for p, message in self.backward() if p == first)
            moved = self.moves[first].carried(message_p[first], backward=False)
            node_dq: FloatArray = (moved * self._weighed(first, after)).sum(axis=2)
            node_dq /= node_dq.sum(axis=1, keepdims=True)
        return node_dq

    def backward(self, stride: int = 1) -> Iterator[tuple[int, FloatArray]]:
        """Yield what follows each position, last first, by joint level of the digits open there."""
        message = np.ones((len(self.prepared.weight_des), 1, 1))
        for p in reversed(range(len(self.steps))):
            yield p, message
            message = self.moves[p].carried(self._weighed(p, message), backward=True)
            if p == self.route.wide[0]:
                message = message.sum(axis=1, keepdims=True)
            if p:
                message = self._ordered(message, self.steps[p].before, self.steps[p - 1].after)
            if p % stride == 0:
                message, _ = _rescaled(message)

    def _forward(self, stride: int) -> tuple[list[FloatArray], FloatArray]:
        """Return the message before each position, and all scales."""
        message = np.ones((len(self.prepared.weight_des), 1, 1))
        axes: tuple[int, ...] = ()
        message_p: list[FloatArray] = []
        scales: list[FloatArray] = []
        for p, step in enumerate(self.steps):
            message = self._ordered(message, axes, step.before)
            message_p.append(message)
            message = self.moves[p].carried(message, backward=False)
            axes = step.after
            message = self._weighed(p, message)
            if p == self.route.wide[1] - 1:
                message = message.sum(axis=1, keepdims=True)
            if p % stride == stride - 1:
                message, scale = _rescaled(message)
                scales.append(scale)
        return message_p, np.array([*scales, message[:, 0, 0]])

    def _weighed(self, p: int, after: FloatArray) -> FloatArray:
        """Weigh the level nodes of what follows the position where they are first told apart."""
        is_first = p == self.route.wide[0] and self.route.is_wide
        return after * self.prepared.level_q[:, None] if is_first else after

    def _ordered(
        self, message: FloatArray, axes: tuple[int, ...], wanted: tuple[int, ...]
    ) -> FloatArray:
        """Bring the digits of a message from one order into another."""
        if axes == wanted:
            return message
        split = message.reshape(
            *message.shape[:2], *(self.prepared.digits.lengths[g] for g in axes)
        )
        turned = split.transpose(0, 1, *(2 + axes.index(g) for g in wanted))
        ordered: FloatArray = turned.reshape(*message.shape[:2], -1)
        return ordered


def _rescaled(message: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Divide by the largest entry of each draw, and return these."""
    scale = message.reshape(len(message), -1).max(axis=1)
    return message / scale[:, None, None], scale
