"""Fault sets against enumeration of every combination, sorted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import fault_sets, infer
from swapinfer.posterior.bound import log_joint
from tests.posterior.strategies import assignments, brute_force, brute_weight, problems


@settings(max_examples=40, deadline=None)
@given(problems())
def test_log_joint_matches_the_definition(arrays: Arrays) -> None:
    combinations = np.array(assignments(arrays))
    element_hk = np.where(combinations > 0, np.arange(combinations.shape[1]), -1)
    state_hk = np.where(combinations > 0, combinations, -1)
    with np.errstate(divide="ignore"):
        expected_h = np.log([brute_weight(arrays, tuple(row)) for row in combinations])
    np.testing.assert_allclose(log_joint(arrays, element_hk, state_hk), expected_h, rtol=1e-11)


@settings(max_examples=60, deadline=None)
@given(problems(), st.sampled_from([0.5, 0.9, 0.999]))
def test_most_probable_sets_in_order(arrays: Arrays, cover: float) -> None:
    evidence, _ = brute_force(arrays)
    everything = np.array([brute_weight(arrays, row) for row in assignments(arrays)]) / evidence
    ranked_h = np.sort(everything)[::-1]
    sets = fault_sets(arrays, infer(arrays), cover=cover)
    count = len(sets.belief_h)
    if arrays.level_q.size == 1:
        np.testing.assert_allclose(sets.belief_h, ranked_h[:count], rtol=1e-9)
    assert (np.diff(sets.belief_h) <= 0).all()
    assert sets.belief_h.sum() >= cover
    assert sets.belief_h[:-1].sum() < cover
    assert sets.left_out == pytest.approx(1.0 - sets.belief_h.sum(), abs=1e-10)
    by_definition = log_joint(arrays, sets.element_hk, sets.state_hk) - np.log(evidence)
    np.testing.assert_allclose(np.log(sets.belief_h), by_definition, atol=1e-9)


@settings(max_examples=20, deadline=None)
@given(problems())
def test_a_limit_is_kept_and_what_it_cuts_is_stated(arrays: Arrays) -> None:
    sets = fault_sets(arrays, infer(arrays), cover=1 - 1e-9, limit=3)
    assert len(sets.belief_h) <= 3
    assert sets.left_out == pytest.approx(1 - sets.belief_h.sum(), abs=1e-12)
