"""Draws from a model, and whether they may be believed.

Here alone stands where the two generations of PyMC and ArviZ differ: PyMC 5 goes with ArviZ 0.x
(Python 3.11), PyMC 6 with ArviZ 1.x (Python 3.12 and later). Sampling goes through nutpie, which
compiles the density with Numba: no C compiler is needed, and the draws for a seed do not depend on
whether the machine has one.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
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
Compiled: TypeAlias = Any
"""A model compiled by nutpie."""
Trace: TypeAlias = Any
"""Draws: ``InferenceData`` in the older generation, ``DataTree`` in the newer."""

LIBRARIES = ("pymc", "arviz", "nutpie", "pytensor", "numpy")
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
    """How to sample, and what is seen of it.

    Attributes
    ----------
    seed : int
        The same seed on the same data and libraries gives the same draws.
    draws, tune : int
        Kept and adaptive draws of each chain.
    chains, cores : int
        Chains, and how many run at once.
    target_accept : float
        Acceptance rate that the step size is adapted to.
    progress : bool
        Whether to show progress bars.
    starting : callable
        Called when everything has been looked at and sampling is next.
    """

    seed: int
    draws: int = 1000
    tune: int = 400
    chains: int = 4
    cores: int = 2
    target_accept: float = 0.85
    progress: bool = False
    starting: Callable[[], None] = lambda: None

    def more_careful(self) -> Sampling:
        """Return the settings of the one retry: twice the draws and tuning, smaller steps."""
        return replace(self, draws=2 * self.draws, tune=2 * self.tune, target_accept=0.97)


@contextmanager
def quiet() -> Iterator[None]:
    """Silence what these libraries say about themselves while they load and compile.

    Announcements of refactorings, of a missing C compiler or a slow BLAS concern nobody who
    learns from a history; convergence is judged from the draws, not from warnings.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def load_quietly() -> None:
    """Load PyMC, which builds models, without its announcements."""
    with quiet():
        import pymc  # noqa: F401  loaded for its silence


def compile_model(model: Model) -> Compiled:
    """Compile a `pymc.Model` to machine code; may be refitted by ``with_data``.

    Fast-math is off: it lets the compiler add up in any order, and which one it takes depends on
    whether a function is compiled together with its callers or comes from the cache of an earlier
    run. Draws would then not be the same the second time.
    """
    with quiet():
        import nutpie
        import pytensor

        with pytensor.config.change_flags(numba__fastmath=False):
            return nutpie.compile_pymc_model(model)


def run_nuts(compiled: Compiled, sampling: Sampling) -> Trace:
    """Draw from a compiled model.

    The mass matrix is diagonal plus low rank: with many jobs the effects that add up to one share
    are strongly correlated, and a diagonal one then takes hundreds of times as many draws.
    """
    with quiet():
        import nutpie

        return nutpie.sample(
            compiled,
            seed=sampling.seed,
            draws=sampling.draws,
            tune=sampling.tune,
            chains=sampling.chains,
            cores=sampling.cores,
            target_accept=sampling.target_accept,
            progress_bar=sampling.progress,
            low_rank_modified_mass_matrix=True,
        )


def draws_of(trace: Trace, group: str = "posterior") -> dict[str, FloatArray]:
    """Take the arrays of a group, each of shape (chain, draw, ...)."""
    data = trace[group]
    return {str(name): np.asarray(data[name].values) for name in data.data_vars}


def summary_statistics(trace: Trace, names: list[str]) -> dict[str, dict[str, FloatArray]]:
    """R-hat and bulk and tail effective sample size of every element of every variable named."""
    with quiet():
        import arviz as az

        data = trace["posterior"]
        data = (data.dataset if hasattr(data, "dataset") else data)[names]
        found = {
            "r_hat": az.rhat(data),
            "ess_bulk": az.ess(data, method="bulk"),
            "ess_tail": az.ess(data, method="tail"),
        }
    return {
        key: {name: np.asarray(values[name].values, dtype=np.float64) for name in names}
        for key, values in found.items()
    }


def save_draws(trace: Trace, path: Path) -> None:
    """Write the draws as a Zarr store in the ArviZ layout, which both generations can read."""
    with quiet():
        tree = trace.to_datatree() if hasattr(trace, "to_datatree") else trace
        tree.to_zarr(str(path), mode="w")


