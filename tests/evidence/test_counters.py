"""Negative binomial chances against SciPy and, beyond its reach, against mpmath."""

from __future__ import annotations

import tracemalloc

import mpmath
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import nbinom

from swapinfer.evidence.counters import LEAST, negative_binomial

ABOVE_FLOOR = 1e-290


def close(value: float) -> object:
    return pytest.approx(value, rel=1e-10, abs=ABOVE_FLOOR)


@given(
    st.floats(-2, 6).map(lambda log: 10.0**log),
    st.floats(-1.5, 1.5).map(lambda log: 10.0**log),
    st.one_of(st.integers(0, 100), st.floats(0, 7).map(lambda log: int(10.0**log))),
)
@example(4000.0, 1.5, 4000)
@example(0.8, 0.5, 1)
@example(1.0, 1.0, 1)
def test_as_scipy_has_it(mean: float, size: float, count: int) -> None:
    """A mean below 0.01 is left out: SciPy's success chance loses its digits near 1."""
    below, exactly = negative_binomial(mean, size, count)
    scipys = nbinom(size, size / (size + mean))
    assert below == close(max(scipys.cdf(count - 1), LEAST))
    assert exactly == close(max(scipys.pmf(count), LEAST))


@pytest.mark.parametrize("count", [1, 7, 300, 3 * 10**8, 10**10, 10**15])
@pytest.mark.parametrize("size", [0.5, 0.7, 1.5])
@pytest.mark.parametrize("share", [1e-3, 0.5, 1.0, 3.0])
def test_as_mpmath_has_it_for_any_count(count: int, size: float, share: float) -> None:
    mean = share * count
    with mpmath.workdps(60):
        mu, r = mpmath.mpf(mean), mpmath.mpf(size)
        wanted_below = mpmath.betainc(r, count, 0, r / (r + mu), regularized=True)
        gammas = mpmath.loggamma(count + r) - mpmath.loggamma(r) - mpmath.loggamma(count + 1)
        log_pmf = gammas + r * mpmath.log(r / (r + mu)) - count * mpmath.log1p(r / mu)
        wanted = float(wanted_below), float(mpmath.exp(log_pmf))
    below, exactly = negative_binomial(mean, size, count)
    assert below == close(max(wanted[0], LEAST))
    assert exactly == close(max(wanted[1], LEAST))


def test_memory_does_not_grow_with_the_count() -> None:
    tracemalloc.start()
    below, exactly = negative_binomial(4000.0, 1.5, 10**20)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (below, exactly) == (1.0, LEAST)
    assert peak < 100_000
