"""Posteriors from the literature, built as elements and findings."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import infer
from tests.posterior.strategies import explaining, factors_only

Array = NDArray[np.float64]


def binary_problem(
    prior_e: list[float],
    terms: list[tuple[list[float], list[float], list[float], tuple[float, float]]],
) -> Arrays:
    """Two-state elements; a term lists open, explain and explained of each one's fault."""
    prior_es = np.array([[1 - p, p] for p in prior_e])
    shape = (len(terms), *prior_es.shape)
    open_tes, explain_tes, explained_tes = np.ones(shape), np.zeros(shape), np.ones(shape)
    for t, (open_e, explain_e, explained_e, _) in enumerate(terms):
        open_tes[t, :, 1], explain_tes[t, :, 1] = open_e, explain_e
        explained_tes[t, :, 1] = explained_e
    bare = factors_only(prior_es, np.zeros((max(len(terms), 1), *prior_es.shape)))
    return Arrays(
        elements=bare.elements,
        states=bare.states,
        prior_es=prior_es,
        log_factor_nes=bare.log_factor_nes,
        finding_t=np.arange(len(terms)),
        open_tes=open_tes,
        explain=explaining(explain_tes[None]),
        explained_tes=explained_tes,
        close_qt2=np.array([[term[3] for term in terms]]),
        level_q=np.ones(1),
    )


def noisy_or(
    inhibition_e: list[float], leak: float = 0.0
) -> tuple[list[float], list[float], list[float], tuple[float, float]]:
    """Term of an effect seen."""
    return inhibition_e, [1 - q for q in inhibition_e], [1.0] * len(inhibition_e), (leak, 1.0)


def test_fever_table_of_russell_and_norvig() -> None:
    """Cold, flu, malaria with inhibition .6, .2, .1; rows FFF to TTT (AIMA, noisy-OR table).

    Table from memory, recomputed; the posteriors under priors .2, .1, .01 are closed form.
    """
    published = [0.0, 0.9, 0.8, 0.98, 0.4, 0.94, 0.88, 0.988]
    term = noisy_or([0.6, 0.2, 0.1])
    for (cold, flu, malaria), expected in zip(product((0, 1), repeat=3), published, strict=True):
        arrays = binary_problem([float(cold), float(flu), float(malaria)], [term])
        if expected == 0.0:
            with pytest.raises(EvidenceError, match="probability zero"):
                infer(arrays)
            continue
        assert np.exp(infer(arrays).log_evidence) == pytest.approx(expected, abs=1e-12)
    posterior = infer(binary_problem([0.2, 0.1, 0.01], [term]))
    assert np.exp(posterior.log_evidence) == pytest.approx(0.1612176, abs=1e-9)
    np.testing.assert_allclose(posterior.fault_e, [0.561934, 0.507175, 0.056778], atol=5e-7)


def test_burglary_and_earthquake() -> None:
    """P(burglary | John and Mary call) = 0.284 (Russell & Norvig, AIMA 3rd ed., p. 523).

    The alarm is summed out: given burglary and earthquake, both calls have the likelihood
    L = P(a) .90 .70 + (1 - P(a)) .05 .01. As a term over (burglary, earthquake): open leads to
    L(0, 0); burglary alone explains with L(1, 0), an earthquake alone with L(0, 1), and an
    earthquake leaves what burglary explained with the ratio L(1, 1) / L(1, 0).
    """
    alarm = {(1, 1): 0.95, (1, 0): 0.94, (0, 1): 0.29, (0, 0): 0.001}
    both = {key: p * 0.9 * 0.7 + (1 - p) * 0.05 * 0.01 for key, p in alarm.items()}
    term = (
        [0.0, 0.0],
        [both[1, 0], both[0, 1]],
        [1.0, both[1, 1] / both[1, 0]],
        (both[0, 0], 1.0),
    )
    posterior = infer(binary_problem([0.001, 0.002], [term]))
    assert np.exp(posterior.log_evidence) == pytest.approx(0.0020841002, abs=1e-10)
    assert posterior.fault_e[0] == pytest.approx(0.284, abs=5e-4)
    assert posterior.fault_e[0] == pytest.approx(0.28417183536439294, rel=1e-12)


