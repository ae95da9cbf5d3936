"""In which order a pass visits the elements, and what each of them does to the open digits.

Which order gives the same model? At one element an open bit moves by the matrix
``[[open, 0], [explain, explained]]``. Where ``explain = explained - open`` for every element,
these matrices commute (they are all ``open I + explain J`` with ``J J = J``), so the order does
not matter to such a term: a noisy-OR, a largest-of-causes count. For any other term ("the first
cause present decides") the elements that it joins keep their order.
"""

from __future__ import annotations

from heapq import nsmallest
from math import prod

import msgspec
import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.posterior.digits import Digits, count_moves

BEAM = 24
"""Orders that are followed at once where a longer search pays."""

WORTH_SEARCHING = 2**17
"""Entries of all messages together from which a longer search pays."""


class Route(msgspec.Struct, frozen=True):
    """The order of a pass."""

    order: tuple[int, ...]  # elements that reach a digit, in the order in which they are visited
    # Position of the first and of the last element that moves each digit
    opens: tuple[int, ...]
    closes: tuple[int, ...]
    # Position at which the message gets an axis of level nodes, and the first that no longer needs
    # it; equal if none does
    wide: tuple[int, int]

    @classmethod
    def of(cls, digits: Digits, order: tuple[int, ...]) -> Route:
        """Say what opens and closes where when elements are visited in some order.

        The level nodes are told apart from the first position at which anything depends on them:
        what elements do to a digit, or how it is weighed when it closes.
        """
        visits_gp = digits.reach_ge[:, list(order)]
        opens = visits_gp.argmax(axis=1).tolist() if order else []
        closes = (len(order) - 1 - visits_gp[:, ::-1].argmax(axis=1)).tolist() if order else []
        by_level = np.flatnonzero(digits.by_level_g).tolist()
        starts = [opens[g] if digits.moves_by_level_g[g] else closes[g] for g in by_level]
        stops = [closes[g] + 1 for g in by_level]
        wide = (min(starts, default=0), max(stops, default=0))
        return cls(order, tuple(opens), tuple(closes), wide)

    @property
    def is_wide(self) -> bool:
        """Whether the level nodes are ever told apart."""
        return self.wide[1] > self.wide[0]

    def lengths(self, digits: Digits) -> list[int]:
        """Return the entries of the message before each element."""
        opening, closing = [1] * len(self.order), [1] * len(self.order)
        for first, last, n in zip(self.opens, self.closes, digits.lengths, strict=True):
            opening[first] *= n
            closing[last] *= n
        lengths, length = [], 1
        for p, (opened, closed) in enumerate(zip(opening, closing, strict=True)):
            lengths.append(length * (digits.n_nodes if self.wide[0] < p < self.wide[1] else 1))
            length = length * opened // closed
        return lengths


def plan_route(digits: Digits) -> Route:
    """Order the elements so that the messages are short, as far as the model allows it.

    The order depends on what reaches what alone, whatever the weights.
    """
    crowd = _Crowd.of(digits)
    route = Route.of(digits, crowd.queue(1))
    if sum(route.lengths(digits)) <= WORTH_SEARCHING:
        return route
    routes = (route, Route.of(digits, crowd.queue(BEAM)))
    return min(routes, key=lambda one: sum(one.lengths(digits)))


class _Queue(msgspec.Struct, frozen=True, order=True, kw_only=True):
    """Groups that have come; the better compares as the less.

    Level nodes are kept out of the message as long as can be; then the fewest entries passed count.
    """

    is_wide: bool = False
    passed: int = 0
    is_apart: bool = False
    order: tuple[int, ...] = ()
    touched: int = 0
    closed: int = 0
    come: int = 0


