"""What each element of a route does to the message, digit by digit and state by state."""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.posterior.digits import Digits, count_moves
from swapinfer.posterior.route import Route


@dataclass(frozen=True, slots=True)
class Step:
    """One element's action on the message.

    Attributes
    ----------
    element : int
        Index of the element.
    group : tuple of int
        Digits that it moves; those that open here are not yet axes of the message before.
    before, after : tuple of int
        Axes of the message before and after the element, the group last.
    from_length, to_length : int
        Joint levels of the group before and after the element.
    kernel_g : tuple of ndarray of float, shape (state, kept state or 1, level node or 1, to, from)
        What each state does to each digit of the group; one that opens here comes from 1 level,
        one that closes here goes to 1. Empty for a knot.
    """

    element: int
    group: tuple[int, ...]
    before: tuple[int, ...]
    after: tuple[int, ...]
    from_length: int
    to_length: int
    kernel_g: tuple[FloatArray, ...]


def lay_out(digits: Digits, route: Route, n_kept: int = 1, n_knots: int = 0) -> list[Step]:
    """Return the steps of a route.

    A digit opens at the first element that reaches it, or at the first but one if the kept
    element leads it, and closes right after the last one.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    route : Route
        Order of the elements.
    n_kept : int, optional
        How many of the kept element's states are followed.
    n_knots : int, optional
        How many of the first elements are knots.
    """
    moves = _moves(digits, n_knots)
    lengths = (digits.count_g + 1).tolist()
    reached: dict[int, list[int]] = {element: [] for element in route.order}
    for g, element in np.argwhere(digits.reach_ge).tolist():
        reached[element].append(g)
    steps: list[Step] = []
    axes: tuple[int, ...] = ()
    for place, element in enumerate(route.order):
        delayed = route.delayed if place == route.kept else ()
        group = tuple(g for g in reached[element] if g not in delayed)
        opened = [g for g in group if route.opens[g] < place]
        staying = [g for g in group if route.closes[g] > place]
        kernel_g = []
        for g in group if element >= n_knots else ():
            kernel = moves[g, element]
            if route.opens[g] == place:
                led = g in route.delayed
                kernel = kernel @ _led(moves, route, g, n_kept) if led else kernel[..., :1]
            if route.closes[g] == place:
                kernel = digits.closing(g).T[:, None] @ kernel
            kernel_g.append(kernel)
        rest = tuple(g for g in axes if g not in group)
        axes = (*rest, *staying)
        from_length, to_length = (prod(lengths[g] for g in some) for some in (opened, staying))
        steps.append(
            Step(element, group, (*rest, *opened), axes, from_length, to_length, tuple(kernel_g))
        )
    return steps


def _led(
    moves: dict[tuple[int, int], FloatArray], route: Route, digit: int, n_kept: int
) -> FloatArray:
    """Return where each kept state leaves a digit that it leads, the states as kept ones."""
    return moves[digit, route.order[route.kept]][:n_kept, ..., :1].swapaxes(0, 1)


def _moves(digits: Digits, n_knots: int) -> dict[tuple[int, int], FloatArray]:
    """Return what each element does to each digit, (state, 1, level node or 1, to, from)."""
    by_kind: dict[tuple[int, bool], list[int]] = {}
    for g, (count, by_level) in enumerate(
        zip(digits.count_g.tolist(), digits.moves_by_level_g.tolist(), strict=True)
    ):
        by_kind.setdefault((count, by_level), []).append(g)
    moves: dict[tuple[int, int], FloatArray] = {}
    for (count, by_level), members in by_kind.items():
        row_x, element_x = np.nonzero(digits.reach_ge[members, n_knots:])
        element_x += n_knots
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
