"""How the elements of a pass carry its message, forward and back.

The axes of a message are (draw, kept state, level node, open digits not moved, digits moved).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import prod
from typing import Protocol

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.posterior.steps import Step

DENSE = 2**10
"""Entries up to which the digits that a state moves are joined into one matrix."""

GROUP = 16
"""Joint levels up to which digits are moved together otherwise."""

BATCH = 2**15
"""Entries of messages up to which states are moved together."""


class Moves(Protocol):
    """What an element does to the message."""

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh what the element may do between what came before and what follows.

        Returns
        -------
        ndarray of float, shape (draw, state)
        """


class Matrix(Protocol):
    """All that an element may do, summed into one matrix.

    Attributes
    ----------
    matrix : ndarray of float, shape (draw, kept state or 1, level node or 1, to, from)
        The sum.
    """

    @property
    def matrix(self) -> FloatArray:
        """The sum."""

    def worth(self, both: FloatArray) -> FloatArray:
        """Say what each thing that it may do is worth, shape (draw, state).

        Parameters
        ----------
        both : ndarray of float, shape (draw, kept state or 1, level node or 1, to, from)
            What each entry of the matrix is worth.
        """


@dataclass(frozen=True, slots=True)
class DenseMoves:
    """An element whose states make one matrix."""

    of: Matrix

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""
        matrix = self.of.matrix if backward else self.of.matrix.swapaxes(-1, -2)
        split = message.reshape(*message.shape[:3], -1, matrix.shape[-2])
        moved: FloatArray = split @ matrix
        return moved.reshape(*moved.shape[:3], -1)

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh what the element may do between what came before and what follows."""
        to_length, from_length = self.of.matrix.shape[-2:]
        ahead = after.reshape(*after.shape[:3], -1, to_length)
        behind = before.reshape(*before.shape[:3], -1, from_length)
        return self.of.worth(ahead.swapaxes(-1, -2) @ behind)


@dataclass(frozen=True, slots=True)
class StateSum:
    """The states of an element, each one matrix.

    Attributes
    ----------
    weight_ds : ndarray of float, shape (draw, state)
        Prior times factors.
    kernel : ndarray of float, shape (state, kept state or 1, level node or 1, to, from)
        What each state does.
    matrix : ndarray of float, shape (draw, kept state or 1, level node or 1, to, from)
        Their weighted sum.
    """

    weight_ds: FloatArray
    kernel: FloatArray
    matrix: FloatArray

    @classmethod
    def of(cls, weight_ds: FloatArray, kernel: FloatArray) -> StateSum:
        """Sum the states."""
        flat = weight_ds @ kernel.reshape(len(kernel), -1)
        return cls(weight_ds, kernel, flat.reshape(-1, *kernel.shape[1:]))

    def worth(self, both: FloatArray) -> FloatArray:
        """Weigh each state, shape (draw, state)."""
        kernel = self.kernel
        if kernel[0].size == kernel[0, 0, 0].size:
            together = both if both.shape[1:3] == (1, 1) else both.sum(axis=(1, 2))
            flat = together.reshape(len(both), -1)
            met_ds: FloatArray = flat @ kernel.reshape(len(kernel), -1).T
        else:
            met_ds = np.einsum("shqji,dhqji->ds", kernel, both)
        return met_ds * self.weight_ds


@dataclass(frozen=True, slots=True)
class Factors:
    """The states of an element, each a Kronecker product.

    Attributes
    ----------
    weight_ds : ndarray of float, shape (draw, state)
        Prior times factors.
    kernels : list of ndarray of float, shape (state, kept or 1, level or 1, to, from)
        Factors, in the order of the digits.
    """

    weight_ds: FloatArray
    kernels: list[FloatArray]

    def each(self, message: FloatArray, rows: slice, *, backward: bool) -> FloatArray:
        """Move a message by some states: the factors in turn, each joining the end.

        Parameters
        ----------
        message : ndarray of float, shape (state or 1, draw, kept, level, digits)
            Before the element, or what follows it.
        rows : slice
            States.
        backward : bool
            Whether to go backward.

        Returns
        -------
        ndarray of float, shape (state, draw, kept, level, digits)
        """
        side = -2 if backward else -1
        length = prod(kernel.shape[side] for kernel in self.kernels)
        moved = message.reshape(*message.shape[:4], -1, length)
        for kernel in self.kernels:
            turn = (kernel if backward else kernel.swapaxes(-1, -2))[rows, None, :, :, None]
            split = moved.reshape(*moved.shape[:5], turn.shape[-2], -1)
            turned = split.swapaxes(-1, -2) @ turn
            moved = turned.reshape(*turned.shape[:5], -1)
        return moved.reshape(*moved.shape[:4], -1)


@dataclass(frozen=True, slots=True)
class StatewiseMoves:
    """An element whose states move too many digits for one matrix."""

    factors: Factors

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""
        total = np.zeros(1)
        for rows in self._batches(message.size):
            moved = self.factors.each(message[None], rows, backward=backward)
            total = total + np.einsum("ds,sd...->d...", self.factors.weight_ds[:, rows], moved)
        return total

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh each state between what came before and what follows."""
        parts = [
            (self.factors.each(before[None], rows, backward=False) * after).sum(axis=(2, 3, 4))
            for rows in self._batches(before.size)
        ]
        met_ds: FloatArray = np.concatenate(parts).T
        return met_ds * self.factors.weight_ds

    def _batches(self, size: int) -> Iterator[slice]:
        """Divide the states so that messages of a size are not too many at once."""
        count, together = self.factors.weight_ds.shape[1], max(1, BATCH // size)
        return (slice(row, min(row + together, count)) for row in range(0, count, together))


@dataclass(frozen=True, slots=True)
class KeptMoves:
    """The element whose state stays an axis of the message."""

    factors: Factors

    def carried(self, message: FloatArray, *, backward: bool) -> FloatArray:
        """Carry a message across the element."""
        weight_ds = self.factors.weight_ds[:, :, None, None]
        if backward:
            by_state = (message * weight_ds).swapaxes(0, 1)[:, :, None]
            total: FloatArray = self.factors.each(by_state, slice(None), backward=True).sum(axis=0)
            return total
        kept: FloatArray = self.factors.each(message[None], slice(None), backward=False)
        return kept[:, :, 0].swapaxes(0, 1) * weight_ds

    def met(self, before: FloatArray, after: FloatArray) -> FloatArray:
        """Weigh each state between what came before and what follows."""
        moved = self.factors.each(before[None], slice(None), backward=False)
        met_sd = (moved * after.swapaxes(0, 1)[:, :, None]).sum(axis=(2, 3, 4))
        met_ds: FloatArray = met_sd.T * self.factors.weight_ds
        return met_ds


def element_moves(step: Step, weight_ds: FloatArray, *, keep: bool) -> Moves:
    """Join the digits that an element moves, as far as that pays.

    Parameters
    ----------
    step : Step
        What the element does.
    weight_ds : ndarray of float, shape (draw, state)
        Prior times factors, without the last states if they have no weight.
    keep : bool
        Whether its state stays an axis.
    """
    dense = step.to_length * step.from_length <= DENSE
    kernels: list[FloatArray] = []
    for kernel in (kernel[: weight_ds.shape[1]] for kernel in step.kernel_g):
        if kernels and (dense or _longest(kernels[-1]) * _longest(kernel) <= GROUP):
            kernels[-1] = _kron(kernels[-1], kernel)
        else:
            kernels.append(kernel)
    if keep:
        nothing = np.ones((weight_ds.shape[1], 1, 1, 1, 1))
        return KeptMoves(Factors(weight_ds, kernels or [nothing]))
    if len(kernels) > 1:
        return StatewiseMoves(Factors(weight_ds, kernels))
    return DenseMoves(StateSum.of(weight_ds, kernels[0]))


def _longest(kernel: FloatArray) -> int:
    """Return the larger number of levels that a kernel comes from or goes to."""
    return int(max(kernel.shape[-2:]))


def _kron(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the Kronecker product of the last two axes."""
    joint: FloatArray = one[..., :, None, :, None] * other[..., None, :, None, :]
    rows, columns = one.shape[-2] * other.shape[-2], one.shape[-1] * other.shape[-1]
    return joint.reshape(*joint.shape[:3], rows, columns)
