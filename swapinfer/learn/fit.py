"""Draws from a model, and whether they may be believed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from swapinfer.errors import LearnError
from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn import compat

MAX_R_HAT = 1.01
MIN_ESS = 400.0
"""Both as advised by Vehtari, Gelman, Simpson, Carpenter and Buerkner, "Rank-normalization,
folding, and localization: an improved R-hat", Bayesian Analysis 16, 2021."""
MIN_E_BFMI = 0.3
"""Betancourt, "Diagnosing suboptimal cotangent disintegrations in Hamiltonian Monte Carlo",
2016 (arXiv 1604.00695); the number is from memory."""


Starting: TypeAlias = Callable[[], None]
"""Called when everything has been looked at and sampling is next."""


def quietly() -> None:
    """Say nothing before sampling."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """How to sample.

    Attributes
    ----------
    draws, tune : int
        Kept and adaptive draws of each chain.
    chains, cores : int
        Chains, and how many run at once.
    target_accept : float
        Acceptance rate that the step size is adapted to.
    """

    draws: int = 1000
    tune: int = 400
    chains: int = 4
    cores: int = 2
    target_accept: float = 0.85

    def more_careful(self) -> Sampling:
        """Return the settings of the one retry: twice the draws and tuning, smaller steps."""
        return replace(self, draws=2 * self.draws, tune=2 * self.tune, target_accept=0.97)


@dataclass(frozen=True, slots=True)
class Health:
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


@dataclass(frozen=True, slots=True)
class Fit:
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
    """

    trace: compat.Trace
    health: Health
    sampling: Sampling
    retried: str = ""

    def array(self, name: str) -> FloatArray:
        """Draws of one variable, chains end to end; shape (draw, ...)."""
        values = compat.draws(self.trace)[name]
        return values.reshape(-1, *values.shape[2:])


def fit(
    model: compat.Model, *, seed: int, sampling: Sampling | None = None, progress: bool = False
) -> Fit:
    """Sample a model; try once more, more carefully, if the draws are unhealthy.

    Parameters
    ----------
    model : pymc.Model
        What to sample.
    seed : int
        The same seed on the same libraries gives the same draws.
    sampling : Sampling, optional
        Settings of the first attempt.
    progress : bool
        Whether to show a progress bar.

    Returns
    -------
    Fit
        Only ever a healthy one.

    Raises
    ------
    LearnError
        If both attempts miss a threshold; the message names each that is missed.
    """
    return fit_compiled(
        compat.compile_model(model),
        names=[v.name for v in (*model.free_RVs, *model.deterministics)],
        seed=seed,
        sampling=sampling or Sampling(),
        progress=progress,
    )


def fit_compiled(
    compiled: compat.Compiled,
    *,
    names: list[str],
    seed: int,
    sampling: Sampling,
    progress: bool = False,
) -> Fit:
    """Do as `fit` does with a model that is compiled already; `names` are what must be healthy."""
    trace, health = _attempt(compiled, names, seed, sampling, progress=progress)
    if not health.complaints:
        return Fit(trace, health, sampling)
    first = "; ".join(health.complaints)
    careful = sampling.more_careful()
    trace, health = _attempt(compiled, names, seed, careful, progress=progress)
    if health.complaints:
        raise LearnError(
            f"the sampler is not healthy, so no pack is written: {'; '.join(health.complaints)} "
            f"(second attempt, {careful.tune} tuning and {careful.draws} kept draws in each of "
            f"{careful.chains} chains, target acceptance {careful.target_accept}; first attempt: "
            f"{first}). More confirmed jobs, or fewer families and age bands, would help"
        )
    return Fit(trace, health, careful, retried=first)


def _attempt(
    compiled: compat.Compiled, names: list[str], seed: int, sampling: Sampling, *, progress: bool
) -> tuple[compat.Trace, Health]:
    trace = compat.run_nuts(
        compiled,
        seed=seed,
        draws=sampling.draws,
        tune=sampling.tune,
        chains=sampling.chains,
        cores=sampling.cores,
        target_accept=sampling.target_accept,
        progress=progress,
    )
    return trace, diagnose(trace, names)


def diagnose(trace: compat.Trace, names: list[str]) -> Health:
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
    table = compat.summary_statistics(trace, names)
    posterior = compat.draws(trace)
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
    sample_stats = compat.draws(trace, "sample_stats")
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
