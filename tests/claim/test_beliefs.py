"""Weights, flip points and risks against independent recomputation."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.claim.beliefs import Reasoning, all_faulty, describe_cause, follow_belief
from swapinfer.commands.belief import _intervals
from swapinfer.commands.causes import believe
from swapinfer.ledger.replay import Job
from swapinfer.posterior import FaultSets, fault_sets, infer


@pytest.fixture(scope="module")
def reasoning(coil_job: Job) -> Reasoning:
    return follow_belief(coil_job)


@pytest.fixture(scope="module")
def sets(reasoning: Reasoning) -> FaultSets:
    return fault_sets(reasoning.evidence.arrays, reasoning.posterior, cover=0.9999, limit=20000)


def test_weights_of_all_findings_add_up_to_the_change_of_the_odds(reasoning: Reasoning) -> None:
    """Good (1950): weights of evidence add; ten decibans are a factor of ten."""
    prior_e = 1.0 - reasoning.evidence.arrays.prior_es[:, 0]
    after_e = reasoning.posterior.fault_e
    change_e = after_e / (1 - after_e) / (prior_e / (1 - prior_e))
    np.testing.assert_allclose(10 ** (reasoning.decibans_ne.sum(axis=0) / 10), change_e, rtol=1e-6)


def test_the_course_ends_where_the_whole_job_leads(reasoning: Reasoning, coil_job: Job) -> None:
    assert reasoning.fault_ne.shape[0] == len(coil_job.findings) + 2
    arrays = reasoning.evidence.arrays
    for count in (1, 3, arrays.n_findings):
        so_far = infer(reasoning.evidence.keeping(np.arange(arrays.n_findings) < count))
        np.testing.assert_allclose(reasoning.fault_ne[count], so_far.fault_e, atol=1e-12)
    np.testing.assert_allclose(reasoning.fault_ne[0], 1 - arrays.prior_es[:, 0], atol=1e-12)


def test_a_rival_whose_prior_odds_grow_by_the_factor_draws_level(reasoning: Reasoning) -> None:
    """Found by inferring anew under the changed prior."""
    arrays, rivals = reasoning.evidence.arrays, ["plug3", "boot3", "injector3"]
    for rival in rivals:
        factor = reasoning.times_likelier[rival]
        b = reasoning.index(rival)
        prior_es = arrays.prior_es.copy()
        prior_es[b, 1:] *= factor
        prior_es[b] /= prior_es[b].sum()
        fault_e = infer(arrays.with_prior(prior_es)).fault_e
        assert fault_e[b] == pytest.approx(fault_e[reasoning.index("coil3")], rel=1e-9)


def test_all_faulty_is_the_share_of_sets_that_hold_all(
    reasoning: Reasoning, sets: FaultSets
) -> None:
    """Against the listed fault sets, to within what they leave out."""
    for names in (["coil3"], ["coil3", "boot2"], ["plug3", "coil3"]):
        wanted = {reasoning.index(name) for name in names}
        listed = sum(
            belief
            for elements, belief in zip(sets.element_hk, sets.belief_h, strict=True)
            if wanted <= set(elements)
        )
        assert listed <= all_faulty(reasoning.evidence, reasoning.posterior, names) + 1e-9
        assert (
            all_faulty(reasoning.evidence, reasoning.posterior, names)
            <= listed + sets.left_out + 1e-9
        )


def test_residual_risk_is_the_share_of_sets_with_a_fault_still_in(
    reasoning: Reasoning, sets: FaultSets
) -> None:
    space, job = reasoning.evidence.space, reasoning.job
    inside = {space.index[element] for element in job.fitted.values()}
    harmful = space.active_es(job.time) & (space.rate_es > 0)
    listed = sum(
        belief
        for elements, states, belief in zip(
            sets.element_hk, sets.state_hk, sets.belief_h, strict=True
        )
        if any(e in inside and harmful[e, s] for e, s in zip(elements, states, strict=True))
    )
    risk = reasoning.residual_risk()
    assert 0.001 < listed <= risk + 1e-9
    assert risk <= listed + sets.left_out + 1e-9


def test_the_old_part_on_the_bench_is_no_residual_risk(reasoning: Reasoning) -> None:
    assert all_faulty(reasoning.evidence, reasoning.posterior, ["coil3"]) > 0.9
    assert reasoning.residual_risk() < 0.1


def test_the_shell_shows_the_same_intervals(reasoning: Reasoning) -> None:
    belief, (leader, *_) = believe(reasoning.job), reasoning.shown
    (shown,) = _intervals(belief, [leader])
    cause = describe_cause(reasoning, leader)
    assert (shown.low, shown.high) == (cause.low, cause.high)
    assert 0.0 < shown.low < cause.probability < shown.high < 1.0


def test_the_level_is_that_at_which_all_readings_were_seen(reasoning: Reasoning) -> None:
    """By Bayes' rule over the nodes; the two readings, 171 and 173, pull it to themselves."""
    arrays, test = reasoning.evidence.arrays, reasoning.job.engine.tests["compression"]
    values_q = np.exp(reasoning.evidence.levels.values[test.level.name])
    total = infer(arrays).log_evidence
    log_q = []
    for q in range(values_q.size):
        only_q = np.where(np.arange(values_q.size) == q, 1.0, 1e-300)
        log_q.append(infer(replace(arrays, level_q=only_q)).log_evidence)
    share_q = arrays.level_q * np.exp(np.array(log_q) - total)
    assert share_q.sum() == pytest.approx(1.0, rel=1e-9)
    level = reasoning.levels["compression"]
    assert level == pytest.approx(float(values_q @ share_q), rel=1e-9)
    assert 160 < level < 185
