from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pytest
from msgspec import structs
from numpy.typing import NDArray

from swapinfer.plan.hypotheses import Changes
from swapinfer.plan.lookahead import POLICY, Breadth, LookAhead, Options
from swapinfer.plan.repair_policy import NONE, Faults, Prices, RepairPolicy
from swapinfer.plan.sequence import Attempt, Search

HARD = 1e9
N_TESTS = 3
Node = tuple[tuple[int, ...], tuple[int, ...]]
"""Outcomes of the tests so far (-1 where not made), elements replaced so far."""

nothing = np.zeros(0, dtype=np.int64)


@dataclass
class Small:
    """One hard fault among a few parts, a few noisy tests: small enough to solve exactly."""

    prior_e: NDArray[np.float64]
    fix_e: NDArray[np.float64]
    cost_t: NDArray[np.float64]
    chance_toe: NDArray[np.float64]
    give_up: float

    @classmethod
    def draw(cls, seed: int, n_elements: int = 5) -> Small:
        rng = np.random.default_rng(seed)
        sharp = rng.choice([0.02, 0.98], size=(N_TESTS, n_elements))
        return cls(
            rng.dirichlet(np.full(n_elements, 0.7)),
            rng.uniform(20, 300, n_elements),
            rng.uniform(5, 40, N_TESTS),
            np.stack([sharp, 1 - sharp], axis=1),
            float(rng.uniform(300, 900)),
        )

    def look_ahead(self) -> LookAhead:
        """Hypothesis 0 is "no fault", 1 + e is "element e"; tests first, then replacements."""
        n = len(self.prior_e)
        element_hk = np.concatenate(([NONE], np.arange(n)))[:, None]
        faults = Faults(element_hk, np.where(element_hk == NONE, 0.0, HARD))
        policy = RepairPolicy(faults, Prices(self.fix_e, 0.0, 1e4, self.give_up), (30.0,))
        test_toh = np.concatenate([np.full((N_TESTS, 2, 1), 0.5), self.chance_toe], axis=2)
        clean_eh = np.column_stack([np.ones(n), np.eye(n)])
        replace_eoh = np.stack([clean_eh, 1 - clean_eh], axis=1)
        cost_a = np.concatenate([self.cost_t, self.fix_e])
        changes = [Changes(nothing, nothing)] * N_TESTS
        changes += [Changes(np.array([1 + e]), np.array([0])) for e in range(n)]
        options = Options(
            np.repeat(cost_a[:, None], 2, axis=1),
            np.concatenate([test_toh, replace_eoh]),
            tuple(changes),
            ~np.eye(N_TESTS + n, dtype=bool),
            np.zeros((N_TESTS + n, N_TESTS + n)),
            np.arange(N_TESTS + n),
            np.zeros((N_TESTS + n, test_toh.shape[2])),
        )
        return LookAhead(policy, options)

    def weight_e(self, node: Node) -> NDArray[np.float64]:
        weight = self.prior_e.copy()
        for test, outcome in enumerate(node[0]):
            if outcome >= 0:
                weight = weight * self.chance_toe[test, outcome]
        weight[list(node[1])] = 0.0
        return weight

    def optimum(self) -> float:
        n = len(self.prior_e)
        done: Node = ((), ())

        def stop(node: Node) -> tuple[float, int]:
            return (0.0 if node == done else self.give_up), 0

        def expand(node: Node) -> Iterable[Attempt[Node]]:
            if node == done:
                return
            seen, replaced = node
            weight = self.weight_e(node)
            for t in (t for t in range(N_TESTS) if seen[t] < 0):
                chance = self.chance_toe[t] @ weight / weight.sum()
                after = [((*seen[:t], o, *seen[t + 1 :]), replaced) for o in range(2)]
                yield Attempt(
                    t, self.cost_t[t], tuple((o, float(chance[o]), after[o]) for o in range(2))
                )
            for e in (e for e in range(n) if e not in replaced):
                p = float(weight[e] / weight.sum())
                rest = (seen, tuple(sorted((*replaced, e))))
                branches = ((0, p, done), (1, 1 - p, rest)) if p < 1 - 1e-12 else ((0, 1.0, done),)
                yield Attempt(N_TESTS + e, self.fix_e[e], branches)

        return Search(stop, expand, lambda _: 0.0).value(((-1,) * N_TESTS, ()))

    def follow(self, depth: int) -> float:
        """Exact expected cost of planning anew, to a depth, after every outcome."""
        look_ahead = self.look_ahead()
        every = np.arange(len(look_ahead.options.changes))

        def walk(belief_h: NDArray[np.float64], left: NDArray[np.int64]) -> float:
            if belief_h[0] > 1 - 1e-9:
                return 0.0
            here = LookAhead(look_ahead.policy, look_ahead.options.only(left))
            ranking = here.rank(belief_h, depth)
            if not len(left) or ranking.value_a.min() >= ranking.policy_cost - 1e-9:
                return ranking.policy_cost
            best = int(ranking.value_a.argmin())
            chance_o, after_oh = here.outcomes(belief_h, best)
            rest = np.delete(left, best)
            return float(ranking.cost_a[best]) + sum(
                chance * walk(after_h, rest)
                for chance, after_h in zip(chance_o, after_oh, strict=True)
                if chance > 1e-12
            )

        return walk(np.concatenate(([0.0], self.prior_e)), every)


@pytest.mark.parametrize("seed", range(12))
def test_deeper_plans_are_no_dearer_and_none_beats_the_optimum(seed: int) -> None:
    small = Small.draw(seed)
    policy = small.look_ahead().rank(np.concatenate(([0.0], small.prior_e)), 1).policy_cost
    optimum, one, two = small.optimum(), small.follow(1), small.follow(2)
    assert optimum <= two + 1e-9
    assert two <= one + 1e-9
    assert one <= policy + 1e-9


