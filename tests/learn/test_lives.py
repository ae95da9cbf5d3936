"""Weibull lives: a handbook's censored data, a survival library, quadrature."""

from __future__ import annotations

import numpy as np
import pytest

from swapinfer.learn.lives import LifePriors, Lives, life_model
from swapinfer.learn.sampling import Model, Sampling, Target, fit

pytestmark = pytest.mark.usefixtures("libraries")

# NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.2.1: ten failures (hours), ten units
# still running at 500 h. Section 8.4.1.3 prints the maximum-likelihood fit.
FAILED = np.array([54.0, 187, 216, 240, 244, 335, 361, 373, 375, 386])
LEAVE = np.concatenate([FAILED, np.full(10, 500.0)])
ENTER = np.zeros(20)
SCALE, SHAPE, LOG_LIKELIHOOD = 606.5280, 1.7208, -75.135


def lives(failed: np.ndarray, enter: np.ndarray, leave: np.ndarray) -> Lives:
    return Lives(
        modes=("unit",),
        families=("all",),
        failures_mf=np.array([[float(len(failed))]]),
        log_age_mf=np.array([[np.log(failed).sum()]]),
        family_r=np.zeros(len(enter), dtype=np.int64),
        enter_r=enter,
        leave_r=leave,
        weight_mr=np.ones((1, len(enter))),
    )


def log_likelihood(
    shape: float, scale: float, failed: np.ndarray, enter: np.ndarray, leave: np.ndarray
) -> float:
    """Of single lives, written out; ages at failure, and between which each life was watched."""
    log_hazard = np.log(shape) - shape * np.log(scale) + (shape - 1) * np.log(failed)
    watched = (leave / scale) ** shape - (enter / scale) ** shape
    return float(log_hazard.sum() - watched.sum())


def flat_priors() -> LifePriors:
    one = np.ones(1)
    return LifePriors(500 * one, 1e3 * one, one, 1e3 * one)


def test_log_likelihood_at_the_published_maximum() -> None:
    """To 1e-3, the digits in print."""
    found = log_likelihood(SHAPE, SCALE, FAILED, ENTER, LEAVE)
    assert found == pytest.approx(LOG_LIKELIHOOD, abs=1e-3)


def _model_log_likelihood(model: Model, shape: float, scale: float) -> float:
    """The model's own term at given parameters."""
    point = model.initial_point()
    point["shape_log__"] = np.log([shape])
    point["life_raw"] = np.array([np.log(scale / 500) / np.log(1e3)])
    term = model.compile_logp(vars=model.potentials, jacobian=False, mode="FAST_COMPILE")
    return float(term(point))


def test_model_peaks_at_the_published_fit() -> None:
    """The model's likelihood is the printed one there, and lower at eight points around it."""
    model = life_model(lives(FAILED, ENTER, LEAVE), flat_priors())
    peak = _model_log_likelihood(model, SHAPE, SCALE)
    assert peak == pytest.approx(LOG_LIKELIHOOD, abs=1e-3)
    for turn in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        shape = SHAPE * (1 + 0.01 * np.cos(turn))
        scale = SCALE * (1 + 0.01 * np.sin(turn))
        assert _model_log_likelihood(model, shape, scale) < peak


def test_maximum_agrees_with_a_survival_library_under_truncation_and_censoring() -> None:
    """lifelines fits the same left-truncated, right-censored lives by maximum likelihood."""
    from lifelines import WeibullFitter

    rng = np.random.default_rng(8)
    life = 300 * rng.weibull(2.2, size=400)
    enter = rng.uniform(0, 150, size=400)
    enter, life = enter[life > enter], life[life > enter]
    leave = np.minimum(life, enter + 200)
    failed = life <= leave
    other = WeibullFitter().fit(leave, event_observed=failed, entry=enter)
    at = log_likelihood(other.rho_, other.lambda_, leave[failed], enter, leave)
    assert at == pytest.approx(other.log_likelihood_, abs=1e-6)
    for shape, scale in ((1.02, 1.0), (0.98, 1.0), (1.0, 1.02), (1.0, 0.98)):
        near = (other.rho_ * shape, other.lambda_ * scale)
        assert log_likelihood(*near, leave[failed], enter, leave) < at


def test_posterior_agrees_with_quadrature() -> None:
    """Posterior means of the logs against a grid over (log shape, log scale)."""
    from scipy.integrate import trapezoid

    one = np.ones(1)
    priors = LifePriors(500 * one, 2 * one, 1.5 * one, 1.5 * one)
    fitted = fit(
        Target.of_model(life_model(lives(FAILED, ENTER, LEAVE), priors)),
        Sampling(seed=2, draws=1000, tune=400, chains=2),
    )
    u, v = np.meshgrid(np.linspace(-1, 2, 150), np.linspace(5, 8, 150), indexing="ij")
    log_density = (
        np.vectorize(lambda a, b: log_likelihood(np.exp(a), np.exp(b), FAILED, ENTER, LEAVE))(u, v)
        - 0.5 * ((u - np.log(1.5)) / np.log(1.5)) ** 2
        - 0.5 * ((v - np.log(500)) / np.log(2)) ** 2
    )
    weight = np.exp(log_density - log_density.max())

    def integral(values: np.ndarray) -> float:
        return float(trapezoid(trapezoid(values, v[0], axis=1), u[:, 0]))

    for draws, grid in (
        (np.log(fitted.array("shape")[:, 0]), u),
        (np.log(fitted.array("scale")[:, 0, 0]), v),
    ):
        mean = integral(weight * grid) / integral(weight)
        sd = np.sqrt(integral(weight * (grid - mean) ** 2) / integral(weight))
        assert abs(draws.mean() - mean) < 4 * sd / np.sqrt(fitted.health.ess_bulk)
        assert draws.std() == pytest.approx(sd, rel=0.12)
