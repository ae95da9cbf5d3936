"""The matrices with which each state of each element moves the two blocks of the message."""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.posterior.digits import IDLE, Digits
from swapinfer.posterior.route import Route

LEFT, RIGHT = 0, 1
AXES = ((3, 2, 0, 4, 1), (3, 2, 4, 1, 0))
"""From (to, from, level node, position, state) to the order in which each side multiplies."""


@dataclass(frozen=True, slots=True)
class Block:
    """One side of the message.

    Attributes
    ----------
    length : int
        Joint levels of its slots.
    n_states : int
        States of an element, unused ones included.
    move_p : list of ndarray of float
        What each state of the element at each position does: on the left side of shape
        (to * state, from), on the right side (state * from, to); with a leading level node axis
        where it depends on the level.
    open_p : dict of int to ndarray of float, shape (kept state, level node or 1, to, from)
        What opens before the element at a position, given the kept element's state.
    """

    length: int
    n_states: int
    move_p: list[FloatArray]
    open_p: dict[int, FloatArray]

    def apart(self, move: FloatArray) -> FloatArray:
        """Split a right move by state, shape (state, level node or 1, from, to)."""
        shape = (-1, self.n_states, self.length, self.length)
        return move.reshape(shape).swapaxes(0, 1)


def build_blocks(digits: Digits, route: Route, weight_ps: FloatArray) -> tuple[Block, Block]:
    """Build the matrices of both sides of the message.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    route : Route
        Order and slots.
    weight_ps : ndarray of float, shape (position, state)
        Weights to be multiplied into the right side.

    Returns
    -------
    left, right : Block
    """
    everywhere = (0, len(route.order))
    narrow_j = _slot_moves(digits, route, everywhere, slice(1))
    by_level = bool(digits.by_level_g.any())
    wide_j = _slot_moves(digits, route, route.wide, slice(None)) if by_level else []
    n_states = digits.open_ges.shape[2]
    blocks = []
    for side, slots in enumerate(_split(digits, route)):
        weight = weight_ps if side == RIGHT else None
        nothing = np.ones((1, 1, 1, len(route.order), n_states))
        moves_j = [narrow_j[j] for j in slots] or [nothing]
        move_p = _side_moves(moves_j, side, everywhere, weight)
        if any(digits.by_level_g[g] for j in slots for g in route.slots[j]):
            wide = _side_moves([wide_j[j] for j in slots], side, route.wide, weight)
            move_p[slice(*route.wide)] = wide
        length = prod(digits.length(route.slots[j][0]) for j in slots)
        blocks.append(Block(length, n_states, move_p, _openings(digits, route, slots)))
    return blocks[LEFT], blocks[RIGHT]


def _split(digits: Digits, route: Route) -> tuple[list[int], list[int]]:
    """Divide the slots into two blocks of about equal length, left no shorter than right."""
    sides: tuple[list[int], list[int]] = ([], [])
    lengths = [1, 1]
    for slot in sorted(range(len(route.slots)), key=lambda j: -digits.length(route.slots[j][0])):
        side = int(lengths[RIGHT] < lengths[LEFT])
        sides[side].append(slot)
        lengths[side] *= digits.length(route.slots[slot][0])
    return sides


def _side_moves(
    moves_j: list[FloatArray], side: int, span: tuple[int, int], weight_ps: FloatArray | None
) -> list[FloatArray]:
    """Join the moves of a side's slots, weigh them and order the axes."""
    joint = moves_j[0] if weight_ps is None else moves_j[0] * weight_ps[slice(*span)]
    for moves in moves_j[1:]:
        size = len(joint) * len(moves)
        product = joint[:, None, :, None] * moves[None, :, None, :]
        joint = product.reshape(size, size, *joint.shape[2:])
    length, _, n_levels, n_positions, n_states = joint.shape
    shape = (length * n_states, length) if side == LEFT else (n_states * length, length)
    outer = (n_positions,) if n_levels == 1 else (n_positions, n_levels)
    return list(joint.transpose(AXES[side]).reshape(*outer, *shape))


def _slot_moves(
    digits: Digits, route: Route, span: tuple[int, int], levels: slice
) -> list[FloatArray]:
    """Return the moves of each slot, shape (to, from, level node, position, state)."""
    groups: dict[int, list[int]] = {}
    for j, slot in enumerate(route.slots):
        groups.setdefault(digits.length(slot[0]), []).append(j)
    moves_j: dict[int, FloatArray] = {}
    for length, group in groups.items():
        moves = _equal_slots(digits, route, group, length, span, levels)
        moves_j |= {j: moves[:, :, :, row] for row, j in enumerate(group)}
    return [moves_j[j] for j in range(len(route.slots))]


def _equal_slots(
    digits: Digits,
    route: Route,
    group: list[int],
    length: int,
    span: tuple[int, int],
    levels: slice,
) -> FloatArray:
    """Return the moves of slots of one length, shape (to, from, level, slot, position, state)."""
    first, stop = span
    digit_jp = np.full((len(group), stop - first), IDLE)
    ends: list[tuple[int, int, int]] = []
    for row, j in enumerate(group):
        for digit in route.slots[j]:
            opens, closes = route.opens[digit] - first, route.closes[digit] - first
            digit_jp[row, max(opens, 0) : max(closes + 1, 0)] = digit
            if 0 <= closes < stop - first:
                ends.append((row, closes, digit))
    moves = digits.moves_at(length - 1, digit_jp, np.array(route.order[first:stop]), levels)
    if ends:
        rows, at, closed = (np.array(column) for column in zip(*ends, strict=True))
        closing_jqm = digits.closing_of(length - 1, closed, levels)
        ending = moves[:, :, :, rows, at]
        moves[0][:, :, rows, at] = (closing_jqm[:, None, ..., None] * ending).sum(axis=0)
        moves[1:, :, :, rows, at] = 0.0
    return moves


def _openings(digits: Digits, route: Route, slots: list[int]) -> dict[int, FloatArray]:
    """Return what opens before each position, given the kept element's state."""
    lengths = [digits.length(route.slots[j][0]) for j in slots]
    open_p: dict[int, FloatArray] = {}
    for place, j in enumerate(slots):
        for digit in set(route.slots[j]) & set(route.delayed):
            outer, inner = prod(lengths[:place]), prod(lengths[place + 1 :])
            opening = _opening(digits, route, digit, outer, inner)
            at = route.opens[digit]
            open_p[at] = opening @ open_p[at] if at in open_p else opening
    return open_p


def _opening(digits: Digits, route: Route, digit: int, outer: int, inner: int) -> FloatArray:
    """Return the matrix that opens a delayed digit, shape (kept state, level or 1, to, from)."""
    kept = np.array([route.order[route.kept]])
    start_jqs = digits.moves(digit, kept)[:, 0, :, 0]
    length, n_levels, n_states = start_jqs.shape
    opening = np.zeros((n_states, n_levels, length, length))
    opening[..., 0] = start_jqs.transpose(2, 1, 0)
    return np.kron(np.kron(np.eye(outer)[None, None], opening), np.eye(inner)[None, None])
