"""Forward and backward over the elements, the open digits being the axes of the message."""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.posterior.digits import Digits

CHUNK = 2**20
"""Entries of the largest intermediate array; states are taken in chunks that fit."""


@dataclass(frozen=True, slots=True)
class Step:
    """One element's action on the message.

    Attributes
    ----------
    element : int
        Index of the element.
    kernels : tuple of (int, ndarray of float, shape (level node, state, to, from))
        Axis of the message and what each state does along it.
    before, after : tuple of int
        Shape of the message on either side; an axis that opens here has length 1 before, one
        that closes here length 1 after.
    """

    element: int
    kernels: tuple[tuple[int, FloatArray], ...]
    before: tuple[int, ...]
    after: tuple[int, ...]


def lay_out(digits: Digits, order: list[int]) -> list[Step]:
    """Return the steps of a pass over `order`, elements that reach no digit left out.

    A digit opens at the first element that reaches it and closes right after the last one, so
    that only open digits are axes of the message.
    """
    reached = [[int(g) for g in np.flatnonzero(digits.reach_ge[:, e])] for e in order]
    last = {g: place for place, group in enumerate(reached) for g in group}
    steps: list[Step] = []
    axes: list[int] = []
    seen: set[int] = set()
    for place, (element, group) in enumerate(zip(order, reached, strict=True)):
        if not group:
            continue
        opening = [g for g in group if g not in seen]
        axes = axes + opening
        seen.update(opening)
        closing = {g for g in group if last[g] == place}
        length = {g: int(digits.count_g[g]) + 1 for g in axes}
        steps.append(
            Step(
                element=element,
                kernels=tuple(
                    (axes.index(g), _kernel(digits, g, element, g in opening, g in closing))
                    for g in group
                ),
                before=tuple(1 if g in opening else length[g] for g in axes),
                after=tuple(1 if g in closing else length[g] for g in axes),
            )
        )
        axes = [g for g in axes if g not in closing]
    return steps


def _kernel(digits: Digits, digit: int, element: int, opens: bool, closes: bool) -> FloatArray:
    kernel = digits.transitions(digit, element)
    if opens:
        kernel = kernel[..., :1]
    if closes:
        kernel = digits.closing(digit)[:, None, None, :] @ kernel
    return kernel


def push(step: Step, message: FloatArray, weight_ds: FloatArray) -> FloatArray:
    """Carry a forward message across one element.

    Parameters
    ----------
    step : Step
        The element's action.
    message : ndarray of float, shape (draw, level node, open digits flattened)
        Weight of every joint level of the open digits, given the elements before.
    weight_ds : ndarray of float, shape (draw, state)
        Prior times factors of the element.

    Returns
    -------
    ndarray of float, shape (draw, level node, open digits flattened)
        The message after the element.
    """
    total: FloatArray = np.zeros((*message.shape[:2], prod(step.after)))
    for states in _chunks(step, message):
        carried = message[:, :, None]
        shape = list(step.before)
        for axis, kernel in step.kernels:
            carried, shape = _along(axis, kernel[:, states], carried, shape)
        total += np.einsum("ds,dqsn->dqn", weight_ds[:, states], carried)
    return total


def pull(
    step: Step, message: FloatArray, weight_ds: FloatArray, earlier: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Carry a backward message across one element and meet the forward message there.

    Parameters
    ----------
    step, weight_ds
        As for `push`.
    message : ndarray of float, shape (draw, level node, open digits flattened)
        Weight of all that follows, for every joint level of the open digits.
    earlier : ndarray of float, shape (draw, level node, open digits flattened)
        The forward message before the element.

    Returns
    -------
    total : ndarray of float, shape (draw, level node, open digits flattened)
        The backward message before the element.
    meet_dqs : ndarray of float, shape (draw, level node, state)
        Weight of each of the element's states with everything else summed out.
    """
    total: FloatArray = np.zeros((*message.shape[:2], prod(step.before)))
    meet_dqs = np.empty((*message.shape[:2], weight_ds.shape[1]))
    for states in _chunks(step, message):
        carried = spread(step, message, weight_ds, states)
        meet_dqs[:, :, states] = (carried @ earlier[..., None])[..., 0]
        total += carried.sum(axis=2)
    return total, meet_dqs


def spread(
    step: Step, message: FloatArray, weight_ds: FloatArray, states: slice = slice(None)
) -> FloatArray:
    """Carry a backward message across one element, each of its states apart.

    Returns
    -------
    ndarray of float, shape (draw, level node, state, open digits flattened)
        The parts whose sum over states is the backward message before the element.
    """
    carried = message[:, :, None]
    shape = list(step.after)
    for axis, kernel in step.kernels:
        carried, shape = _along(axis, kernel[:, states].swapaxes(-1, -2), carried, shape)
    weighted: FloatArray = carried * weight_ds[:, None, states, None]
    return weighted


def _chunks(step: Step, message: FloatArray) -> list[slice]:
    n_states = step.kernels[0][1].shape[1]
    widest = max(prod(step.before), prod(step.after))
    size = max(1, CHUNK // (message.shape[0] * message.shape[1] * widest))
    return [slice(start, start + size) for start in range(0, n_states, size)]


def _along(
    axis: int, kernel: FloatArray, message: FloatArray, shape: list[int]
) -> tuple[FloatArray, list[int]]:
    """Multiply `message` (draw, level node, state or 1, flattened) by `kernel` along one axis."""
    n_draws, n_levels, n_states = message.shape[:3]
    outer, inner = prod(shape[:axis]), prod(shape[axis + 1 :])
    split = message.reshape(n_draws, n_levels, n_states, outer, shape[axis], inner)
    moved = kernel[None, :, :, None] @ split
    new_shape = [*shape[:axis], kernel.shape[-2], *shape[axis + 1 :]]
    return moved.reshape(n_draws, n_levels, kernel.shape[1], -1), new_shape