class _Crowd(msgspec.Struct, frozen=True):
    """The elements that are to be put in order; those free to move that reach the same together.

    Sets of digits, and of groups, are the bits of a number. A group may come once all that
    precede it on any of its strict digits have.
    """

    groups: list[list[int]]  # elements of each group
    # Digits that each group reaches, and groups that must come before it
    own: list[int]
    before: list[int]
    # Groups that reach each digit, and its levels
    members: list[int]
    lengths: list[int]
    # Digits that depend on the level, and those whose moves do
    by_level: int
    moved_by_level: int
    n_nodes: int

    @classmethod
    def of(cls, digits: Digits) -> _Crowd:
        """Gather the elements that reach any digit."""
        strict_e = np.asarray(digits.reach_ge[digits.strict_g].any(axis=0))
        reach: dict[tuple[int, int], list[int]] = {}
        for e in np.flatnonzero(digits.reach_ge.any(axis=0)).tolist():
            own = _bits(digits.reach_ge[:, e])
            reach.setdefault((own, e if strict_e[e] else -1), []).append(e)
        before, members = [0] * len(reach), [0] * len(digits)
        for g, is_strict in enumerate(digits.strict_g.tolist()):
            for number, (own, _) in enumerate(reach):
                if own >> g & 1:
                    before[number] |= members[g] if is_strict else 0
                    members[g] |= 1 << number
        return cls(
            list(reach.values()),
            [own for own, _ in reach],
            before,
            members,
            digits.lengths,
            _bits(digits.by_level_g),
            _bits(digits.moves_by_level_g),
            digits.n_nodes,
        )

    def queue(self, width: int) -> tuple[int, ...]:
        """Put the elements in order, by a beam search for the shortest messages."""
        beam = [_Queue()]
        for _ in self.groups:
            grown: dict[int, _Queue] = {}
            for queue in beam:
                for number, before in enumerate(self.before):
                    if queue.come >> number & 1 or before & ~queue.come:
                        continue
                    longer = self._followed(queue, number)
                    if longer.come not in grown or longer < grown[longer.come]:
                        grown[longer.come] = longer
            beam = nsmallest(width, grown.values())
        return tuple(e for number in beam[0].order for e in self.groups[number])

    def _followed(self, queue: _Queue, number: int) -> _Queue:
        """Let a group come next."""
        own, come = self.own[number], queue.come | 1 << number
        touched, closed, digit = queue.touched | own, queue.closed, 0
        while own >> digit:
            if own >> digit & 1 and not self.members[digit] & ~come:
                closed |= 1 << digit
            digit += 1
        begun = touched & self.moved_by_level | closed & self.by_level
        is_wide = bool(begun and self.by_level & ~closed)
        within = self._length(touched & ~queue.closed, queue.is_wide)
        after = self._length(touched & ~closed, is_wide)
        return _Queue(
            is_wide=is_wide,
            passed=queue.passed + within * len(self.groups[number]) + after,
            is_apart=not own & self.by_level,
            order=(*queue.order, number),
            touched=touched,
            closed=closed,
            come=come,
        )

    def _length(self, is_open: int, is_wide: bool) -> int:
        """Return the entries of a message with a set of digits open."""
        levels = prod(n for g, n in enumerate(self.lengths) if is_open >> g & 1)
        return levels * self.n_nodes if is_wide else levels


def _bits(flags: BoolArray) -> int:
    """Return flags as the bits of a number."""
    return sum(1 << at for at in np.flatnonzero(flags).tolist())


class Step(msgspec.Struct, frozen=True):
    """One element's action on the message."""

    element: int
    # Digits that the element moves; those that open here are not yet axes of the message before
    group: tuple[int, ...]
    # Axes of the message before and after the element, the group last
    before: tuple[int, ...]
    after: tuple[int, ...]
    # Joint levels of the group before and after the element
    from_length: int
    to_length: int
    # (state, level node or 1, to, from): what each state does to each digit of the group; one that
    # opens here comes from 1 level, one that closes here goes to 1. Empty for a knot.
    kernel_g: tuple[FloatArray, ...]


def lay_out(digits: Digits, route: Route, n_knots: int = 0) -> list[Step]:
    """Return the steps of a route, of which the first elements may be knots.

    A digit opens at the first element that reaches it and closes right after the last one.
    """
    moves = _moves(digits, n_knots)
    reached: dict[int, list[int]] = {element: [] for element in route.order}
    for g, element in np.argwhere(digits.reach_ge).tolist():
        reached[element].append(g)
    steps: list[Step] = []
    axes: tuple[int, ...] = ()
    for place, element in enumerate(route.order):
        group = tuple(reached[element])
        opened = [g for g in group if route.opens[g] < place]
        staying = [g for g in group if route.closes[g] > place]
        kernel_g = []
        for g in group if element >= n_knots else ():
            kernel = moves[g, element]
            if route.opens[g] == place:
                kernel = kernel @ digits.starting(g).T[..., None]
            if route.closes[g] == place:
                kernel = digits.closing(g).T[:, None] @ kernel
            kernel_g.append(kernel)
        rest = tuple(g for g in axes if g not in group)
        before, axes = (*rest, *opened), (*rest, *staying)
        from_length, to_length = (
            prod(digits.lengths[g] for g in some) for some in (opened, staying)
        )
        steps.append(Step(element, group, before, axes, from_length, to_length, tuple(kernel_g)))
    return steps


def _moves(digits: Digits, n_knots: int) -> dict[tuple[int, int], FloatArray]:
    """Return what each element does to each digit, (state, level node or 1, to, from).

    Digits of equally many terms are worked out together.
    """
    by_kind: dict[tuple[int, bool], list[int]] = {}
    kinds = zip(digits.count_g.tolist(), digits.moves_by_level_g.tolist(), strict=True)
    for g, kind in enumerate(kinds):
        by_kind.setdefault(kind, []).append(g)
    every_s = np.arange(digits.open_ges.shape[2])
    moves: dict[tuple[int, int], FloatArray] = {}
    for (count, by_level), members in by_kind.items():
        row_x, element_x = np.nonzero(digits.reach_ge[members, n_knots:])
        element_x += n_knots
        digit_x = np.array(members)[row_x]
        at, explain = (digit_x, element_x), digits.explain
        explain_qxs = explain.most_tes[at][None]
        if by_level:
            explain_qxs = explain.at(digit_x[:, None], element_x[:, None], every_s)
        every = count_moves(count, digits.open_ges[at], explain_qxs, digits.explained_ges[at])
        every = np.ascontiguousarray(every.transpose(3, 4, 2, 0, 1))
        pairs = zip(digit_x.tolist(), element_x.tolist(), strict=True)
        moves |= dict(zip(pairs, every, strict=True))
    return moves
