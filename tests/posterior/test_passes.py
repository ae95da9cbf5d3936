"""Every way of passing and of searching gives the same answer, whatever would be chosen."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from msgspec.structs import replace
from numpy.typing import NDArray

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import fault_sets, infer
from swapinfer.posterior.bound import enumerate_sets
from swapinfer.posterior.digits import prepare
from swapinfer.posterior.order import plan_route
from swapinfer.posterior.passes import PassPlan, plan_passes, run_passes
from swapinfer.posterior.tree import Tree
from tests.posterior.engines import compression_job, diagnosing_job, swapping_job
from tests.posterior.strategies import (
    assignments,
    brute_force,
    brute_weight,
    problems,
    random_problem,
)


def tree_of(arrays: Arrays) -> Tree:
    """The tree over all elements one by one."""
    prepared = prepare(arrays, arrays.prior_es[None])
    return Tree.of(prepared, plan_route(prepared.digits))


def one_by_one(tree: Tree) -> tuple[float, NDArray[np.float64]]:
    """Log evidence and marginals by visiting all elements one by one."""
    prepared = tree.sweep.prepared
    weight_es = prepared.weight_des[0]
    log_z_d, meet_p, _ = tree.sweep.run()
    alone_es = weight_es[~prepared.digits.reach_ge.any(axis=0)]
    log_evidence = log_z_d[0] + prepared.log_shift + np.log(alone_es.sum(axis=1)).sum()
    met_es = weight_es.copy()
    for element, met_ds in zip(tree.sweep.route.order, meet_p, strict=True):
        met_es[element, : met_ds.shape[1]] = met_ds[0]
    return float(log_evidence), met_es / met_es.sum(axis=1, keepdims=True)


def assert_same(arrays: Arrays, rtol: float) -> None:
    """Visiting all elements one by one gives what `infer` makes of bundles and knots."""
    log_evidence, marginal_es = one_by_one(tree_of(arrays))
    posterior = infer(arrays)
    assert np.isclose(log_evidence, posterior.log_evidence, rtol=0, atol=1e-10)
    np.testing.assert_allclose(marginal_es, posterior.marginal_es, rtol=rtol, atol=1e-15)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_knots_and_single_elements_agree(arrays: Arrays) -> None:
    assert_same(arrays, rtol=1e-10)


def test_whole_engines_agree_across_passes() -> None:
    """Jobs in which level nodes are carried, some of them many."""
    jobs = [compression_job(4, n_levels=5, seed=seed) for seed in range(2)]
    jobs += [compression_job(4, n_levels=3000), swapping_job(6, seed=4)]
    for arrays in jobs:
        assert_same(arrays, rtol=1e-9)


def test_several_knots_agree_with_single_elements() -> None:
    """Too many cylinders misfire for a single knot."""
    for n_misfiring in (4, 5):
        arrays = diagnosing_job(6, n_runs=3, n_misfiring=n_misfiring)
        plan = PassPlan.of(prepare(arrays, arrays.prior_es[None]))
        assert len(plan.knots) > 1
        assert_same(arrays, rtol=1e-9)


def test_supposing_in_turn_what_comes_first_changes_nothing() -> None:
    """Ten compression readings that cam timing upsets all at once."""
    arrays = compression_job(10, n_levels=60)
    assert len(plan_passes(prepare(arrays, arrays.prior_es[None]))) > 1
    assert_same(arrays, rtol=1e-9)
    sets = fault_sets(arrays, infer(arrays), cover=0.9, limit=200)
    found = tree_of(arrays).sets_above(1e-4, 1000, infer(arrays).marginal_es)
    shares = np.sort(found.belief_h)[::-1]
    np.testing.assert_allclose(sets.belief_h[:20], shares[:20], rtol=0.05)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_cases_add_up_to_the_whole(arrays: Arrays) -> None:
    """Whatever comes first, on single terms and on equal ones that count."""
    cases = prepare(arrays, arrays.prior_es[None]).cases()
    evidence, marginal_es = brute_force(arrays)
    draws, _ = run_passes([PassPlan.of(case) for case in cases])
    assert np.isclose(draws.log_evidence_d[0], np.log(evidence), rtol=0, atol=1e-11)
    np.testing.assert_allclose(draws.marginal_des[0], marginal_es, rtol=1e-10, atol=1e-13)


@settings(max_examples=40, deadline=None)
@given(problems())
def test_the_tree_misses_nothing_above_the_threshold(arrays: Arrays) -> None:
    evidence, marginal_es = brute_force(arrays)
    found = tree_of(arrays).sets_above(1e-3, 10_000, marginal_es)
    share = {
        tuple(states): belief
        for states, belief in zip(
            found.states(len(arrays.elements)).tolist(), found.belief_h.tolist(), strict=True
        )
    }
    for states in assignments(arrays):
        belief = brute_weight(arrays, states) / evidence
        if belief > 1.001e-3:
            assert share[states] >= belief * (1 - 1e-9)
    assert found.belief_h.sum() + found.left_out >= 1 - 1e-10


def test_enumeration_keeps_its_promise() -> None:
    """Ten terms over five elements, under a relaxed pass: the truth lies within the bound."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        kinds = ("noisy-or",) * 6 + ("first-cause",) * 4
        arrays = random_problem(rng, n_elements=5, n_states=4, kinds=kinds, reach=0.9)
        evidence, marginal_es = brute_force(arrays)
        sets, log_evidence = enumerate_sets(arrays, prepare(arrays, arrays.prior_es[None]))
        assert sets.left_out < 0.05
        assert log_evidence <= np.log(evidence) + 1e-9
        assert np.log(evidence) <= log_evidence - np.log1p(-sets.left_out) + 1e-9
        enumerated_es = sets.marginals(marginal_es.shape)
        assert np.abs(enumerated_es - marginal_es).max() <= sets.left_out + 1e-9


def test_beyond_the_bound_the_answer_says_so() -> None:
    """Twenty runs with other parts swapped each time: too many digits open at once."""
    arrays = swapping_job(4, n_runs=20, n_misfiring=2, n_readings=4, seed=2)
    posterior = infer(arrays)
    assert not posterior.exact
    assert 0.0 < posterior.left_out <= 1.0
    np.testing.assert_allclose(posterior.marginal_es.sum(axis=1), 1.0)
    sets = fault_sets(arrays, posterior)
    assert sets.left_out >= posterior.left_out
    assert np.isclose(sets.belief_h.sum(), 1.0, atol=2e-3)


def test_alike_states_are_moved_as_one_even_beside_minute_differences() -> None:
    """States 1 and 2 move all terms alike, 3 differs from them by 1e-105 only."""
    rng = np.random.default_rng(8)
    kinds = ("noisy-or",) * 6
    arrays = random_problem(rng, n_elements=3, n_states=4, kinds=kinds, reach=1.0)
    for tes in (arrays.open_tes, arrays.explain.most_tes, arrays.explained_tes):
        tes[:, :, 2] = tes[:, :, 1]
        tes[:, :, 3] = tes[:, :, 1]
    arrays.open_tes[0, :, 3] = 1e-105
    arrays.open_tes[0, :, 1:3] = 0.0
    arrays.prior_es[:] = [0.7, 0.1, 0.1, 0.1]
    wide = replace(arrays, states=(("good", "s1", "s2", "s3"),) * 3)
    evidence, marginal_es = brute_force(wide)
    log_evidence, found_es = one_by_one(tree_of(wide))
    assert np.isclose(log_evidence, np.log(evidence), atol=1e-12)
    np.testing.assert_allclose(found_es, marginal_es, rtol=1e-11)
