from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lab.orders import independent_faults_cost
from numpy.typing import NDArray

from swapinfer.plan.repair_policy import LOOK_MINUTES, NONE, Choice, Faults, Prices, RepairPolicy

DRIVES = (10.0, 30.0, 60.0)
HARD = 1e6


def fault_sets(n_elements: int, rate_e: NDArray[np.float64], most: int) -> Faults:
    """Every fault set of up to `most` members, the empty one first."""
    sets = [s for n in range(most + 1) for s in itertools.combinations(range(n_elements), n)]
    element_hk = np.full((len(sets), max(most, 1)), NONE)
    rate_hk = np.zeros(element_hk.shape)
    for h, members in enumerate(sets):
        element_hk[h, : len(members)] = members
        rate_hk[h, : len(members)] = rate_e[list(members)]
    return Faults(element_hk, rate_hk)


def walk(faults: Faults, h: int, choice: Choice, b: int, prices: Prices) -> float:
    """Expected cost of one choice under one hypothesis, drive by drive."""
    left = {
        int(e): float(r)
        for e, r in zip(faults.element_hk[h], faults.rate_hk[h], strict=True)
        if e != NONE and r > 0
    }
    if choice.hands_over_b[b] and not left:
        return 0.0
    saved_k = np.broadcast_to(prices.saved_hk, faults.element_hk.shape)[h]
    members = zip(faults.element_hk[h].tolist(), saved_k.tolist(), strict=True)
    saved = {e: amount for e, amount in members if e in left}
    cost = prices.comeback if choice.hands_over_b[b] else 0.0
    minutes = float(choice.minutes_b[b])
    for element in choice.order_bj[b, : choice.stop_b[b]]:
        cost += prices.fix_e[element] - saved.get(int(element), 0.0)
        left.pop(int(element), None)
        if not left:
            return cost + minutes * prices.drive_per_min
        rate = sum(left.values())
        clean = math.exp(-rate * minutes)
        looks = round(minutes / LOOK_MINUTES)
        driven = sum(LOOK_MINUTES * math.exp(-rate * LOOK_MINUTES * n) for n in range(looks))
        cost += driven * prices.drive_per_min + clean * prices.comeback
    return cost + prices.give_up


def test_hard_independent_faults_cost_what_the_ordering_theorem_says() -> None:
    """Order and cost by trying all orders, see `test_index_for_independent_faults`."""
    p, fix = np.array([0.30, 0.20, 0.10, 0.05]), np.array([40.0, 15.0, 10.0, 5.0])
    faults = fault_sets(4, np.full(4, HARD), 4)
    belief = np.array(
        [
            np.prod([p[e] if e in row else 1 - p[e] for e in range(4)])
            for row in faults.element_hk.tolist()
        ]
    )
    belief[0] = 0.0
    policy = RepairPolicy(faults, Prices(fix, 0.0, 0.0, 1e9), DRIVES)
    choice = policy.choose(belief[None] / belief.sum())
    assert choice.order_bj[0].tolist() == [1, 2, 0, 3]
    assert choice.cost_b[0] == pytest.approx(48.892939, abs=1e-6)
    assert choice.cost_b[0] == pytest.approx(independent_faults_cost([1, 2, 0, 3], p, fix))


def test_a_hard_single_fault_is_sought_in_order_of_probability_over_cost() -> None:
    """Heckerman, Breese & Rommelse (1995); 28.8 by trying all 24 orders."""
    faults = fault_sets(4, np.full(4, HARD), 1)
    belief = np.array([[0.0, 0.4, 0.3, 0.2, 0.1]])
    prices = Prices(np.array([30.0, 10.0, 5.0, 8.0]), 0.0, 0.0, 1e9)
    choice = RepairPolicy(faults, prices, DRIVES).choose(belief)
    assert choice.order_bj[0].tolist() == [2, 1, 0, 3]
    assert choice.cost_b[0] == pytest.approx(28.8)


def random_case(seed: int) -> tuple[Faults, Prices, NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    n_elements = int(rng.integers(2, 6))
    rate_e = rng.choice([0.0, 0.005, 0.05, 0.5, 5.0], size=n_elements, p=[0.1, 0.2, 0.3, 0.2, 0.2])
    faults = fault_sets(n_elements, rate_e, int(rng.integers(1, 4)))
    prices = Prices(
        fix_e=rng.uniform(20, 400, n_elements),
        drive_per_min=float(rng.uniform(0.5, 3)),
        comeback=float(rng.uniform(50, 500)),
        give_up=float(rng.uniform(100, 2000)),
        saved_hk=rng.uniform(-50, 20, faults.element_hk.shape),
    )
    belief_bh = rng.dirichlet(np.full(len(faults.element_hk), 0.3), size=5)
    return faults, prices, belief_bh


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10**6))
def test_cost_is_what_walking_through_the_policy_gives(seed: int) -> None:
    faults, prices, belief_bh = random_case(seed)
    policy = RepairPolicy(faults, prices, DRIVES)
    choice = policy.choose(belief_bh)
    walked_bh = np.array(
        [
            [walk(faults, h, choice, b, prices) for h in range(belief_bh.shape[1])]
            for b in range(len(belief_bh))
        ]
    )
    np.testing.assert_allclose(policy.cost_bh(choice, prices), walked_bh, rtol=1e-9)
    np.testing.assert_allclose(choice.cost_b, (walked_bh * belief_bh).sum(axis=1), rtol=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_one_belief_or_many_give_the_same_choice(seed: int) -> None:
    faults, prices, belief_bh = random_case(seed)
    policy = RepairPolicy(faults, prices, DRIVES)
    together = policy.choose(belief_bh).cost_b
    alone = [policy.choose(belief_bh[b : b + 1]).cost_b[0] for b in range(len(belief_bh))]
    np.testing.assert_allclose(together, alone, rtol=1e-12)


def test_single_faults_get_the_best_drive_and_stopping_point() -> None:
    """Every length of drive and every stopping point tried by walking."""
    rng = np.random.default_rng(2)
    for _ in range(30):
        faults = fault_sets(4, rng.choice([0.01, 0.1, 1.0], size=4), 1)
        prices = Prices(rng.uniform(20, 400, 4), 1.5, 300.0, float(rng.uniform(100, 900)))
        belief = np.concatenate(([0.0], rng.dirichlet(np.full(4, 0.5))))
        choice = RepairPolicy(faults, prices, DRIVES).choose(belief[None])
        tried = [
            sum(
                belief[h]
                * walk(
                    faults,
                    h,
                    Choice(
                        choice.cost_b,
                        choice.order_bj,
                        np.array([minutes]),
                        np.array([stop]),
                        np.array([False]),
                    ),
                    0,
                    prices,
                )
                for h in range(5)
            )
            for minutes in DRIVES
            for stop in range(5)
        ]
        assert choice.cost_b[0] <= min(tried) + 1e-9


def test_a_vehicle_that_is_surely_good_is_handed_over_for_nothing() -> None:
    faults = fault_sets(2, np.ones(2), 1)
    policy = RepairPolicy(faults, Prices(np.full(2, 100.0), 1.0, 300.0, 1000.0), DRIVES)
    choice = policy.choose(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    assert choice.hands_over_b.tolist() == [True, False]
    assert choice.cost_b[0] == 0.0
