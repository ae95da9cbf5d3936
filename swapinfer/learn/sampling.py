"""Draws from a model, and whether they may be believed.

Here alone stands where the two generations of PyMC and ArviZ differ: PyMC 5 goes with ArviZ 0.x
(Python 3.11), PyMC 6 with ArviZ 1.x (Python 3.12 and later). Sampling goes through nutpie, and
densities through Numba: no C compiler is needed, and the draws for a seed do not depend on whether
the machine has one.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any, TypeAlias

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import LearnError
from swapinfer.evidence.arrays import FloatArray

Model: TypeAlias = Any
"""A `pymc.Model`; these libraries have no types of their own."""
Tensor: TypeAlias = Any
"""A symbolic variable inside a model."""
Trace: TypeAlias = Any
"""Draws: ``InferenceData`` in the older generation, ``DataTree`` in the newer."""
LIBRARIES = ("pymc", "arviz", "nutpie", "pytensor", "numba", "numpy")
"""Those whose versions a learned pack records."""
INTERVAL = (0.05, 0.95)
"""Ends of the intervals that are shown."""
MAX_R_HAT = 1.01
MIN_ESS = 400.0
"""Both as advised by Vehtari, Gelman, Simpson, Carpenter and Buerkner, "Rank-normalization,
folding, and localization: an improved R-hat", Bayesian Analysis 16, 2021."""
MIN_E_BFMI = 0.3
"""Betancourt, "Diagnosing suboptimal cotangent disintegrations in Hamiltonian Monte Carlo",
2016 (arXiv 1604.00695); the number is from memory."""


class Sampling(Struct, frozen=True, kw_only=True):
    """How to sample: kept and adaptive draws of each chain, and how many chains run at once.

    The same seed on the same data and libraries gives the same draws. `starting` is called when
    sampling is next.
    """

    seed: int
    draws: int = 1000
    tune: int = 400
    chains: int = 4
    cores: int = 2
    target_accept: float = 0.85
    progress: bool = False
    starting: Callable[[], None] = lambda: None


@contextmanager
def quiet() -> Iterator[None]:
    """Silence announcements that concern nobody who learns from a history.

    Of refactorings, a missing C compiler, a slow BLAS; convergence is judged from the draws.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


class Target(Struct, frozen=True, eq=False):
    """A distribution to draw from: as nutpie takes it, and the names of what is drawn.

    Where many jobs tell which effects add up to one share, those are strongly correlated; a mass
    matrix that is diagonal then takes hundreds of times as many draws as one with a part of low
    rank, which costs four times as much where nothing `is_correlated`.
    """

    compiled: Any
    names: tuple[str, ...]
    is_correlated: bool = True

    @classmethod
    def of(
        cls,
        density: Callable[[FloatArray], tuple[float, FloatArray]],
        expand: Callable[[FloatArray], dict[str, FloatArray]],
        start: FloatArray,
        *,
        dims: dict[str, tuple[str, ...]],
        coords: Mapping[str, Sequence[str]],
        is_correlated: bool = True,
    ) -> Target:
        """Take a log density with its slope, and what is kept of a point."""
        with quiet():
            from nutpie.compiled_pyfunc import from_pyfunc

        def begin(seed: int) -> FloatArray:
            out: FloatArray = start + np.random.default_rng(seed).uniform(-1, 1, len(start))
            return out

        def kept(x: FloatArray) -> dict[str, FloatArray]:
            return {name: np.asarray(value, order="C") for name, value in expand(x).items()}

        density(start)  # compiles it before chains ask for it
        shapes = {name: value.shape for name, value in kept(start).items()}
        compiled = from_pyfunc(
            len(start),
            lambda: density,
            lambda *_: kept,
            [np.dtype(np.float64)] * len(shapes),
            list(shapes.values()),
            list(shapes),
            dims={name: dim for name, dim in dims.items() if name in shapes},
            coords={name: list(values) for name, values in coords.items()},
            make_initial_point_fn=begin,
        )
        return cls(compiled, tuple(shapes), is_correlated)

    @classmethod
    def of_model(cls, model: Model) -> Target:
        """Compile a `pymc.Model`.

        Fast-math is off: it lets the compiler add up in any order, and which one it takes depends
        on whether a function is compiled together with its callers or comes from the cache of an
        earlier run. Draws would then not be the same the second time.
        """
        names = tuple(variable.name for variable in (*model.free_RVs, *model.deterministics))
        with quiet():
            import nutpie
            import pytensor

            with pytensor.config.change_flags(numba__fastmath=False):
                return cls(nutpie.compile_pymc_model(model), names)


def run_nuts(target: Target, sampling: Sampling) -> Trace:
    """Draw from a target."""
    with quiet():
        import nutpie

        return nutpie.sample(
            target.compiled,
            seed=sampling.seed,
            draws=sampling.draws,
            tune=sampling.tune,
            chains=sampling.chains,
            cores=sampling.cores,
            target_accept=sampling.target_accept,
            progress_bar=sampling.progress,
            low_rank_modified_mass_matrix=target.is_correlated,
        )


def draws_of(trace: Trace, group: str = "posterior") -> dict[str, FloatArray]:
    """Take the arrays of a group, each of shape (chain, draw, ...)."""
    data = trace[group]
    return {str(name): np.asarray(data[name].values) for name in data.data_vars}


def end_to_end(trace: Trace, name: str) -> FloatArray:
    """Take the draws of one variable, chains end to end; shape (draw, ...)."""
    values = np.asarray(trace["posterior"][name].values)
    return values.reshape(-1, *values.shape[2:])


class Health(Struct, frozen=True):
    """What the sampler's own signs say, in the worst case over all quantities and chains."""

    r_hat: float
    ess_bulk: float
    ess_tail: float
    divergences: int
    e_bfmi: float
    worst: str

    @property
    def text(self) -> str:
        """All of them in one phrase."""
        return (
            f"R-hat {self.r_hat:.4f}, effective sample size bulk {self.ess_bulk:.0f} tail "
            f"{self.ess_tail:.0f}, divergences {self.divergences}, E-BFMI {self.e_bfmi:.2f}"
        )

    @property
    def complaints(self) -> tuple[str, ...]:
        """One phrase for each threshold that is missed."""
        ess, least = "effective sample size", f"is below {MIN_ESS:.0f}"
        checks = (
            (self.r_hat <= MAX_R_HAT, f"R-hat {self.r_hat:.3f} is above {MAX_R_HAT}"),
            (self.ess_bulk >= MIN_ESS, f"bulk {ess} {self.ess_bulk:.0f} {least} ({self.worst})"),
            (self.ess_tail >= MIN_ESS, f"tail {ess} {self.ess_tail:.0f} {least}"),
            (self.divergences == 0, f"{self.divergences} divergent transitions"),
            (self.e_bfmi >= MIN_E_BFMI, f"energy E-BFMI {self.e_bfmi:.2f} is below {MIN_E_BFMI}"),
        )
        return tuple(phrase for holds, phrase in checks if not holds)


