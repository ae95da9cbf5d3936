"""In which order the pass visits the elements, and which digits share a place in the message.

Which order gives the same model? At one element an open bit moves by the matrix
``[[open, 0], [explain, explained]]``. Where ``explain = explained - open`` for every element,
these matrices commute (they are all ``open I + explain J`` with ``J J = J``), so the order does
not matter to such a term: a noisy-OR, a largest-of-causes count. For any other term ("the first
cause present decides") the elements that it joins keep their order.
"""

from __future__ import annotations

from dataclasses import dataclass
from heapq import nsmallest
from math import prod

import numpy as np

from swapinfer.evidence.arrays import BoolArray, IntArray
from swapinfer.posterior.digits import Digits

ROUNDING = 1e-15
"""Relative difference up to which ``explain`` counts as ``explained - open``."""

BLOCK_LIMIT = 512
"""Longest message that is passed on as two blocks; only such a route keeps an element."""

BEAM = 24
"""Orders that are followed at once where a longer search pays."""

WORTH_COMPARING = 2**13
"""Entries of all messages together from which a pass without a kept element is considered."""

WORTH_SEARCHING = 2**17
"""Entries of all messages together from which a longer search pays."""

NONE = -1
"""Stands for "no element is kept as an axis"."""


@dataclass(frozen=True, slots=True)
class Route:
    """A pass, planned.

    Attributes
    ----------
    order : tuple of int
        Elements that reach a digit, in the order in which they are visited.
    kept : int
        Position of the element whose state stays an axis of the message until every digit that
        it delays has opened; `NONE` if none does.
    wide : (int, int)
        First position at which that axis or the level nodes are carried, and the position after
        the last; equal if they never are.
    opens, closes : tuple of int
        Position of the first and of the last element that moves each digit in the message.
    delayed : tuple of int
        Digits on which the kept element acts when they open, not when it is visited.
    slots : tuple of tuple of int
        Digits that follow one another in the same place of the message.
    """

    order: tuple[int, ...]
    kept: int
    wide: tuple[int, int]
    opens: tuple[int, ...]
    closes: tuple[int, ...]
    delayed: tuple[int, ...]
    slots: tuple[tuple[int, ...], ...]

    @property
    def is_wide(self) -> bool:
        """Whether the kept element or the level nodes are ever carried."""
        return self.wide[1] > self.wide[0]

    def lengths(self, digits: Digits, n_kept: int, n_levels: int) -> list[int]:
        """Entries of the message before each element if digits are axes only while open."""
        levels = (digits.count_g + 1).tolist()
        opening, closing = [1] * len(self.order), [1] * len(self.order)
        for first, last, n in zip(self.opens, self.closes, levels, strict=True):
            opening[first] *= n
            closing[last] *= n
        sizes, size = [], 1
        for p, (opened, closed) in enumerate(zip(opening, closing, strict=True)):
            by_level = n_levels if self.wide[0] <= p < self.wide[1] else 1
            by_kept = n_kept if NONE < self.kept < p < self.wide[1] else 1
            sizes.append(size * by_level * by_kept)
            size = size * opened // closed
        return sizes

    def size(self, digits: Digits) -> int:
        """Entries of the message: the product of the slots' lengths."""
        return prod(digits.length(slot[0]) for slot in self.slots)


def minds_order(digits: Digits) -> BoolArray:
    """Say which digits mind the order of the elements that move them, shape (digit,)."""
    gap_qges = digits.open_ges + digits.explain_qges
    gap_qges -= digits.explained_ges
    worst_ges = np.abs(gap_qges, out=gap_qges).max(axis=0)
    free_ge = (worst_ges <= ROUNDING * digits.explained_ges).all(axis=2)
    return np.asarray(~free_ge.all(axis=1) | digits.moves_by_level_g)


def plan_route(
    digits: Digits, n_states_e: IntArray, strict_g: BoolArray, *, keep: bool = True
) -> Route:
    """Choose the cheapest of a few passes: elements reordered where the model allows it.

    Elements that only order-free digits join come first, as they stand. The others follow,
    each time the one that leaves fewest digits open. Keeping the state of the element that
    leads most of the other digits as an axis is tried as well.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    n_states_e : ndarray of int, shape (element,)
        Number of states of each element.
    strict_g : ndarray of bool, shape (digit,)
        Digits that mind the order of the elements.
    keep : bool, optional
        Whether an element may be kept as an axis.

    Returns
    -------
    Route
        The same for the same reach, whatever the weights.
    """
    if not len(digits):
        return Route((), NONE, (0, 0), (), (), (), ())
    leader_g = digits.reach_ge[strict_g].argmax(axis=1)
    led_e = np.bincount(leader_g, minlength=digits.reach_ge.shape[1])
    hub = int(np.argmax(led_e)) if keep and led_e.size else NONE
    hubs = {hub, NONE} if hub != NONE and 2 ** int(led_e[hub]) > n_states_e[hub] else {NONE}

    def passed(route: Route) -> int:
        n_kept = 1 if route.kept == NONE else int(n_states_e[route.order[route.kept]])
        return sum(route.lengths(digits, n_kept, len(digits.explain_qges)))

    best = _route(digits, strict_g, max(hubs), 1)
    entries = passed(best)
    if entries > WORTH_COMPARING and len(hubs) > 1:
        best = min(best, _route(digits, strict_g, NONE, 1), key=passed)
        entries = passed(best)
    if entries > WORTH_SEARCHING:
        wide = (_route(digits, strict_g, hub, BEAM) for hub in sorted(hubs))
        best = min(best, *wide, key=passed)
    return best


