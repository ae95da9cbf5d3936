"""Simulation-based calibration, small: ranks are uniform, and a wrong model is caught."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from lab.calibrate import Calibration, calibrate
from lab.shops import Trial, cause_trial, rate_trial, reliability_trial

from swapinfer.evidence.arrays import FloatArray

pytestmark = [pytest.mark.usefixtures("libraries"), pytest.mark.slow]

SHOPS = 50
TEST_FAILURE_RATE = 1e-4
"""Chance that a calibrated model fails one of these tests on another seed; the seed is fixed."""


def judge(trial: Trial) -> Calibration:
    return calibrate(trial.model, trial.simulate, trial.quantities, shops=SHOPS, seed=17)


@pytest.mark.parametrize("make", [cause_trial, reliability_trial, rate_trial])
def test_ranks_are_uniform_and_intervals_cover(make: object) -> None:
    """Bonferroni over the quantities; coverage within five binomial standard errors of 90 %."""
    found = judge(make())  # type: ignore[operator]
    p_values = found.p_values()
    assert p_values.min() > TEST_FAILURE_RATE / len(p_values)
    assert abs(found.coverage - 0.9) < 5 * np.sqrt(0.9 * 0.1 / SHOPS)


def test_a_wrong_exposure_is_caught() -> None:
    """Negative control: events come from one and a half times the exposure that the model has."""
    trial = rate_trial()

    def simulate(rng: np.random.Generator) -> tuple[Mapping[str, FloatArray], FloatArray]:
        data, truth = trial.simulate(rng)
        exposure = 4.0 * np.linspace(0.5, 2.0, 8)
        return {
            "events": rng.poisson(1.5 * np.exp(truth[2:]) * exposure) + 0 * data["events"]
        }, truth

    p_values = judge(replace(trial, simulate=simulate)).p_values()
    assert p_values.min() < TEST_FAILURE_RATE / len(p_values)
