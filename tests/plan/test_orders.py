from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lab.orders import (
    independent_faults_cost,
    independent_faults_order,
    single_fault_cost,
    single_fault_order,
)
from numpy.typing import NDArray

P = np.array([0.4, 0.3, 0.2, 0.1])


@pytest.mark.parametrize(
    ("cost", "expected"), [([30.0, 10.0, 5.0, 8.0], 28.8), ([4.0, 2.0, 1.0, 3.0], 4.9)]
)
def test_probability_over_cost_orders_a_single_fault(cost: list[float], expected: float) -> None:
    """The rule of Heckerman, Breese & Rommelse (1995); numbers by trying all 24 orders."""
    order = single_fault_order(P, np.array(cost))
    assert order.tolist() == [2, 1, 0, 3]
    assert single_fault_cost(order.tolist(), P, np.array(cost)) == pytest.approx(expected)


def test_worst_order_of_the_single_fault_example() -> None:
    cost = np.array([30.0, 10.0, 5.0, 8.0])
    every = sorted(single_fault_cost(order, P, cost) for order in itertools.permutations(range(4)))
    assert every[0] == pytest.approx(28.8)
    assert every[1] == pytest.approx(29.0)
    assert every[-1] == pytest.approx(41.0)


def conditional_cost(
    order: tuple[int, ...], p: NDArray[np.float64], cost: NDArray[np.float64]
) -> float:
    """Expected cost given failure, by summing over every fault set."""
    total = mass = 0.0
    for faulty in itertools.product((0, 1), repeat=len(p)):
        if any(faulty):
            weight = np.prod([q if bad else 1 - q for q, bad in zip(p, faulty, strict=True)])
            last = max(order.index(e) for e, bad in enumerate(faulty) if bad)
            total += weight * sum(cost[e] for e in order[: last + 1])
            mass += weight
    return float(total / mass)


def test_index_for_independent_faults() -> None:
    """Numbers by trying every order of the formula in `independent_faults_index`."""
    p, cost = np.array([0.30, 0.20, 0.10, 0.05]), np.array([40.0, 15.0, 10.0, 5.0])
    assert independent_faults_order(p, cost).tolist() == [1, 2, 0, 3]
    values = {o: independent_faults_cost(o, p, cost) for o in itertools.permutations(range(4))}
    ranked = sorted(values, key=values.__getitem__)
    assert values[ranked[0]] == pytest.approx(48.892939, abs=1e-6)
    assert ranked[1] == (1, 2, 3, 0)
    assert values[ranked[1]] == pytest.approx(48.940906, abs=1e-6)
    assert ranked[-1] == (3, 0, 2, 1)
    assert values[ranked[-1]] == pytest.approx(54.194167, abs=1e-6)


chances = st.floats(0.01, 0.95)
costs = st.floats(0.5, 50.0)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(chances, costs), min_size=2, max_size=5))
def test_no_order_beats_the_rules(pairs: list[tuple[float, float]]) -> None:
    weights, cost = (np.array(column) for column in zip(*pairs, strict=True))
    single = weights / weights.sum()
    orders = list(itertools.permutations(range(len(pairs))))
    rule = single_fault_cost(single_fault_order(single, cost).tolist(), single, cost)
    assert rule <= min(single_fault_cost(o, single, cost) for o in orders) * (1 + 1e-9)
    index = independent_faults_order(weights, cost).tolist()
    rule = independent_faults_cost(index, weights, cost)
    assert rule <= min(independent_faults_cost(o, weights, cost) for o in orders) * (1 + 1e-9)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(chances, costs), min_size=2, max_size=4))
def test_formula_for_independent_faults_is_the_sum_over_fault_sets(
    pairs: list[tuple[float, float]],
) -> None:
    p, cost = (np.array(column) for column in zip(*pairs, strict=True))
    order = tuple(range(len(pairs)))
    assert independent_faults_cost(order, p, cost) == pytest.approx(
        conditional_cost(order, p, cost)
    )


def test_plain_probability_over_cost_is_not_the_rule_when_faults_may_co_occur() -> None:
    """Element 0 is nearly certain: its index rises above that of a tenfold cheaper one."""
    p, cost = np.array([0.9, 0.12]), np.array([10.0, 1.0])
    plain = single_fault_order(p, cost).tolist()
    right = independent_faults_order(p, cost).tolist()
    assert (plain, right) == ([1, 0], [0, 1])
    assert independent_faults_cost(right, p, cost) < independent_faults_cost(plain, p, cost)
