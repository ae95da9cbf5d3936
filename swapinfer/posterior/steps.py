"""What each element of a route does to the message, digit by digit and state by state."""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.posterior.digits import Digits, count_moves
from swapinfer.posterior.route import NONE, Route


@dataclass(frozen=True, slots=True)
class Step:
    """One element's action on the message.

    Attributes
    ----------
    element : int
        Index of the element.
    group : tuple of int
        Digits that it moves; those that open here are not yet axes of the message before.
    kernel_g : tuple of ndarray of float, shape (state, kept state or 1, level node or 1, to, from)
        What each state does to each digit of the group; one that opens here comes from 1 level,
        one that closes here goes to 1.
    before, after : tuple of int
        Axes of the message before and after the element, the group last.
    """

    element: int
    group: tuple[int, ...]
    kernel_g: tuple[FloatArray, ...]
    before: tuple[int, ...]
    after: tuple[int, ...]

    @property
    def from_length(self) -> int:
        """Joint levels of the group before the element."""
        return prod(kernel.shape[-1] for kernel in self.kernel_g)

    @property
    def to_length(self) -> int:
        """Joint levels of the group after the element."""
        return prod(kernel.shape[-2] for kernel in self.kernel_g)


def started(route: Route) -> tuple[int, ...]:
    """Return the digits that are open when the pass starts."""
    return tuple(g for g, first in enumerate(route.opens) if first == NONE)


def lay_out(digits: Digits, route: Route, kept: slice) -> list[Step]:
    """Return the steps of a route.

    A digit opens at the first element that reaches it, or at the first but one if the kept
    element leads it, and closes right after the last one.
    """
    moves = _moves(digits)
    steps: list[Step] = []
    axes = started(route)
    for place, element in enumerate(route.order):
        delayed = route.delayed if place == route.kept else ()
        group = tuple(g for g in digits.of_element(element) if g not in delayed)
        kernel_g = []
        for g in group:
            kernel = moves[g, element]
            if route.opens[g] == place:
                led = g in route.delayed
                kernel = kernel @ _led(moves, route, g, kept) if led else kernel[..., :1]
            if route.closes[g] == place:
                kernel = digits.closing(g).T[:, None] @ kernel
            kernel_g.append(kernel)
        rest = tuple(g for g in axes if g not in group)
        before = rest + tuple(g for g in group if route.opens[g] < place)
        axes = rest + tuple(g for g in group if route.closes[g] > place)
        steps.append(Step(element, group, tuple(kernel_g), before, axes))
    return steps


def _led(
    moves: dict[tuple[int, int], FloatArray], route: Route, digit: int, kept: slice
) -> FloatArray:
    """Return where each kept state leaves a digit that it leads, the states as kept ones."""
    return moves[digit, route.order[route.kept]][kept, ..., :1].swapaxes(0, 1)


def _moves(digits: Digits) -> dict[tuple[int, int], FloatArray]:
    """Return what each element does to each digit, (state, 1, level node or 1, to, from)."""
    by_kind: dict[tuple[int, bool], list[int]] = {}
    for g, (count, by_level) in enumerate(
        zip(digits.count_g.tolist(), digits.by_level_g.tolist(), strict=True)
    ):
        by_kind.setdefault((count, by_level), []).append(g)
    moves: dict[tuple[int, int], FloatArray] = {}
    for (count, by_level), members in by_kind.items():
        row_x, element_x = np.nonzero(digits.reach_ge[members])
        digit_x = np.array(members)[row_x]
        levels = slice(None) if by_level else slice(1)
        every = count_moves(
            count,
            digits.open_ges[digit_x, element_x],
            digits.explain_qges[levels, digit_x, element_x],
            digits.explained_ges[digit_x, element_x],
        ).transpose(3, 4, 2, 0, 1)
        pairs = zip(digit_x.tolist(), element_x.tolist(), strict=True)
        moves |= dict(zip(pairs, np.ascontiguousarray(every)[:, :, None], strict=True))
    return moves