def test_two_step_plans_are_within_two_percent_of_the_optimum_on_average() -> None:
    cases = [Small.draw(seed) for seed in range(12)]
    assert sum(c.follow(2) for c in cases) <= 1.02 * sum(c.optimum() for c in cases)


def with_idle_test(small: Small) -> LookAhead:
    """The same problem with one more test, whose outcome depends on nothing."""
    look_ahead = small.look_ahead()
    options = look_ahead.options
    idle = np.broadcast_to(np.array([0.3, 0.7])[None, :, None], (1, *options.chance_aoh.shape[1:]))
    return LookAhead(
        look_ahead.policy,
        Options(
            np.concatenate([options.cost_ao, np.full((1, 2), 1.0)]),
            np.concatenate([options.chance_aoh, idle]),
            (*options.changes, Changes(nothing, nothing)),
            ~np.eye(len(options.changes) + 1, dtype=bool),
            np.zeros((len(options.changes) + 1, len(options.changes) + 1)),
            np.arange(len(options.changes) + 1),
            np.concatenate([options.more_ah, np.zeros((1, options.more_ah.shape[1]))]),
        ),
    )


@pytest.mark.parametrize("depth", [1, 2, 3])
def test_a_step_that_changes_nothing_is_worth_nothing_and_never_first(depth: int) -> None:
    for seed in range(6):
        small = Small.draw(seed)
        ranking = with_idle_test(small).rank(np.concatenate(([0.0], small.prior_e)), depth)
        assert ranking.worth_a[-1] == pytest.approx(0.0, abs=1e-9)
        assert ranking.value_a.argmin() != len(ranking.value_a) - 1


def test_no_test_is_worth_less_than_nothing() -> None:
    for seed in range(12):
        small = Small.draw(seed)
        for depth in (1, 2):
            ranking = small.look_ahead().rank(np.concatenate(([0.0], small.prior_e)), depth)
            assert (ranking.worth_a[:N_TESTS] >= -1e-9).all()


def test_expected_cost_rises_with_every_price() -> None:
    for seed in range(8):
        small = Small.draw(seed)
        belief = np.concatenate(([0.0], small.prior_e))
        dearer = Small(
            small.prior_e, 1.2 * small.fix_e, 1.2 * small.cost_t, small.chance_toe, small.give_up
        )
        now = small.look_ahead().rank(belief, 1)
        then = dearer.look_ahead().rank(belief, 1)
        assert now.policy_cost <= then.policy_cost + 1e-9
        assert now.value_a.min() <= then.value_a.min() + 1e-9


def test_a_test_that_tells_everything_costs_its_price_and_the_right_repair() -> None:
    """By hand: two parts at 100 and 200, even odds, a perfect test at 10: 10 + (100 + 200) / 2."""
    small = Small(
        np.array([0.5, 0.5]),
        np.array([100.0, 200.0]),
        np.array([10.0, 10.0, 10.0]),
        np.array([[[1.0, 0.0], [0.0, 1.0]]] * N_TESTS),
        1e6,
    )
    ranking = small.look_ahead().rank(np.array([0.0, 0.5, 0.5]), 1)
    assert ranking.policy_cost == pytest.approx(100.0 + 0.5 * 200.0)
    assert ranking.value_a[0] == pytest.approx(160.0)
    assert ranking.worth_a[0] == pytest.approx(50.0)
    assert ranking.onward_ao[0].tolist() == pytest.approx([100.0, 200.0])
    assert (ranking.follow_ao[0] == POLICY).all()


def test_only_what_is_promising_is_looked_at_more_deeply() -> None:
    small = Small.draw(1)
    belief = np.concatenate(([0.0], small.prior_e))
    wide = small.look_ahead()
    shallow, deep = (
        wide.rank(belief, 1),
        LookAhead(wide.policy, wide.options, Breadth(1)).rank(belief),
    )
    assert (deep.depth_a == 2).nonzero()[0].tolist() == [shallow.value_a.argmin()]
    same = deep.depth_a == 1
    np.testing.assert_array_equal(deep.value_a[same], shallow.value_a[same])


def test_moves_carry_all_weight_to_what_a_fault_set_becomes() -> None:
    changes = Changes(np.array([1, 3, 2]), np.array([0, 0, 4]))
    before = np.array([[0.1, 0.2, 0.3, 0.4, 0.0], [1.0, 0.0, 0.0, 0.0, 0.0]])
    expected = [[0.7, 0.0, 0.0, 0.0, 0.3], [1.0, 0.0, 0.0, 0.0, 0.0]]
    changes.apply(before)
    np.testing.assert_allclose(before, expected)


def test_access_left_open_is_taken_off_the_next_step_and_is_no_information() -> None:
    """An idle step that makes its follow-up cheaper by 0.5 makes the plan so, and tells nothing."""
    small = Small.draw(3)
    belief = np.concatenate(([0.0], small.prior_e))
    look_ahead = with_idle_test(small)
    saved_aa = np.zeros_like(look_ahead.options.saved_aa)
    plain = look_ahead.rank(belief, 2)
    follow = int(plain.follow_ao[-1, 0])
    assert follow != POLICY
    saved_aa[-1, follow] = 0.5
    open_after = LookAhead(
        look_ahead.policy, structs.replace(look_ahead.options, saved_aa=saved_aa)
    )
    cheaper = open_after.rank(belief, 2)
    assert cheaper.value_a[-1] == pytest.approx(plain.value_a[-1] - 0.5)
    assert cheaper.worth_a[-1] == pytest.approx(0.0, abs=1e-9)
