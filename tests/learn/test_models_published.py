"""The building blocks reproduce hierarchical examples of the literature."""

from __future__ import annotations

import numpy as np
import pytest
from lab.models import CausePriors, cause_model
from lab.rates import gamma_rate, rate_model
from lab.shops import recorded

from swapinfer.learn.prepare import CauseCounts, Grouping
from swapinfer.learn.sampling import Fit, Sampling, Target, Tensor, fit

pytestmark = pytest.mark.usefixtures("libraries")

SAMPLING = Sampling(seed=11, draws=1500, tune=500, chains=2, cores=2)

NO_INT = np.zeros(0, dtype=np.int64)
NO_FLOAT = np.zeros(0)


def within_monte_carlo_error(
    draws: np.ndarray, mean: np.ndarray, sd: np.ndarray, ess: float
) -> np.ndarray:
    """Four standard errors at the smallest effective sample size of the fit."""
    return np.abs(draws.mean(axis=0) - mean) < 4 * sd / np.sqrt(ess)


# Pumps: George, Makov and Smith, "Conjugate likelihood distributions", Scandinavian Journal of
# Statistics 20 (1993) 147-156; BUGS examples volume 1. Means and standard deviations were
# recomputed by quadrature over (log alpha, log beta); OpenBUGS prints the same to two digits.
PUMP_FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22])
PUMP_HOURS = np.array([94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5])
PUMP_RATE_MEAN = np.array(
    [
        0.059818, 0.101826, 0.089242, 0.115788, 0.601338,
        0.609388, 0.892536, 0.892536, 1.586312, 1.989835,
    ]
)  # fmt: skip
PUMP_RATE_SD = np.array(
    [
        0.025198, 0.079449, 0.037577, 0.030258, 0.316011,
        0.137529, 0.724420, 0.724420, 0.769518, 0.424987,
    ]
)  # fmt: skip


def _exponential(name: str) -> Tensor:
    import pymc as pm

    return pm.Exponential(name, 1.0)


def _gamma(name: str) -> Tensor:
    import pymc as pm

    return pm.Gamma(name, 0.1, 1.0)


@pytest.fixture(scope="module")
def pumps() -> Fit:
    model = rate_model(PUMP_FAILURES, PUMP_HOURS, gamma_rate(_exponential, _gamma))
    return fit(Target.of_model(model), SAMPLING)


def test_pump_rates_have_the_published_means(pumps: Fit) -> None:
    ess = pumps.health.ess_bulk
    assert within_monte_carlo_error(pumps.array("rate"), PUMP_RATE_MEAN, PUMP_RATE_SD, ess).all()


def test_pump_hyperparameters_have_the_published_means(pumps: Fit) -> None:
    both = np.stack([pumps.array("alpha"), pumps.array("beta")], axis=1)
    mean, sd = np.array([0.69717, 0.92681]), np.array([0.27078, 0.54282])
    assert within_monte_carlo_error(both, mean, sd, pumps.health.ess_bulk).all()


def test_pump_rates_are_their_own_conditional_gammas(pumps: Fit) -> None:
    """Given alpha and beta a rate is Gamma(alpha + x, beta + t), so its mean is known exactly."""
    alpha, beta = pumps.array("alpha")[:, None], pumps.array("beta")[:, None]
    expected = ((alpha + PUMP_FAILURES) / (beta + PUMP_HOURS)).mean(axis=0)
    assert within_monte_carlo_error(
        pumps.array("rate"), expected, PUMP_RATE_SD, pumps.health.ess_bulk
    ).all()


