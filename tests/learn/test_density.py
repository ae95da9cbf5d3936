"""The densities against the same models in PyMC, and from a cold and a warm cache."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numba
import numpy as np
import pytest
from lab.models import CausePriors, cause_model, reliability_model
from lab.shops import cause_counts, recorded
from msgspec.structs import replace

from swapinfer.learn import density
from swapinfer.learn.prepare import CauseCounts, Grouping, OutcomeCounts
from swapinfer.learn.sampling import Model, Sampling, Target, fit

pytestmark = pytest.mark.usefixtures("libraries")

SD = np.array([0.6, 0.8, 0.7, 1.0])
RNG = np.random.default_rng(4)


def shop() -> CauseCounts:
    """Three families, two ages, four causes of three kinds; every course that a case may take."""
    return replace(
        cause_counts(),
        kinds=("a", "b", "c"),
        kind_c=np.array([0, 1, 1, 2]),
        groupings=(
            Grouping("family", ("x", "y", "z"), np.arange(3)),
            Grouping("age", ("old", "young"), np.array([0, 1, 1])),
        ),
        **recorded(
            RNG.integers(0, 30, (3, 4)),
            RNG.integers(0, 4, (3, 4)),
            np.array([(0, 1, 1, 2), (1, 2, 0, 1), (2, 0, 3, 3), (2, 3, 3, 1)]),
        ),
        open_count_k=RNG.integers(0, 9, 6).astype(float),
    )


def findings() -> OutcomeCounts:
    """Two tests, one of which shows only part of the time."""
    return OutcomeCounts(
        units=("one/good", "one/bad", "two/good"),
        outcomes=(("+", "-"), ("+", "-"), ("+", "0", "-")),
        base=(np.array([0.9, 0.1]), np.array([0.2, 0.8]), np.array([0.898, 0.1, 0.002])),
        slot_i=np.array([0, 1, 0, 2, 1, 3, 4, 6]),
        weight_i=np.array([1.0, 1.0, 0.3, 0.7, 0.3, 0.7, 1.0, 1.0]),
        end_k=np.array([1, 2, 4, 6, 7, 8]),
        count_k=np.array([7.0, 2.0, 3.0, 4.0, 8.0, 1.0]),
    )


Density = Callable[[np.ndarray], tuple[float, np.ndarray]]


class Place(NamedTuple):
    """Where a variable of a model stands in a point, in what shape, shifted and scaled by what."""

    where: slice
    shape: tuple[int, ...] = ()
    middle: float = 0.0
    unit: float = 1.0

    def of(self, x: np.ndarray) -> np.ndarray:
        """Value of the variable at a point."""
        laid = x[self.where].reshape(self.shape[::-1]).T if self.shape else x[self.where][0]
        return np.asarray(self.middle + self.unit * laid)

    def slope(self, slope: np.ndarray) -> np.ndarray:
        """Slope by the variable, in its own order."""
        laid = slope[self.where].reshape(self.shape[::-1]).T if self.shape else slope[self.where]
        return np.ravel(laid / self.unit)


def assert_alike(
    model: Model, target_density: Density, at: dict[str, Place], x: np.ndarray
) -> None:
    """Hold a density to a model's at two points: how they differ, and the slope at the first."""
    order = [variable.name for variable in model.continuous_value_vars]

    def point(x: np.ndarray) -> dict[str, np.ndarray]:
        return {name: at[name].of(x) for name in order}

    density_of = model.compile_logp(mode="FAST_COMPILE")
    slope_of = model.compile_dlogp(mode="FAST_COMPILE")
    other = x + 0.3 * RNG.standard_normal(len(x))
    (first, slope), (second, _) = target_density(x), target_density(other)
    difference = density_of(point(x)) - density_of(point(other))
    assert first - second == pytest.approx(float(difference), rel=1e-9)
    mine = np.concatenate([at[name].slope(slope) for name in order])
    np.testing.assert_allclose(mine, slope_of(point(x)), rtol=1e-7, atol=1e-9)