class Fit(Struct, frozen=True, eq=False):
    """Healthy draws, the settings that gave them, and why a first attempt was not kept, if so."""

    trace: Trace
    health: Health
    sampling: Sampling
    retried: str = ""

    @property
    def arrays(self) -> dict[str, FloatArray]:
        """Draws of every variable; shape (chain, draw, ...)."""
        return draws_of(self.trace)

    def array(self, name: str) -> FloatArray:
        """As `end_to_end`."""
        return end_to_end(self.trace, name)


def fit(target: Target, sampling: Sampling) -> Fit:
    """Sample; try once more, more carefully, if the draws are unhealthy."""
    draws, tune = 2 * sampling.draws, 2 * sampling.tune
    careful = replace(sampling, draws=draws, tune=tune, target_accept=0.97)
    said: list[str] = []
    for one, how in ((target, sampling), (replace(target, is_correlated=True), careful)):
        trace = run_nuts(one, how)
        health = diagnose(trace, target.names)
        if not health.complaints:
            return Fit(trace, health, how, "".join(said))
        said.append("; ".join(health.complaints))
    raise LearnError(
        f"the sampler is not healthy, so no pack is written: {said[1]} (second attempt, "
        f"{careful.tune} tuning and {careful.draws} kept draws in each of {careful.chains} chains, "
        f"target acceptance {careful.target_accept}; first attempt: {said[0]}). More confirmed "
        "jobs, or fewer families and age bands, would help"
    )


def diagnose(trace: Trace, names: Sequence[str]) -> Health:
    """Judge draws of some variables; elements that never move (a reference level) are left out."""
    arrays = draws_of(trace)
    labels = np.array(
        [
            f"{name}{list(index) or ''}"
            for name in names
            for index in np.ndindex(arrays[name].shape[2:])
        ]
    )
    values = [arrays[name].reshape(*arrays[name].shape[:2], -1) for name in names]
    values_cdq = np.concatenate(values, axis=2)
    moving_q = values_cdq.std(axis=(0, 1)) > 0
    with quiet():
        import arviz as az
        import xarray as xr

        data = xr.Dataset({"x": (("chain", "draw", "quantity"), values_cdq[:, :, moving_q])})
        found = az.rhat(data), az.ess(data, method="bulk"), az.ess(data, method="tail")
    r_hat_q, bulk_q, tail_q = (np.asarray(one["x"].values, dtype=np.float64) for one in found)
    sample_stats = draws_of(trace, "sample_stats")
    return Health(
        r_hat=_worst(r_hat_q, np.max),
        ess_bulk=_worst(bulk_q, np.min),
        ess_tail=_worst(tail_q, np.min),
        divergences=int(sample_stats["diverging"].sum()),
        e_bfmi=float(e_bfmi(sample_stats["energy"]).min()),
        worst=str(labels[moving_q][np.argmin(bulk_q)]),
    )


def _worst(values: FloatArray, pick: Callable[[FloatArray], float]) -> float:
    """Largest or smallest; a value that is not a number is the worst of all."""
    return float("nan") if np.isnan(values).any() else float(pick(values))


def e_bfmi(energy_cd: FloatArray) -> FloatArray:
    """Energy Bayesian fraction of missing information: mean squared step over variance."""
    steps = np.square(np.diff(energy_cd, axis=1)).mean(axis=1)
    out: FloatArray = steps / energy_cd.var(axis=1)
    return out


def provenance_text(fits: Mapping[str, Fit]) -> str:
    """Say what draws came from: seed, versions of libraries, signs of each model's health."""
    seeds = {fitted.sampling.seed for fitted in fits.values()}
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    models = "; ".join(f"{name}: {fitted.health.text}" for name, fitted in fits.items())
    return f"seed {', '.join(map(str, seeds))}; {libraries}; {models}"
