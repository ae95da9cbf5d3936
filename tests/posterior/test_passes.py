"""Every way of passing and of searching gives the same answer, whatever would be chosen."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from swapinfer.evidence.problem import Problem
from swapinfer.posterior import fault_sets, infer
from swapinfer.posterior.alike import join_alike
from swapinfer.posterior.axistree import AxisTree
from swapinfer.posterior.blocks import BlockPass
from swapinfer.posterior.passes import route_of
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.relax import enumerate_sets
from swapinfer.posterior.sweep import Sweep
from swapinfer.posterior.tree import BlockTree
from tests.posterior.engines import compression_job, swapping_job
from tests.posterior.strategies import brute_force, problems, random_problem


@settings(max_examples=60, deadline=None)
@given(problems())
def test_blocks_and_axes_agree(problem: Problem) -> None:
    prepared = prepare(problem, problem.prior_es[None])
    route, plain = route_of(prepared), route_of(prepared, keep=False)
    if not route.order:
        return
    arguments = prepared.digits, plain, prepared.weight_des, prepared.level_q
    log_z_d, meet_dps, *_ = Sweep.of(*arguments).run()
    shares_dps = meet_dps / meet_dps.sum(axis=2, keepdims=True)
    marginal_es = infer(problem).marginal_es
    np.testing.assert_allclose(shares_dps[0], marginal_es[list(plain.order)], rtol=1e-10)
    for one in (route, plain):
        for stride in (1, 2, 5):
            arguments = prepared.digits, one, prepared.weight_des, prepared.level_q
            log_other_d, *_ = BlockPass.of(*arguments).run(stride)
            np.testing.assert_allclose(log_other_d, log_z_d, atol=1e-10)


def test_whole_engines_agree_across_passes() -> None:
    """Jobs in which a hub is kept as an axis and level nodes are carried."""
    jobs = [compression_job(4, n_levels=5, seed=seed) for seed in range(2)]
    for problem in [*jobs, swapping_job(6, seed=4)]:
        prepared = prepare(problem, problem.prior_es[None])
        kept, plain = route_of(prepared), route_of(prepared, keep=False)
        assert kept.kept >= 0
        assert kept.size(prepared.digits) < plain.size(prepared.digits)
        arguments = prepared.digits, plain, prepared.weight_des, prepared.level_q
        log_z_d, meet_dps, *_ = Sweep.of(*arguments).run()
        log_kept_d, *_ = BlockPass.of(
            prepared.digits, kept, prepared.weight_des, prepared.level_q
        ).run()
        np.testing.assert_allclose(log_kept_d, log_z_d, atol=1e-11)
        shares_ps = meet_dps[0] / meet_dps[0].sum(axis=1, keepdims=True)
        np.testing.assert_allclose(
            shares_ps, infer(problem).marginal_es[list(plain.order)], rtol=1e-9, atol=1e-15
        )


@settings(max_examples=40, deadline=None)
@given(problems())
def test_both_trees_find_the_same_sets(problem: Problem) -> None:
    prepared = prepare(problem, problem.prior_es[None])
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
        problem = random_problem(rng, n_elements=5, n_states=4, kinds=kinds, reach=0.9)
        evidence, marginal_es = brute_force(problem)
        sets = enumerate_sets(problem, prepare(problem, problem.prior_es[None]))
        assert sets.left_out < 0.05
        assert sets.log_evidence <= np.log(evidence) + 1e-9
        assert np.log(evidence) <= sets.log_evidence - np.log1p(-sets.left_out) + 1e-9
        enumerated_es = sets.marginals(marginal_es.shape)
        assert np.abs(enumerated_es - marginal_es).max() <= sets.left_out + 1e-9


def test_beyond_the_bound_the_answer_says_so() -> None:
    """Twenty runs with other parts swapped each time: too many digits open at once."""
    problem = swapping_job(4, n_runs=20, n_misfiring=2, n_readings=4, seed=2)
    posterior = infer(problem)
    assert not posterior.exact
    assert 0.0 < posterior.left_out <= 1.0
    np.testing.assert_allclose(posterior.marginal_es.sum(axis=1), 1.0)
    sets = fault_sets(problem, posterior)
    assert sets.left_out >= posterior.left_out
    assert np.isclose(sets.belief_h.sum(), 1.0, atol=2e-3)


def test_alike_states_are_joined_even_beside_minute_differences() -> None:
    """States 1 and 2 move both terms alike, 3 differs from them by 1e-105 only."""
    problem = random_problem(np.random.default_rng(8), n_elements=3, n_states=4, reach=1.0)
    for tes in (problem.open_tes, problem.explain_qtes[0], problem.explained_tes):
        tes[:, :, 2] = tes[:, :, 1]
        tes[:, :, 3] = tes[:, :, 1]
    problem.open_tes[0, :, 3] = 1e-105
    problem.open_tes[0, :, 1:3] = 0.0
    problem.prior_es[:] = [0.7, 0.1, 0.1, 0.1]
    prepared = prepare(problem, problem.prior_es[None])
    assert join_alike(prepared).class_es.tolist() == [[0, 1, 1, 2]] * 3
    wide = Problem(
        **{name: getattr(problem, name) for name in Problem.__slots__ if name != "states"},
        states=(("good", "s1", "s2", "s3"),) * 3,
    )
    evidence, marginal_es = brute_force(wide)
    posterior = infer(wide)
    assert np.isclose(posterior.log_evidence, np.log(evidence), atol=1e-12)
    np.testing.assert_allclose(posterior.marginal_es, marginal_es, rtol=1e-11)
