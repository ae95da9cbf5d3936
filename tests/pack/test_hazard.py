"""Age and exposure to prior chance, against published figures and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from swapinfer.pack.hazard import mode_prior, mode_prior_draws
from swapinfer.pack.model import Mode, Uncertain


def mode(
    median: float,
    spread: float = 1.0,
    shape: float = 1.0,
    latent_km: float = 0.0,
    ratio: float = 1.0,
) -> Mode:
    return Mode(
        id="any",
        title="any",
        life_km=Uncertain(median, spread),
        shape=shape,
        latent_km=latent_km,
        severity={"hard": 1.0},
        hazard_ratio=Uncertain(1.4, ratio) if ratio > 1 else Uncertain(1.0),
    )


@pytest.mark.parametrize(("age", "printed"), [(3, 0.24), (12, 0.66), (5, 0.36)])
def test_published_priors_from_a_survival_curve(age: float, printed: float) -> None:
    """S(t) = exp(-0.09 t) at 3, 12 and 5 months.

    Hasidi & Kalech (2021), Applied Sciences 11, 995 (CC BY): priors printed to two digits.
    """
    prior = mode_prior(mode(1 / 0.09), age, age)
    assert round(prior, 2) == printed
    assert prior == pytest.approx(1 - math.exp(-0.09 * age), abs=1e-12)


def test_mean_life_of_a_published_weibull_fit() -> None:
    """Scale 606.5280 h, shape 1.7208, mean life 540.737 h.

    NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3. The mean is the area below the
    survival curve, which is one minus the prior over the entire age.
    """
    one = mode(606.5280, shape=1.7208)
    mean, _ = integrate.quad(lambda age: 1 - mode_prior(one, age, age), 0, 6000, limit=200)
    assert mean == pytest.approx(540.737, abs=0.001)


@settings(max_examples=50)
@given(
    life=st.floats(1e4, 1e7),
    shape=st.floats(0.5, 4),
    age=st.floats(1, 5e5),
    exposure=st.floats(0, 5e5),
    latent=st.floats(0, 2e4),
)
def test_a_known_life_is_scipys_conditional_survival(
    life: float, shape: float, age: float, exposure: float, latent: float
) -> None:
    window = min(max(exposure, latent), age)
    weibull = stats.weibull_min(shape, scale=life)
    expected = -math.expm1(weibull.logsf(age) - weibull.logsf(age - window))
    prior = mode_prior(mode(life, shape=shape, latent_km=latent), age, exposure)
    assert prior == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("age", [1e3, 6e4, 1.5e5, 4e5])
@pytest.mark.parametrize(("shape", "spread", "ratio"), [(1, 2, 1.5), (1.6, 1.5, 1.01), (3, 3, 2)])
def test_an_uncertain_life_is_averaged_as_adaptive_quadrature_does(
    age: float, shape: float, spread: float, ratio: float
) -> None:
    """Against SciPy's integration over the density of the rate itself, a log-normal."""
    window = 500.0
    known = 1.4 * ((age / 3e5) ** shape - ((age - window) / 3e5) ** shape)
    rate = stats.lognorm(math.hypot(shape * math.log(spread), math.log(ratio)), scale=known)
    expected, _ = integrate.quad(
        lambda z: -math.expm1(-rate.ppf(stats.norm.cdf(z))) * stats.norm.pdf(z), -8, 8, limit=200
    )
    one = mode(3e5, spread, shape, ratio=ratio)
    assert mode_prior(one, age, window) == pytest.approx(expected, rel=1e-6)


@settings(max_examples=50)
@given(age=st.floats(1, 4e5), exposure=st.floats(0, 2e4), shape=st.floats(1, 3))
def test_draws_average_to_the_prior_and_rise_with_the_rate(
    age: float, exposure: float, shape: float
) -> None:
    one = mode(3e5, 1.6, shape)
    grid = (np.arange(20_001) + 0.5) / 20_001
    draws = mode_prior_draws(one, age, exposure, stats.norm.ppf(grid))
    assert np.all(np.diff(draws) >= 0)
    assert draws.mean() == pytest.approx(mode_prior(one, age, exposure), rel=5e-3, abs=1e-9)


@given(age=st.floats(0, 4e5), exposure=st.floats(0, 1e5), more=st.floats(0, 1e5))
def test_longer_exposure_never_lowers_the_prior(age: float, exposure: float, more: float) -> None:
    one = mode(3e5, 1.5, 1.8, latent_km=300)
    assert mode_prior(one, age, exposure) <= mode_prior(one, age, exposure + more) + 1e-15


def test_a_part_without_age_has_not_worn() -> None:
    assert mode_prior(mode(1e5, 2.0, 2.0, latent_km=1e3), 0.0, 500.0) == 0.0
    assert not mode_prior_draws(mode(1e5, 2.0), 0.0, 500.0, np.array([-1.0, 0.0, 2.0])).any()


def test_without_wear_age_does_not_matter() -> None:
    """The exponential distribution has no memory."""
    one = mode(2e5, 1.8, 1.0)
    assert mode_prior(one, 5e3, 500) == pytest.approx(mode_prior(one, 2.5e5, 500), rel=1e-9)
