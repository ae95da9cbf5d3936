"""Flip points by inferring again at them; intervals by inferring draw by draw."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import flip_points, infer
from swapinfer.posterior.sensitivity import fault_intervals
from tests.posterior.strategies import problems, random_problem


def scaled_odds(arrays: Arrays, element: int, factor: float) -> Arrays:
    prior_es = arrays.prior_es.copy()
    prior_es[element, 1:] *= factor
    prior_es[element] /= prior_es[element].sum()
    return arrays.with_prior(prior_es)


@settings(max_examples=40, deadline=None)
@given(problems())
def test_leader_and_rival_are_level_at_the_flip_point(arrays: Arrays) -> None:
    points = flip_points(arrays, infer(arrays))
    assert (np.diff(points.factor_r) <= 0).all()
    for rival, factor in zip(points.rival_r, points.factor_r, strict=True):
        assert factor <= 1 + 1e-9
        if not factor > 1e-9:
            continue
        fault_e = infer(scaled_odds(arrays, points.leader, factor)).fault_e
        assert fault_e[points.leader] == pytest.approx(fault_e[rival], rel=1e-8)
        fault_e = infer(scaled_odds(arrays, rival, 1 / factor)).fault_e
        assert fault_e[points.leader] == pytest.approx(fault_e[rival], rel=1e-8)


def test_intervals_are_quantiles_over_single_inferences() -> None:
    rng = np.random.default_rng(6)
    arrays = random_problem(rng, n_elements=6, repeats=2)
    prior_des = rng.gamma(1.0, size=(31, *arrays.prior_es.shape)) * (arrays.prior_es > 0)
    prior_des /= prior_des.sum(axis=2, keepdims=True)
    intervals = fault_intervals(arrays, prior_des, level=0.8)
    fault_de = np.array([infer(arrays.with_prior(prior_es)).fault_e for prior_es in prior_des])
    np.testing.assert_allclose(intervals.fault_de, fault_de, rtol=1e-10)
    np.testing.assert_allclose(intervals.median_e, np.sort(fault_de, axis=0)[15], rtol=1e-10)
    np.testing.assert_allclose(intervals.low_e, np.sort(fault_de, axis=0)[3], rtol=1e-10)
    np.testing.assert_allclose(intervals.high_e, np.sort(fault_de, axis=0)[27], rtol=1e-10)
