from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from swapinfer.errors import InputError
from swapinfer.plan.predict import information_bits
from swapinfer.plan.sequence import (
    STOP,
    FloatArray,
    IntArray,
    Policy,
    decide,
    huffman_length,
    isolate,
    isolation_search,
)

# Pattipati & Alexandridis (1990), IEEE Trans. SMC 20(4):872-887, running example, table and
# optimum from memory; that an independent search of the table gives the same optimum speaks for
# both.
PRIOR = np.array([0.70, 0.01, 0.02, 0.10, 0.05, 0.12])
COST = np.ones(5)
OUTCOME = np.array(
    [
        [0, 0, 0, 1, 1, 1],
        [0, 1, 0, 0, 1, 1],
        [0, 0, 1, 0, 0, 1],
        [0, 0, 1, 1, 0, 1],
        [0, 1, 0, 1, 0, 0],
    ]
)


def brute_force(
    prior: FloatArray, cost: FloatArray, outcome: IntArray, states: tuple[int, ...]
) -> float:
    """Least expected unnormalised cost by trying every test on every ambiguity set."""
    columns = outcome[:, list(states)]
    if (columns == columns[:, :1]).all():
        return 0.0
    best = np.inf
    for test in range(len(cost)):
        shown = outcome[test, list(states)]
        if (shown == shown[0]).all():
            continue
        weight = cost[test] * prior[list(states)].sum()
        for value in set(shown.tolist()):
            part = tuple(s for s, o in zip(states, shown, strict=True) if o == value)
            weight += brute_force(prior, cost, outcome, part)
        best = min(best, weight)
    return best


def greedy_cost(
    prior: FloatArray, cost: FloatArray, outcome: IntArray, states: tuple[int, ...]
) -> float:
    """Cost of always taking the test with most information per cost."""
    columns = outcome[:, list(states)]
    if (columns == columns[:, :1]).all():
        return 0.0
    belief = prior[list(states)] / prior[list(states)].sum()

    def score(test: int) -> float:
        shown = outcome[test, list(states)]
        chance = np.stack([(shown == o).astype(float) for o in range(int(outcome.max()) + 1)])
        return information_bits(belief, chance) / cost[test]

    test = max(range(len(cost)), key=score)
    shown = outcome[test, list(states)]
    parts = [
        tuple(s for s, o in zip(states, shown, strict=True) if o == value)
        for value in set(shown.tolist())
    ]
    return cost[test] * prior[list(states)].sum() + sum(
        greedy_cost(prior, cost, outcome, part) for part in parts
    )


def test_published_running_example_has_its_published_optimum() -> None:
    policy = isolate(PRIOR, COST, OUTCOME)
    assert policy.cost == pytest.approx(2.18, abs=1e-12)
    assert policy.step in (1, 3)  # both test 2 and test 4 reach it


def test_first_tests_of_the_running_example_cost_what_a_full_search_says() -> None:
    search, start = isolation_search(PRIOR, COST, OUTCOME)
    values = {
        step.label: step.cost + sum(p * search.value(node) for _, p, node in step.branches)
        for step in search.expand(start)
    }
    expected = {0: 2.86, 1: 2.18, 2: 2.82, 3: 2.18, 4: 2.89}
    assert values == pytest.approx(expected, abs=1e-12)


def test_optimal_tree_of_the_running_example_isolates_every_state() -> None:
    def leaves(policy: Policy) -> list[int]:
        if policy.step == STOP:
            return [policy.decision]
        return [leaf for branch in policy.branches for leaf in leaves(branch)]

    assert sorted(leaves(isolate(PRIOR, COST, OUTCOME))) == list(range(6))


def test_bounds_and_greedy_of_the_running_example_are_in_order() -> None:
    entropy, huffman = stats.entropy(PRIOR, base=2), huffman_length(PRIOR.tolist())
    greedy = greedy_cost(PRIOR, COST, OUTCOME, tuple(range(6)))
    assert entropy == pytest.approx(1.454873, abs=1e-6)
    assert huffman == pytest.approx(1.59, abs=1e-12)
    assert greedy == pytest.approx(2.86, abs=1e-12)
    assert entropy <= huffman <= isolate(PRIOR, COST, OUTCOME).cost <= greedy


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_isolation_equals_brute_force(data: st.DataObject) -> None:
    n_states = data.draw(st.integers(2, 6))
    n_tests = data.draw(st.integers(1, 5))
    arity = data.draw(st.integers(2, 3))
    weights = data.draw(st.lists(st.integers(1, 50), min_size=n_states, max_size=n_states))
    prior = np.array(weights) / sum(weights)
    cost = np.array(data.draw(st.lists(st.integers(1, 9), min_size=n_tests, max_size=n_tests)))
    cell = st.integers(0, arity - 1)
    row = st.lists(cell, min_size=n_states, max_size=n_states)
    outcome = np.array(data.draw(st.lists(row, min_size=n_tests, max_size=n_tests)))
    expected = brute_force(prior, cost.astype(float), outcome, tuple(range(n_states)))
    policy = isolate(prior, cost.astype(float), outcome)
    assert policy.cost == pytest.approx(expected, abs=1e-9)