class Health(Struct, frozen=True):
    """What the sampler's own signs say.

    Attributes
    ----------
    r_hat : float
        Largest over all quantities.
    ess_bulk, ess_tail : float
        Smallest over all quantities.
    divergences : int
        Over all chains.
    e_bfmi : float
        Smallest over the chains.
    worst : str
        Quantity with the smallest effective sample size.
    """

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
    """Healthy draws from a model.

    Attributes
    ----------
    trace : InferenceData or DataTree
        As ArviZ takes it.
    health : Health
        Of these draws.
    sampling : Sampling
        Settings that gave them.
    retried : str
        Empty, or why the first attempt was not kept.
    compiled : CompiledModel or None
        Of which they are.
    """

    trace: Trace
    health: Health
    sampling: Sampling
    retried: str = ""
    compiled: Compiled = None

    @property
    def arrays(self) -> dict[str, FloatArray]:
        """Draws of every variable; shape (chain, draw, ...)."""
        return draws_of(self.trace)

    def array(self, name: str) -> FloatArray:
        """Draws of one variable, chains end to end; shape (draw, ...)."""
        values = self.arrays[name]
        return values.reshape(-1, *values.shape[2:])


def fit(model: Model, sampling: Sampling) -> Fit:
    """Sample a model; try once more, more carefully, if the draws are unhealthy.

    Parameters
    ----------
    model : pymc.Model
        What to sample.
    sampling : Sampling
        Settings of the first attempt.

    Returns
    -------
    Fit
        Only ever a healthy one.

    Raises
    ------
    LearnError
        If both attempts miss a threshold; the message names each that is missed.
    """
    compiled = compile_model(model)
    names = [variable.name for variable in (*model.free_RVs, *model.deterministics)]
    trace = run_nuts(compiled, sampling)
    health = diagnose(trace, names)
    if not health.complaints:
        return Fit(trace, health, sampling, compiled=compiled)
    first, careful = "; ".join(health.complaints), sampling.more_careful()
    trace = run_nuts(compiled, careful)
    health = diagnose(trace, names)
    if health.complaints:
        raise LearnError(
            f"the sampler is not healthy, so no pack is written: {'; '.join(health.complaints)} "
            f"(second attempt, {careful.tune} tuning and {careful.draws} kept draws in each of "
            f"{careful.chains} chains, target acceptance {careful.target_accept}; first attempt: "
            f"{first}). More confirmed jobs, or fewer families and age bands, would help"
        )
    return Fit(trace, health, careful, first, compiled)


BRIEF = {"draws": 400, "tune": 300, "chains": 2}
"""Of a fit that nothing is written from."""


def fit_briefly(whole: Fit, data: Mapping[str, FloatArray]) -> Fit:
    """Sample a compiled model again under other data, for its means alone."""
    sampling = replace(whole.sampling, **BRIEF)
    return replace(whole, trace=run_nuts(whole.compiled.with_data(**data), sampling))


def diagnose(trace: Trace, names: list[str]) -> Health:
    """Judge draws by R-hat, effective sample sizes, divergences and energy.

    Parameters
    ----------
    trace : InferenceData or DataTree
        Draws.
    names : list of str
        Variables to judge. Elements that never move (a reference level) are left out.

    Returns
    -------
    Health
        Worst case over all quantities.
    """
    table = summary_statistics(trace, names)
    posterior = draws_of(trace)
    moving = {name: posterior[name].std(axis=(0, 1)) > 0 for name in names}
    flat = {
        key: np.concatenate([np.atleast_1d(values[name][moving[name]]).ravel() for name in names])
        for key, values in table.items()
    }
    labels = [
        f"{name}{list(map(int, index))}" if index else name
        for name in names
        for index in np.argwhere(moving[name]).tolist() or [[]] * int(moving[name].sum())
    ]
    sample_stats = draws_of(trace, "sample_stats")
    return Health(
        r_hat=_worst(flat["r_hat"], np.max),
        ess_bulk=_worst(flat["ess_bulk"], np.min),
        ess_tail=_worst(flat["ess_tail"], np.min),
        divergences=int(sample_stats["diverging"].sum()),
        e_bfmi=float(e_bfmi(sample_stats["energy"]).min()),
        worst=labels[int(np.argmin(flat["ess_bulk"]))] if labels else "",
    )


def _worst(values: FloatArray, pick: Callable[[FloatArray], float]) -> float:
    """Largest or smallest; a value that is not a number is the worst of all."""
    return float("nan") if np.isnan(values).any() else float(pick(values))


def e_bfmi(energy_cd: FloatArray) -> FloatArray:
    """Estimate of the energy Bayesian fraction of missing information of each chain.

    Parameters
    ----------
    energy_cd : ndarray of float, shape (chain, draw)
        Hamiltonian energies.

    Returns
    -------
    ndarray of float, shape (chain,)
        Mean squared step of the energy over its variance.
    """
    steps = np.square(np.diff(energy_cd, axis=1)).mean(axis=1)
    out: FloatArray = steps / energy_cd.var(axis=1)
    return out


def provenance_text(fits: Mapping[str, Fit]) -> str:
    """Say what draws came from: seed, versions of libraries, signs of each model's health."""
    seeds = {fitted.sampling.seed for fitted in fits.values()}
    libraries = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    models = "; ".join(f"{name}: {fitted.health.text}" for name, fitted in fits.items())
    return f"seed {', '.join(map(str, seeds))}; {libraries}; {models}"