# Surgical: BUGS examples volume 1, "Surgical: institutional ranking", random effects on the logit
# with Normal(0, precision 1e-6) and Gamma(0.001, 0.001) priors. Means and standard deviations were
# recomputed by Gauss-Hermite quadrature on a grid; OpenBUGS prints mu -2.558, p1 0.0528, p8 0.1237.
OPERATIONS = np.array([47, 148, 119, 810, 211, 196, 148, 215, 207, 97, 256, 360])
DEATHS = np.array([0, 18, 8, 46, 8, 13, 9, 31, 14, 8, 29, 24])
DEATH_MEAN = np.array(
    [
        0.05323, 0.10316, 0.07075, 0.05930, 0.05178, 0.06926,
        0.06673, 0.12315, 0.06999, 0.07855, 0.10214, 0.06852,
    ]
)  # fmt: skip
DEATH_SD = np.array(
    [
        0.01964, 0.02195, 0.01750, 0.00794, 0.01328, 0.01475,
        0.01590, 0.02245, 0.01454, 0.01991, 0.01756, 0.01172,
    ]
)  # fmt: skip


def _sd_from_gamma_precision(name: str) -> Tensor:
    import pymc as pm

    precision = pm.Gamma(name + "_precision", 0.001, 0.001)
    return pm.Deterministic(name, precision**-0.5)


@pytest.fixture(scope="module")
def surgical() -> tuple[np.ndarray, np.ndarray, Fit]:
    """The cause model with two outcomes, the second a reference: a hierarchical logit."""
    hospitals = Grouping("hospital", tuple("ABCDEFGHIJKL"), np.arange(12))
    data = CauseCounts(
        causes=("died", "lived"),
        kinds=("died", "lived"),
        kind_c=np.arange(2),
        groupings=(hospitals,),
        base_gc=np.full((12, 2), 0.5),
        **recorded(np.stack([DEATHS, OPERATIONS - DEATHS], axis=1)),
        open_cell_k=NO_INT,
        open_likelihood_kc=np.zeros((0, 2)),
        open_count_k=NO_FLOAT,
    )
    priors = CausePriors(
        shop_sd_c=np.array([1000.0, 0.0]),
        effect_scale_h=np.array([1.0, 0.0]),
        pooling=_sd_from_gamma_precision,
        label_right=None,
    )
    sampling = Sampling(seed=5, draws=1500, tune=800, chains=2, cores=2, target_accept=0.95)
    fitted = fit(Target.of_model(cause_model(data, priors)), sampling)
    mean, sd = fitted.array("shop")[:, 0], fitted.array("hospital_sd")
    # The effects sum to zero, so `shop` is the mean of the twelve logits; the published mu is the
    # mean of the population that they come from, which a flat prior leaves N(0, sd^2 / 12) away.
    mu = mean + sd / np.sqrt(12) * np.random.default_rng(1).standard_normal(len(sd))
    return mu, mean[:, None] + fitted.array("effect")[:, 0, :], fitted


def test_surgical_mortality_has_the_published_means(
    surgical: tuple[np.ndarray, np.ndarray, Fit],
) -> None:
    _, logit, fitted = surgical
    chance = 1 / (1 + np.exp(-logit))
    ess = fitted.health.ess_bulk
    assert within_monte_carlo_error(chance, DEATH_MEAN, DEATH_SD, ess).all()


def test_surgical_population_has_the_published_mean_and_spread(
    surgical: tuple[np.ndarray, np.ndarray, Fit],
) -> None:
    mu, _, fitted = surgical
    both = np.stack([mu, fitted.array("hospital_sd")], axis=1)
    mean, sd = np.array([-2.5538, 0.4035]), np.array([0.1536, 0.1582])
    assert within_monte_carlo_error(both, mean, sd, fitted.health.ess_bulk).all()


def test_surgical_ranks_are_the_published_ones(
    surgical: tuple[np.ndarray, np.ndarray, Fit],
) -> None:
    """Posterior median ranks as MultiBUGS prints them; adjacent ranks may tie in a finite run."""
    _, logit, _ = surgical
    ranks = np.argsort(np.argsort(logit, axis=1), axis=1) + 1
    published = np.array([2, 10, 6, 4, 2, 6, 5, 12, 6, 8, 10, 6])
    assert np.abs(np.median(ranks, axis=0) - published).max() <= 1
