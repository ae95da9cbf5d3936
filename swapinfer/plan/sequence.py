"""Exact optimum of small sequencing problems: which test, in which order, and when to stop.

An AND/OR search: at an OR node one step is chosen, at an AND node its outcome is suffered. The
value of every node is remembered, and a step is dropped as soon as an admissible bound shows that
it cannot win.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Hashable, Iterable, Sequence
from functools import cache
from typing import Generic, TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from swapinfer.errors import InputError
from swapinfer.evidence.arrays import FloatArray, IntArray

NodeT = TypeVar("NodeT", bound=Hashable)

STOP = -1  # step of a leaf
_TIE = 1e-12  # improvements below this are rounding, so the earlier step keeps its place


class Attempt(Struct, Generic[NodeT], frozen=True):
    """One way to go on from a node."""

    label: int  # number of the test or repair
    cost: float  # expected cost of doing it here
    branches: tuple[tuple[int, float, NodeT], ...]  # outcome, its chance, where it leads


class Policy(Struct, frozen=True):
    """What to do at one point of an optimal plan, and after each outcome.

    Attributes
    ----------
    step : int
        Test or repair to do, `STOP` at a leaf.
    cost : float
        Expected cost from here on.
    outcome : int
        Outcome of the step before that led here; `STOP` at the root.
    chance : float
        Probability of that outcome when the step before is done.
    decision : int
        At a leaf: index of the terminal decision, or of a state that is left possible.
    branches : tuple of Policy
        One an outcome of positive chance.
    """

    step: int
    cost: float
    outcome: int = STOP
    chance: float = 1.0
    decision: int = STOP
    branches: tuple[Policy, ...] = ()

    @property
    def size(self) -> int:
        """Number of nodes, leaves included."""
        return 1 + sum(branch.size for branch in self.branches)


class Search(Generic[NodeT]):
    """An AND/OR search with memory."""

    def __init__(
        self,
        stop: Callable[[NodeT], tuple[float, int]],
        expand: Callable[[NodeT], Iterable[Attempt[NodeT]]],
        bound: Callable[[NodeT], float],
    ) -> None:
        self.stop = stop
        self.expand = expand
        self.bound = bound
        self._known: dict[NodeT, tuple[float, Attempt[NodeT] | None]] = {}

    def value(self, node: NodeT) -> float:
        """Optimal expected cost from a node on."""
        known = self._known.get(node)
        if known is None:
            known = self._known[node] = self._choose(node)
        return known[0]

    def policy(self, node: NodeT, outcome: int = STOP, chance: float = 1.0) -> Policy:
        """Optimal plan from a node on, as a tree."""
        cost = self.value(node)
        step = self._known[node][1]
        if step is None:
            return Policy(STOP, cost, outcome, chance, self.stop(node)[1])
        branches = tuple(self.policy(after, o, p) for o, p, after in step.branches)
        return Policy(step.label, cost, outcome, chance, STOP, branches)

    def _choose(self, node: NodeT) -> tuple[float, Attempt[NodeT] | None]:
        best, chosen = self.stop(node)[0], None
        ranked = [(self._floor(step), at, step) for at, step in enumerate(self.expand(node))]
        for floor, _, step in sorted(ranked, key=lambda entry: entry[:2]):
            if floor >= best - _TIE:
                break
            value = self._value_below(step, floor, best)
            if value < best - _TIE:
                best, chosen = value, step
        return best, chosen

    def _floor(self, step: Attempt[NodeT]) -> float:
        return step.cost + sum(chance * self.bound(node) for _, chance, node in step.branches)

    def _value_below(self, step: Attempt[NodeT], floor: float, limit: float) -> float:
        """Exact value of a step, or any figure not below `limit` once it cannot win."""
        for _, chance, node in step.branches:
            floor += chance * (self.value(node) - self.bound(node))
            if floor >= limit:
                break
        return floor


def huffman_length(weights: Sequence[float], arity: int = 2) -> float:
    """Mean number of questions that the best conceivable questions would need.

    Reference: Huffman (1952), Proc. IRE 40, "A method for the construction of minimum-redundancy
    codes".
    """
    heap = [float(weight) for weight in weights]
    heap.extend([0.0] * (-(len(heap) - 1) % (arity - 1)))
    heapq.heapify(heap)
    total = 0.0
    while len(heap) > 1:
        merged = sum(heapq.heappop(heap) for _ in range(arity))
        total += merged
        heapq.heappush(heap, merged)
    return total


def isolate(prior_s: FloatArray, cost_t: FloatArray, outcome_ts: IntArray) -> Policy:
    """Cheapest plan of perfect tests that tells the states apart as far as they can be.

    Parameters
    ----------
    prior_s : ndarray of float, shape (state,)
        Probability of each state, adding up to 1.
    cost_t : ndarray of float, shape (test,)
        Positive cost of each test.
    outcome_ts : ndarray of int, shape (test, state)
        Outcome of each test in each state, counted from 0.

    Returns
    -------
    Policy
        Optimal; `decision` of a leaf is the most probable state left.

    Raises
    ------
    InputError
        If shapes disagree, the prior is none, or a cost is not positive.

    References
    ----------
    Pattipati & Alexandridis (1990), "Application of heuristic search and information theory to
    sequential fault diagnosis", IEEE Trans. SMC 20(4):872-887.
    """
    search, start = isolation_search(prior_s, cost_t, outcome_ts)
    return search.policy(start)


def isolation_search(
    prior_s: FloatArray, cost_t: FloatArray, outcome_ts: IntArray
) -> tuple[Search[tuple[int, ...]], tuple[int, ...]]:
    """Search behind `isolate`, with its first node: the tuple of states still possible."""
    _check(prior_s, cost_t, outcome_ts)
    groups = np.unique(outcome_ts, axis=1, return_inverse=True)[1].ravel()
    arity = max(int(outcome_ts.max()) + 1, 2)
    cheapest = float(cost_t.min())

    def is_told_apart(states: tuple[int, ...]) -> bool:
        return bool((groups[list(states)] == groups[states[0]]).all())

    def stop(states: tuple[int, ...]) -> tuple[float, int]:
        likeliest = max(states, key=lambda state: float(prior_s[state]))
        return (0.0 if is_told_apart(states) else np.inf), likeliest

    def expand(states: tuple[int, ...]) -> Iterable[Attempt[tuple[int, ...]]]:
        return _splits(states, prior_s, cost_t, outcome_ts)

    @cache
    def bound(states: tuple[int, ...]) -> float:
        if is_told_apart(states):
            return 0.0
        chosen = list(states)
        weight = np.bincount(groups[chosen], weights=prior_s[chosen])
        present = weight[weight > 0.0]
        return cheapest * huffman_length((present / present.sum()).tolist(), arity)

    possible = tuple(int(state) for state in np.flatnonzero(prior_s > 0.0))
    return Search(stop, expand, bound), possible


def _splits(
    states: tuple[int, ...], prior_s: FloatArray, cost_t: FloatArray, outcome_ts: IntArray
) -> Iterable[Attempt[tuple[int, ...]]]:
    """Yield the tests that tell some of these states apart."""
    columns = list(states)
    total = prior_s[columns].sum()
    for test, cost in enumerate(cost_t):
        shown = outcome_ts[test, columns]
        if (shown == shown[0]).all():
            continue
        parts = [
            (int(outcome), tuple(s for s, o in zip(states, shown, strict=True) if o == outcome))
            for outcome in np.unique(shown)
        ]
        yield Attempt(
            test,
            float(cost),
            tuple((o, float(prior_s[list(part)].sum() / total), part) for o, part in parts),
        )


def decide(
    prior_h: FloatArray, cost_t: FloatArray, chance_toh: FloatArray, loss_dh: FloatArray
) -> Policy:
    """Cheapest plan of noisy tests, each made at most once, before a terminal decision.

    Parameters
    ----------
    prior_h : ndarray of float, shape (hypothesis,)
        Probabilities, adding up to 1.
    cost_t : ndarray of float, shape (test,)
        Non-negative cost of each test.
    chance_toh : ndarray of float, shape (test, outcome, hypothesis)
        Chance of each outcome under each hypothesis; outcomes that a test lacks have rows of 0.
    loss_dh : ndarray of float, shape (decision, hypothesis)
        Loss of each terminal decision; a gain is a negative loss.

    Returns
    -------
    Policy
        Optimal; its `cost` is the expected cost of tests plus the expected loss.

    Raises
    ------
    InputError
        If shapes disagree, the prior is none, or a cost is negative.

    References
    ----------
    Raiffa (1968), *Decision Analysis*; DeGroot (1970), *Optimal Statistical Decisions*, ch. 12.
    """
    _check(prior_h, cost_t, chance_toh[:, 0, :], positive=False)

    def belief(seen: tuple[int, ...]) -> FloatArray:
        weight_h = prior_h.copy()
        for test, outcome in enumerate(seen):
            if outcome != STOP:
                weight_h *= chance_toh[test, outcome]
        scaled_h: FloatArray = weight_h / weight_h.sum()
        return scaled_h

    def stop(seen: tuple[int, ...]) -> tuple[float, int]:
        loss_d = loss_dh @ belief(seen)
        return float(loss_d.min()), int(loss_d.argmin())

    def expand(seen: tuple[int, ...]) -> Iterable[Attempt[tuple[int, ...]]]:
        here = belief(seen)
        for test, done in enumerate(seen):
            if done == STOP:
                chance_o = chance_toh[test] @ here
                yield Attempt(
                    test,
                    float(cost_t[test]),
                    tuple(
                        (int(o), float(chance_o[o]), (*seen[:test], int(o), *seen[test + 1 :]))
                        for o in np.flatnonzero(chance_o > 0.0)
                    ),
                )

    @cache
    def bound(seen: tuple[int, ...]) -> float:
        return float(loss_dh.min(axis=0) @ belief(seen))

    return Search(stop, expand, bound).policy((STOP,) * len(cost_t))


def _check(
    prior: FloatArray, cost_t: FloatArray, table: NDArray[np.generic], *, positive: bool = True
) -> None:
    if table.shape != (len(cost_t), len(prior)):
        raise InputError(
            f"outcome table of shape {table.shape} does not fit {len(cost_t)} tests "
            f"and {len(prior)} states"
        )
    if (prior < 0.0).any() or abs(float(prior.sum()) - 1.0) > 1e-9:
        raise InputError(f"prior must be non-negative and add up to 1, got {prior.sum():.9g}")
    if (cost_t < 0.0).any() or (positive and not (cost_t > 0.0).all()):
        raise InputError(f"cost of every test must be positive, got {cost_t.min():g}")
