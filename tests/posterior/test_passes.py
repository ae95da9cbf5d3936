"""Every way of passing and of searching gives the same answer, whatever would be chosen."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import fault_sets, infer
from swapinfer.posterior.alike import join_alike
from swapinfer.posterior.axistree import AxisTree
from swapinfer.posterior.passes import Plan, route_of
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.relax import enumerate_sets
from swapinfer.posterior.sweep import Sweep
from swapinfer.posterior.tree import BlockTree
from tests.posterior.engines import compression_job, diagnosing_job, swapping_job
from tests.posterior.strategies import brute_force, problems, random_problem


def assert_same(arrays: Arrays, keep: bool, rtol: float) -> None:
    """Visiting all elements one by one gives what `infer` makes of bundles and knots."""
    prepared = prepare(arrays, arrays.prior_es[None])
    route = route_of(prepared, keep=keep)
    posterior = infer(arrays)
    sweep = Sweep.of(prepared.digits, route, prepared.weight_des, prepared.level_q)
    log_z_d, meet_p, _ = sweep.run()
    weight_es = prepared.weight_des[0]
    alone = np.setdiff1d(np.arange(len(weight_es)), route.order)
    log_evidence = log_z_d[0] + np.log(weight_es[alone].sum(axis=1)).sum() + prepared.log_shift
    assert np.isclose(log_evidence, posterior.log_evidence, rtol=0, atol=1e-10)
    for element, meet_ds in zip(route.order, meet_p, strict=True):
        share_s = meet_ds[0] / meet_ds[0].sum()
        expected_s = posterior.marginal_es[element, : share_s.size]
        np.testing.assert_allclose(share_s, expected_s, rtol=rtol, atol=1e-15)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_knots_and_single_elements_agree(arrays: Arrays) -> None:
    if not route_of(prepare(arrays, arrays.prior_es[None])).order:
        return
    assert_same(arrays, keep=True, rtol=1e-10)
    assert_same(arrays, keep=False, rtol=1e-10)


def test_whole_engines_agree_across_passes() -> None:
    """Jobs in which a hub is kept as an axis and level nodes are carried, some of them many."""
    jobs = [compression_job(4, n_levels=5, seed=seed) for seed in range(2)]
    jobs += [compression_job(4, n_levels=3000), swapping_job(6, seed=4)]
    for arrays in jobs:
        prepared = prepare(arrays, arrays.prior_es[None])
        kept, plain = route_of(prepared), route_of(prepared, keep=False)
        assert kept.kept >= 0
        assert kept.size(prepared.digits) < plain.size(prepared.digits)
        assert_same(arrays, keep=True, rtol=1e-9)
        assert_same(arrays, keep=False, rtol=1e-9)


def test_several_knots_agree_with_single_elements() -> None:
    """Too many cylinders misfire for a single knot."""
    for n_misfiring in (4, 5):
        arrays = diagnosing_job(6, n_runs=3, n_misfiring=n_misfiring)
        plan = Plan.of(prepare(arrays, arrays.prior_es[None]))
        assert len(plan.knots) > 1
        assert_same(arrays, keep=True, rtol=1e-9)


@settings(max_examples=40, deadline=None)
@given(problems())
def test_both_trees_find_the_same_sets(arrays: Arrays) -> None:
    prepared = prepare(arrays, arrays.prior_es[None])
    if not route_of(prepared).order:
        return
    by_block = BlockTree.of(prepared, route_of(prepared)).sets_above(1e-3, 10_000)
    by_axis = AxisTree.of(prepared, route_of(prepared, keep=False)).sets_above(1e-3, 10_000)
    ones = [np.sort(found.belief_h) for found in (by_block, by_axis)]
    clear = [beliefs[beliefs > 1.001e-3] for beliefs in ones]
    np.testing.assert_allclose(clear[0], clear[1], rtol=1e-9)
    for found in (by_block, by_axis):
        assert np.isclose(found.belief_h.sum() + found.left_out, 1.0, atol=1e-10)


def test_enumeration_keeps_its_promise() -> None:
    """Ten terms over five elements, under a relaxed pass: the truth lies within the bound."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        kinds = ("noisy-or",) * 6 + ("first-cause",) * 4
        arrays = random_problem(rng, n_elements=5, n_states=4, kinds=kinds, reach=0.9)
        evidence, marginal_es = brute_force(arrays)
        sets = enumerate_sets(arrays, prepare(arrays, arrays.prior_es[None]))
        assert sets.left_out < 0.05
        assert sets.log_evidence <= np.log(evidence) + 1e-9
        assert np.log(evidence) <= sets.log_evidence - np.log1p(-sets.left_out) + 1e-9
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


def test_alike_states_are_joined_even_beside_minute_differences() -> None:
    """States 1 and 2 move both terms alike, 3 differs from them by 1e-105 only."""
    arrays = random_problem(np.random.default_rng(8), n_elements=3, n_states=4, reach=1.0)
    for tes in (arrays.open_tes, arrays.explain_qtes[0], arrays.explained_tes):
        tes[:, :, 2] = tes[:, :, 1]
        tes[:, :, 3] = tes[:, :, 1]
    arrays.open_tes[0, :, 3] = 1e-105
    arrays.open_tes[0, :, 1:3] = 0.0
    arrays.prior_es[:] = [0.7, 0.1, 0.1, 0.1]
    prepared = prepare(arrays, arrays.prior_es[None])
    assert join_alike(prepared).class_es.tolist() == [[0, 1, 1, 2]] * 3
    wide = Arrays(
        **{name: getattr(arrays, name) for name in Arrays.__slots__ if name != "states"},
        states=(("good", "s1", "s2", "s3"),) * 3,
    )
    evidence, marginal_es = brute_force(wide)
    posterior = infer(wide)
    assert np.isclose(posterior.log_evidence, np.log(evidence), atol=1e-12)
    np.testing.assert_allclose(posterior.marginal_es, marginal_es, rtol=1e-11)