def test_the_density_of_the_causes_is_that_of_the_model_in_pymc() -> None:
    data = shop()
    arrays = density.cause_arrays(data, SD)
    labels = np.array(list(density.LABELS.values()))
    log_sd = {"middle": np.log(density.EFFECT_SD[0]), "unit": density.EFFECT_SD[1]}
    at = {
        "shop_raw": Place(slice(0, 3), (3,)),
        "family_sd_log__": Place(slice(3, 4), **log_sd),
        "age_sd_log__": Place(slice(4, 5), **log_sd),
        "effect_raw": Place(slice(5, 14), (3, 3)),
        **{
            f"{name}_logodds__": Place(slice(14 + n, 15 + n))
            for n, name in enumerate(density.LABELS)
        },
    }
    model = cause_model(data, CausePriors(SD, np.ones(3)))
    x = np.concatenate([RNG.standard_normal(14), [2.0, -2.5, 0.7]])
    assert_alike(model, lambda x: density.causes_density(x, labels, arrays), at, x)


def test_the_density_of_the_tests_is_that_of_the_model_in_pymc() -> None:
    """One chance is so small that its spread is the largest."""
    data = findings()
    arrays = density.outcome_arrays(data)
    weight = Place(slice(0, 1), middle=np.log(density.PACK_WEIGHT[0]), unit=density.PACK_WEIGHT[1])
    at = {"concentration_log__": weight, "chance_raw": Place(slice(1, 8), (7,))}
    x = RNG.standard_normal(8)
    assert density.outcome_chances(x, arrays)[1].max() == density.LARGEST_LOG_SD
    assert_alike(reliability_model(data), lambda x: density.outcomes_density(x, arrays), at, x)


@pytest.mark.slow
def test_both_have_the_same_posterior() -> None:
    """Means and spreads of all that is kept, within five standard errors of both."""
    data, sampling = shop(), Sampling(seed=3, draws=1000, chains=2)
    mine = fit(density.cause_target(data, density.cause_arrays(data, SD)), sampling)
    model = cause_model(data, CausePriors(SD, np.ones(3)))
    theirs = fit(Target.of_model(model), sampling)
    error = np.sqrt(1 / mine.health.ess_bulk + 1 / theirs.health.ess_bulk)
    for name in mine.arrays:
        one, other = mine.array(name), theirs.array(name)
        apart = np.abs(one.mean(axis=0) - other.mean(axis=0))
        assert (apart <= 5 * error * other.std(axis=0) + 1e-12).all(), name
        np.testing.assert_allclose(one.std(axis=0), other.std(axis=0), rtol=5 * error, atol=1e-9)


AGAIN = """
import numpy as np
from lab.shops import cause_counts
from swapinfer.learn import density
arrays = density.cause_arrays(cause_counts(), np.array([0.6, 0.8, 0.7, 1.0]))
labels = np.array(list(density.LABELS.values()))
points = np.random.default_rng(1).standard_normal((20, 3 + 1 + 4 * 2 + 3))
for x in points:
    log, slope = density.causes_density(x, labels, arrays)
    print(float(log).hex(), slope.tobytes().hex())
print(sum(density.causes_density.stats.cache_hits.values()))
"""


def test_a_cold_and_a_warm_cache_give_the_same_to_the_last_bit(tmp_path: Path) -> None:
    """Of a density compiled with its callers, and of one that an earlier process left on disk."""
    root = Path(__file__).parents[2]
    paths = os.pathsep.join(map(str, (root, root / "benchmarks")))
    env = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": paths}
    cold, warm = (
        subprocess.run(
            [sys.executable, "-c", AGAIN], env=env, capture_output=True, text=True, check=True
        ).stdout.splitlines()
        for _ in range(2)
    )
    assert cold[:-1] == warm[:-1]
    assert (cold[-1], warm[-1]) == ("0", "1")


def test_no_sum_may_be_reordered() -> None:
    """LLVM language reference, "Fast-Math Flags": in which order it then is depends on what a cache
    of compiled functions holds, and so would the draws."""
    kept = density.outcome_chances
    options = {name: value for name, value in kept.targetoptions.items() if name != "nopython"}
    anew = numba.njit(kept.py_func, **options)  # code from the cache cannot be read
    anew(np.zeros(8), density.outcome_arrays(findings()))
    (code,) = anew.inspect_llvm().values()
    assert "fmul double" in code
    assert "reassoc" not in code
