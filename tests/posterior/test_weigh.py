"""Weights of evidence: exact sums, closed forms, published scales."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings

from swapinfer.evidence.arrays import Arrays, for_order
from swapinfer.posterior import check_findings, describe_weight, infer, weigh_findings
from tests.posterior.strategies import brute_force, factors_only, problems, some_of


@settings(max_examples=25, deadline=None)
@given(problems())
def test_weights_add_up_to_the_change_of_log_odds(arrays: Arrays) -> None:
    weights = weigh_findings(arrays, some_of(arrays))
    _, marginal_es = brute_force(arrays)
    fault_e = marginal_es[:, 1:].sum(axis=1)
    posterior_db_e = 10 * np.log10(fault_e / marginal_es[:, 0])
    prior_db_e = 10 * np.log10(arrays.prior_es[:, 1:].sum(axis=1) / arrays.prior_es[:, 0])
    changed = np.isfinite(posterior_db_e)
    np.testing.assert_allclose(weights.prior_db_e, prior_db_e, atol=1e-9)
    np.testing.assert_allclose(
        weights.fault_ne.sum(axis=0)[changed], (posterior_db_e - prior_db_e)[changed], atol=1e-8
    )
    prior_e = arrays.prior_es[:, 1:].sum(axis=1)
    ratio_e = fault_e / fault_e[weights.rival_e] * prior_e[weights.rival_e] / prior_e
    np.testing.assert_allclose(
        weights.against_rival_ne.sum(axis=0)[changed], 10 * np.log10(ratio_e)[changed], atol=1e-8
    )


def test_widget_test_of_jaynes() -> None:
    """Machine A makes 1/3 bad widgets, B 1/6: each bad one +3 db, each good one -1 db.

    E. T. Jaynes, Probability Theory, chapter 4 (prior odds 1:10; from memory, recomputed).
    """
    draws = "bbgbggbb"
    rows = [np.log([[[1 / 6, 1 / 3]]] if draw == "b" else [[[5 / 6, 2 / 3]]])[0] for draw in draws]
    arrays = factors_only(np.array([[10 / 11, 1 / 11]]), np.array(rows))
    weights = weigh_findings(arrays, some_of(arrays))
    assert weights.prior_db_e[0] == pytest.approx(-10.0)
    expected_n = [3.0103 if draw == "b" else -0.9691 for draw in draws]
    np.testing.assert_allclose(weights.fault_ne[:, 0], expected_n, atol=5e-5)


@pytest.mark.parametrize(
    ("bayes_factor", "decibans", "words"),
    [
        (2, 3.0103, "not worth more than a bare mention"),
        (3, 4.7712, "positive evidence for"),
        (10, 10.0, "positive evidence for"),
        (100, 20.0, "strong evidence for"),
        (150, 21.7609, "very strong evidence for"),
        (1 / 100, -20.0, "strong evidence against"),
    ],
)
def test_words_follow_kass_and_raftery(bayes_factor: float, decibans: float, words: str) -> None:
    """Kass & Raftery 1995, twice the log: 0-2 bare mention, 2-6 positive, 6-10 strong, more."""
    assert 10 * np.log10(bayes_factor) == pytest.approx(decibans, abs=1e-4)
    assert describe_weight(decibans) == words


@settings(max_examples=15, deadline=None)
@given(problems())
def test_leaving_out_matches_enumeration(arrays: Arrays) -> None:
    posterior = infer(arrays)
    checks = check_findings(arrays, posterior, some_of(arrays))
    for finding in range(arrays.n_findings):
        evidence, marginal_es = brute_force(
            some_of(arrays)(np.arange(arrays.n_findings) != finding)
        )
        leads_e = for_order(marginal_es[:, 1:].sum(axis=1))
        leader = posterior.fault_e.argmax()
        assert checks.decides_n[finding] == (leads_e[leader] < leads_e.max())
        given_others = posterior.log_evidence - np.log(evidence)
        assert checks.log_given_others_n[finding] == pytest.approx(given_others, abs=1e-9)
        plausible = marginal_es >= 0.01
        joint_es = posterior.marginal_es[plausible] * np.exp(posterior.log_evidence)
        best = (joint_es / (marginal_es[plausible] * evidence)).max()
        assert checks.log_best_n[finding] == pytest.approx(np.log(best), abs=1e-9)


def test_the_finding_that_decides_and_the_one_that_conflicts() -> None:
    """Two elements; the last of four findings turns the lead against the other three.

    Odds by hand: prior 1:9 each. Findings 0 to 2 multiply element 0's odds by 10 each, so 1000/9;
    finding 3 multiplies them by 1/5000 and element 1's by 2. Without finding 3 element 0 leads
    (P = 1000/1009); with it element 1 does (P = 2/11 against 1/46).
    """
    ratio_ne = np.array([[10.0, 1.0], [10.0, 1.0], [10.0, 1.0], [1 / 5000, 2.0]])
    log_factor_nes = np.stack([np.zeros_like(ratio_ne), np.log(ratio_ne)], axis=-1)
    arrays = factors_only(np.array([[0.9, 0.1], [0.9, 0.1]]), log_factor_nes)
    posterior = infer(arrays)
    checks = check_findings(arrays, posterior, some_of(arrays))
    np.testing.assert_allclose(posterior.fault_e, [1 / 46, 2 / 11])
    assert checks.decides_n.tolist() == [False, False, False, True]
    assert checks.conflict_db_n.argmax() == 3


def test_a_finding_that_no_plausible_state_expects_is_to_be_checked_again() -> None:
    """One element surely faulty after two findings; the third is 1e5 times likelier if it is good.

    By hand: odds 1:1, times 1e6 twice; P(good) = 1e-12 is not plausible; the finding has 1e-5
    under the fault, and had (1 + 1e-5) / 2 beforehand: a ratio of 5e4, more than 150.
    """
    log_factor_nes = np.log([[[1.0, 1e6]], [[1.0, 1e6]], [[1.0, 1e-5]]])
    arrays = factors_only(np.array([[0.5, 0.5]]), log_factor_nes)
    checks = check_findings(arrays, infer(arrays), some_of(arrays))
    assert checks.check_again_n.tolist() == [False, False, True]
    assert checks.log_best_n[2] == pytest.approx(np.log(1e-5), abs=1e-6)
    assert checks.log_alone_n[2] == pytest.approx(np.log((1 + 1e-5) / 2))
