"""The engine against enumeration of every combination of states, term by term as defined."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior.exact import infer, infer_draws, level_weights
from tests.posterior.strategies import brute_force, problems


@settings(max_examples=60, deadline=None)
@given(problems())
def test_matches_enumeration(arrays: Arrays) -> None:
    evidence, marginal_es = brute_force(arrays)
    posterior = infer(arrays)
    assert np.isclose(posterior.log_evidence, np.log(evidence), rtol=0, atol=1e-11)
    np.testing.assert_allclose(posterior.marginal_es, marginal_es, rtol=1e-11, atol=1e-13)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_level_nodes_weigh_as_enumeration_at_each_says(arrays: Arrays) -> None:
    """By Bayes' rule over the nodes."""
    nodes = np.arange(arrays.level_q.size)
    evidence_q = np.array([brute_force(arrays.at_nodes(nodes == q))[0] for q in nodes])
    expected_q = arrays.level_q * evidence_q
    expected_q /= expected_q.sum()
    np.testing.assert_allclose(level_weights(arrays), expected_q, rtol=1e-10, atol=1e-13)


@settings(max_examples=30, deadline=None)
@given(problems())
def test_a_batch_of_priors_equals_one_by_one(arrays: Arrays) -> None:
    rng = np.random.default_rng(0)
    prior_des = rng.gamma(1.0, size=(4, *arrays.prior_es.shape)) * (arrays.prior_es > 0)
    prior_des /= prior_des.sum(axis=2, keepdims=True)
    together = infer_draws(arrays, prior_des)
    for draw, prior_es in enumerate(prior_des):
        alone = infer_draws(arrays, prior_es[None])
        np.testing.assert_allclose(together.marginal_des[draw], alone.marginal_des[0], rtol=1e-11)
        assert np.isclose(together.log_evidence_d[draw], alone.log_evidence_d[0], atol=1e-11)
