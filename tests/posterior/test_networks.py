"""Two general-purpose Bayesian-network libraries on the same arrays, built independently."""

from __future__ import annotations

import numpy as np
import pytest

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import infer
from tests.posterior.engines import swapping_job
from tests.posterior.networks import build_network, solve_with_pgmpy, solve_with_pyagrum
from tests.posterior.strategies import random_problem


def jobs() -> list[Arrays]:
    rng = np.random.default_rng(11)
    every_kind = ("noisy-or", "first-cause", "count", "any")
    return [
        swapping_job(8, n_runs=2, n_readings=6, seed=3),
        swapping_job(4, n_runs=3, n_readings=6, seed=4),
        random_problem(rng, n_elements=10, n_states=4, kinds=every_kind, repeats=2),
    ]


@pytest.mark.parametrize("number", [0, 1, 2])
def test_lazy_propagation_of_pyagrum(number: int) -> None:
    arrays = jobs()[number]
    log_evidence, expected = solve_with_pyagrum(build_network(arrays), arrays.elements)
    posterior = infer(arrays)
    assert posterior.log_evidence == pytest.approx(log_evidence, abs=1e-9)
    for row, expected_s in zip(posterior.marginal_es, expected, strict=True):
        np.testing.assert_allclose(row[: len(expected_s)], expected_s, atol=1e-11, rtol=1e-9)


@pytest.mark.filterwarnings("ignore")
def test_variable_elimination_of_pgmpy() -> None:
    arrays = jobs()[1]
    some = arrays.elements[0], arrays.elements[8]
    expected = solve_with_pgmpy(build_network(arrays), some)
    posterior = infer(arrays)
    for name, expected_s in zip(some, expected, strict=True):
        row = posterior.marginal_es[arrays.elements.index(name)]
        np.testing.assert_allclose(row[: len(expected_s)], expected_s, atol=1e-11, rtol=1e-9)
