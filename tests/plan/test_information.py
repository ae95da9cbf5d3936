from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lab.value import expected_loss_with_test, value_of_certainty, value_of_test
from numpy.typing import NDArray

from swapinfer.plan.predict import information_bits


def binary(sensitivity: float, specificity: float) -> NDArray[np.float64]:
    return np.array([[sensitivity, 1 - specificity], [1 - sensitivity, specificity]])


# MacKay (2003), ch. 9: capacity of the binary symmetric channel, 1 - H2(f).
@pytest.mark.parametrize(
    ("flip", "bits"),
    [
        (0.0, 1.0), (0.001, 0.988592), (0.01, 0.919207), (0.02, 0.858559), (0.05, 0.713603),
        (0.1, 0.531004), (0.11, 0.500084), (0.15, 0.390160), (0.2, 0.278072), (0.25, 0.188722),
        (0.3, 0.118709), (0.4, 0.029049), (0.5, 0.0),
    ],
)  # fmt: skip
def test_symmetric_test_carries_the_channel_capacity(flip: float, bits: float) -> None:
    found = information_bits(np.array([0.5, 0.5]), binary(1 - flip, 1 - flip))
    assert found == pytest.approx(bits, abs=6e-7)


# MacKay (2003), ch. 9, binary symmetric and Z channel with P(x=1) = 0.1, from memory.
@pytest.mark.parametrize(("specificity", "bits"), [(0.85, 0.15), (1.0, 0.36)])
def test_information_of_two_channels_to_their_published_digits(
    specificity: float, bits: float
) -> None:
    found = information_bits(np.array([0.1, 0.9]), binary(0.85, specificity))
    assert round(found, 2) == bits


# Closed form H2(p s + (1-p)(1-c)) - p H2(s) - (1-p) H2(c).
@pytest.mark.parametrize(
    ("prior", "sensitivity", "specificity", "bits"),
    [
        (0.25, 0.9, 0.8, 0.295739),
        (0.1, 0.9, 0.9, 0.211081),
        (0.2, 0.95, 0.9, 0.408989),
        (0.5, 0.8, 1.0, 0.609987),
        (0.25, 1.0, 1.0, 0.811278),
    ],
)
def test_information_of_a_noisy_binary_test(
    prior: float, sensitivity: float, specificity: float, bits: float
) -> None:
    found = information_bits(np.array([prior, 1 - prior]), binary(sensitivity, specificity))
    assert found == pytest.approx(bits, abs=6e-7)


def test_information_of_tests_with_two_and_three_outcomes() -> None:
    """Jensen & Nielsen, exercise on two tests of milk (data read, bits recomputed)."""
    prior = np.array([0.7, 0.3])
    three = np.array([[0.8, 0.05], [0.05, 0.75], [0.15, 0.2]])
    two = np.array([[0.8, 0.25], [0.2, 0.75]])
    assert information_bits(prior, three) == pytest.approx(0.476803, abs=1e-6)
    assert information_bits(prior, two) == pytest.approx(0.198022, abs=1e-6)


def test_goferbroke_values_of_information() -> None:
    """Hillier & Lieberman: 153 with the survey, EVSI 53, EVPI 142.5."""
    prior = np.array([0.25, 0.75])
    loss = np.array([[-700.0, 100.0], [-90.0, -90.0]])
    survey = np.array([[0.6, 0.2], [0.4, 0.8]])
    assert expected_loss_with_test(prior, survey, loss) == pytest.approx(-153.0)
    assert value_of_test(prior, survey, loss) == pytest.approx(53.0)
    assert value_of_certainty(prior, loss) == pytest.approx(142.5)


def test_oil_wildcatter_values_of_information() -> None:
    """Raiffa (1968); Shenoy (1992): EVSI 12.5, EVPI 35."""
    prior = np.array([0.5, 0.3, 0.2])
    loss = np.array([[70.0, -50.0, -200.0], [0.0, 0.0, 0.0]])
    sounding = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.4], [0.1, 0.3, 0.5]])
    assert value_of_test(prior, sounding, loss) == pytest.approx(12.5)
    assert value_of_certainty(prior, loss) == pytest.approx(35.0)


@given(st.integers(0, 10**6))
def test_a_test_is_worth_nothing_less_and_certainty_nothing_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, outcomes = int(rng.integers(2, 6)), int(rng.integers(1, 5))
    prior = rng.dirichlet(np.ones(n))
    chance = rng.dirichlet(np.ones(outcomes), size=n).T
    loss = rng.normal(size=(3, n))
    worth = value_of_test(prior, chance, loss)
    assert -1e-12 <= worth <= value_of_certainty(prior, loss) + 1e-12