def test_all_subsets_as_tests_reach_the_huffman_length() -> None:
    """With every yes-no question available the optimum is the Huffman code (Huffman 1952)."""
    prior = np.array([0.4, 0.2, 0.2, 0.1, 0.1])
    subsets = [s for n in (1, 2) for s in itertools.combinations(range(5), n)]
    outcome = np.array([[int(state in subset) for state in range(5)] for subset in subsets])
    policy = isolate(prior, np.ones(len(subsets)), outcome)
    assert policy.cost == pytest.approx(2.2, abs=1e-12)  # textbook code lengths 2,2,2,3,3
    assert huffman_length(prior.tolist()) == pytest.approx(2.2, abs=1e-12)


# Hillier & Lieberman, Introduction to Operations Research, "Goferbroke": drill for oil (700 if
# there is some, -100 if dry) or sell for 90; seismic survey at 30.
GOFERBROKE_PRIOR = np.array([0.25, 0.75])
GOFERBROKE_LOSS = np.array([[-700.0, 100.0], [-90.0, -90.0]])
GOFERBROKE_SURVEY = np.array([[0.6, 0.2], [0.4, 0.8]])


def test_goferbroke_survey_is_worth_making() -> None:
    policy = decide(GOFERBROKE_PRIOR, np.array([30.0]), GOFERBROKE_SURVEY[None], GOFERBROKE_LOSS)
    assert policy.cost == pytest.approx(-123.0, abs=1e-9)
    assert policy.step == 0
    assert [b.chance for b in policy.branches] == pytest.approx([0.3, 0.7])
    assert [b.decision for b in policy.branches] == [0, 1]


def test_goferbroke_survey_that_costs_more_than_it_is_worth_is_not_made() -> None:
    policy = decide(GOFERBROKE_PRIOR, np.array([53.5]), GOFERBROKE_SURVEY[None], GOFERBROKE_LOSS)
    assert (policy.step, policy.decision) == (STOP, 0)
    assert policy.cost == pytest.approx(-100.0, abs=1e-9)


def test_oil_wildcatter_has_the_textbook_value() -> None:
    """Raiffa (1968), Decision Analysis: dry, wet, soaking; sounding at 10; 22.5 net."""
    prior = np.array([0.5, 0.3, 0.2])
    loss = np.array([[70.0, -50.0, -200.0], [0.0, 0.0, 0.0]])
    sounding = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.4], [0.1, 0.3, 0.5]])
    policy = decide(prior, np.array([10.0]), sounding[None], loss)
    assert policy.cost == pytest.approx(-22.5, abs=1e-9)


def every_strategy(
    weight: FloatArray,
    left: tuple[int, ...],
    cost: FloatArray,
    chance: FloatArray,
    loss: FloatArray,
) -> float:
    options = [float((loss @ weight).min())]
    for test in left:
        rest = tuple(other for other in left if other != test)
        after = sum(every_strategy(weight * row, rest, cost, chance, loss) for row in chance[test])
        options.append(float(cost[test] * weight.sum() + after))
    return min(options)


def test_noisy_search_equals_every_strategy_tried() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        prior = rng.dirichlet(np.ones(3))
        chance = rng.dirichlet(np.ones(2), size=(2, 3)).transpose(0, 2, 1)
        loss = rng.uniform(0.0, 10.0, size=(3, 3))
        cost = rng.uniform(0.0, 1.0, size=2)

        expected = every_strategy(prior, (0, 1), cost, chance, loss)
        assert decide(prior, cost, chance, loss).cost == pytest.approx(expected)


@pytest.mark.parametrize(
    ("prior", "cost", "words"),
    [
        (np.array([0.5, 0.4]), np.ones(1), "add up to 1, got 0.9"),
        (np.array([0.5, 0.5]), np.zeros(1), "must be positive, got 0"),
        (np.array([0.5, 0.5]), np.ones(2), "does not fit 2 tests and 2 states"),
    ],
)
def test_bad_tables_are_refused_in_one_line(
    prior: FloatArray, cost: FloatArray, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        isolate(prior, cost, np.array([[0, 1]]))