@pytest.mark.parametrize(
    ("visit", "xray", "published"),
    [
        (False, None, {"t": 0.01884531, "l": 0.10275922, "b": 0.83396734, "p": 0.4359706}),
        (True, None, {"t": 0.08775096, "l": 0.09952515, "b": 0.81140207, "p": 0.004501375}),
        (True, True, {"t": 0.39171172, "l": 0.44427051, "b": 0.62882178, "p": 0.00098823}),
        (True, False, {"t": 0.00224870, "l": 0.00255042, "b": 0.86276077, "p": 0.00351315}),
    ],
)
def test_chest_clinic(visit: bool, xray: bool | None, published: dict[str, float]) -> None:
    """Asia of Lauritzen & Spiegelhalter (1988), dyspnoea present.

    Published for visit and dyspnoea: lung .09952515, bronchitis .8114021, P .004501375
    (Hojsgaard, J. Stat. Softw. 46(10), 2012); the other rows by enumeration. Smoking joins lung
    cancer and bronchitis, so that it is summed out as two problems. Tuberculosis or cancer
    ("either") raises dyspnoea from .1 to .7, and with bronchitis from .8 to .9: a term whose
    closing weights take what bronchitis does last.
    """
    p_visit = 0.01 if visit else 1.0
    p_tuberculosis = 0.05 if visit else 0.01 * 0.05 + 0.99 * 0.01
    evidence, joint_e = 0.0, np.zeros(3)
    for p_lung, p_bronchitis in ((0.10, 0.60), (0.01, 0.30)):
        dyspnoea = ([0.0, 0.0, 0.8 / 0.1], [0.7, 0.7, 0.0], [1.0, 1.0, 0.9 / 0.7], (0.1, 1.0))
        terms = [dyspnoea]
        if xray is not None:
            seen = (0.98, 0.05) if xray else (0.02, 0.95)
            terms.append(([0.0, 0.0, 1.0], [seen[0]] * 2 + [0.0], [1.0] * 3, (seen[1], 1.0)))
        posterior = infer(binary_problem([p_tuberculosis, p_lung, p_bronchitis], terms))
        weight = 0.5 * p_visit * np.exp(posterior.log_evidence)
        evidence += weight
        joint_e += weight * posterior.fault_e
    assert evidence == pytest.approx(published["p"], abs=5e-9)
    expected = [published["t"], published["l"], published["b"]]
    np.testing.assert_allclose(joint_e / evidence, expected, atol=5e-9)


@pytest.mark.parametrize(
    ("prior", "sensitivity", "specificity", "positive", "after_positive", "after_negative"),
    [
        (0.25, 0.9, 0.8, 0.375, 0.6, 0.04),
        (0.1, 0.9, 0.9, 0.18, 0.5, 0.0122),
        (0.2, 0.95, 0.9, 0.27, 0.7037, 0.0137),
        (0.1, 0.85, 0.85, 0.22, 0.386364, 0.0192),
    ],
)
def test_noisy_binary_test(
    prior: float,
    sensitivity: float,
    specificity: float,
    positive: float,
    after_positive: float,
    after_negative: float,
) -> None:
    """Closed forms of a noisy test; the last row is the binary symmetric channel with f = .15

    and P(x = 1) = .1 of MacKay, ITILA, chapter 9: P(y = 1) = .22, P(x = 1 | y = 1) = .39.
    """
    prior_es = np.array([[1 - prior, prior]])
    for likelihood, chance, expected in (
        ([1 - specificity, sensitivity], positive, after_positive),
        ([specificity, 1 - sensitivity], 1 - positive, after_negative),
    ):
        posterior = infer(factors_only(prior_es, np.log([[likelihood]])))
        assert np.exp(posterior.log_evidence) == pytest.approx(chance, abs=1e-12)
        assert posterior.fault_e[0] == pytest.approx(expected, abs=5e-5)