def _route(digits: Digits, strict_g: BoolArray, hub: int, width: int) -> Route:
    reach_ge = digits.reach_ge.copy()
    strict_e = reach_ge[strict_g].any(axis=0)
    free = np.flatnonzero(reach_ge.any(axis=0) & ~strict_e).tolist()
    delayed_g = np.zeros(len(digits), dtype=np.bool_)
    if hub != NONE:
        leads_g = reach_ge[:, hub] & (reach_ge.argmax(axis=1) == hub)
        delayed_g = strict_g & leads_g & (reach_ge.sum(axis=1) > 1)
    delayed = tuple(np.flatnonzero(delayed_g).tolist())
    order = (*free, *_queued(digits, strict_g, hub, set(delayed), width))
    kept = NONE if hub == NONE else order.index(hub)
    reach_ge[delayed_g, hub] = False
    visits_gp = reach_ge[:, list(order)]
    opens = visits_gp.argmax(axis=1).tolist()
    closes = (len(order) - 1 - visits_gp[:, ::-1].argmax(axis=1)).tolist()
    by_level = np.flatnonzero(digits.by_level_g).tolist()
    moved_by_level_g = digits.moves_by_level_g.tolist()
    starts = [opens[g] if moved_by_level_g[g] else closes[g] for g in by_level]
    starts += [] if kept == NONE else [kept]
    stops = [closes[g] + 1 for g in by_level] + [opens[g] + 1 for g in delayed]
    return Route(
        order=order,
        kept=kept,
        wide=(min(starts, default=0), max(stops, default=0)),
        opens=tuple(opens),
        closes=tuple(closes),
        delayed=delayed,
        slots=_slots(digits, opens, closes),
    )


@dataclass(frozen=True, slots=True)
class _Precedence:
    """What elements wait for; sets of digits, and of elements, are the bits of a number.

    An element may come once all that precede it on any of its digits have; which digits are open
    follows from who has come.
    """

    digits_of: dict[int, list[int]]
    before: dict[int, int]
    member: dict[int, int]

    @classmethod
    def of(cls, digits: Digits, strict_g: BoolArray) -> _Precedence:
        digits_of: dict[int, list[int]] = {}
        before: dict[int, int] = {}
        member: dict[int, int] = {}
        for g in np.flatnonzero(strict_g).tolist():
            come = 0
            for e in np.flatnonzero(digits.reach_ge[g]).tolist():
                digits_of.setdefault(e, []).append(g)
                before[e] = before.get(e, 0) | come
                come |= 1 << e
            member[g] = come
        return cls(digits_of, before, member)

    def left_open(self, element: int, moved: int, come: int) -> int:
        """Digits still open when an element was the last to come."""
        for g in self.digits_of[element]:
            if not self.member[g] & ~come:
                moved &= ~(1 << g)
        return moved


def _queued(
    digits: Digits, strict_g: BoolArray, hub: int, delayed: set[int], width: int
) -> list[int]:
    """Order the elements that mind it, by a beam search for the shortest messages."""
    waiting = _Precedence.of(digits, strict_g)
    own = {e: sum(1 << g for g in mine) for e, mine in waiting.digits_of.items()}
    moves = {**own, hub: own.get(hub, 0) & ~sum(1 << g for g in delayed)}
    by_level = sum(1 << g for g in np.flatnonzero(digits.by_level_g).tolist())
    level_bits = (len(digits.explain_qges) - 1).bit_length()
    # Entries passed so far, whether the last is none of those that level nodes wait for, order,
    # digits open, elements that have come.
    beam: list[tuple[int, bool, tuple[int, ...], int, int]] = [(0, False, (), 0, 0)]
    for _ in own:
        grown: dict[int, tuple[int, bool, tuple[int, ...], int, int]] = {}
        for passed, _, order, is_open, come in beam:
            for e, before in waiting.before.items():
                if come >> e & 1 or before & ~come:
                    continue
                now = come | 1 << e
                moved = is_open | moves[e]
                after = waiting.left_open(e, moved, now)
                bits = after.bit_count() + level_bits * bool(moved & by_level)
                found = (passed + (1 << bits), not own[e] & by_level, (*order, e), after, now)
                if now not in grown or found < grown[now]:
                    grown[now] = found
        beam = nsmallest(width, grown.values())
    return list(beam[0][2])


def _slots(digits: Digits, opens: list[int], closes: list[int]) -> tuple[tuple[int, ...], ...]:
    """Give each digit a slot that is free from its opening to its closing, equal lengths only."""
    counts = digits.count_g.tolist()
    slots: list[list[int]] = []
    for digit in sorted(range(len(opens)), key=opens.__getitem__):
        for slot in slots:
            if counts[slot[0]] == counts[digit] and closes[slot[-1]] < opens[digit]:
                slot.append(digit)
                break
        else:
            slots.append([digit])
    return tuple(tuple(slot) for slot in slots)
