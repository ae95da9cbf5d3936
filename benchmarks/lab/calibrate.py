"""Whether learning is calibrated: simulate shops from the prior, fit them, rank the truth.

Source of the method: Talts, Betancourt, Simpson, Vehtari and Gelman, "Validating Bayesian inference
algorithms with simulation-based calibration", 2018 (arXiv 1804.06788).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.sampling import INTERVAL, Model, Sampling, Target, draws_of, run_nuts

Simulate = Callable[[np.random.Generator], tuple[Mapping[str, FloatArray], FloatArray]]
"""Draws a truth from the prior and data from it: replaced data of the model, true quantities."""
Quantities = Callable[[Mapping[str, FloatArray]], FloatArray]
"""From draws (draw, ...) of each variable to draws of the quantities, shape (draw, quantity)."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """What simulated shops show.

    Attributes
    ----------
    rank_sq : ndarray of int, shape (shop, quantity)
        How many of the thinned draws lie below the truth.
    n_ranks : int
        Ranks that are possible, one more than there are thinned draws.
    covered_sq : ndarray of bool, shape (shop, quantity)
        Whether the 90 % interval holds the truth.
    """

    rank_sq: IntArray
    n_ranks: int
    covered_sq: FloatArray

    @property
    def coverage(self) -> float:
        """Share of the 90 % intervals that hold the truth."""
        return float(self.covered_sq.mean())

    def p_values(self, bins: int = 10) -> FloatArray:
        """Chi-square test of uniform ranks, one p-value a quantity.

        Parameters
        ----------
        bins : int
            Must divide the number of possible ranks.

        Returns
        -------
        ndarray of float, shape (quantity,)
        """
        from scipy.stats import chisquare

        binned_sq = self.rank_sq * bins // self.n_ranks
        counts_bq = np.stack([(binned_sq == b).sum(axis=0) for b in range(bins)])
        out: FloatArray = np.asarray(chisquare(counts_bq, axis=0).pvalue)
        return out


def calibrate(
    model: Model,
    simulate: Simulate,
    quantities: Quantities,
    *,
    shops: int,
    seed: int,
    draws: int = 495,
) -> Calibration:
    """Fit a model to many shops drawn from its own prior.

    Parameters
    ----------
    model : pymc.Model
        Its data are replaced by what `simulate` gives; it is compiled once.
    simulate : callable
        Draws a shop.
    quantities : callable
        What to judge.
    shops : int
        How many.
    seed : int
        Of shops and sampler.
    draws : int
        Kept draws of one chain; every fifth is ranked.

    Returns
    -------
    Calibration
    """
    target = Target.of_model(model)
    rng = np.random.default_rng(seed)
    ranks, covered = [], []
    for shop in range(shops):
        data, truth_q = simulate(rng)
        sampling = Sampling(seed=seed + shop, draws=draws, chains=1, cores=1, target_accept=0.8)
        drawn = replace(target, compiled=target.compiled.with_data(**data))
        trace = run_nuts(drawn, sampling)
        flat = {name: values[0] for name, values in draws_of(trace).items()}
        drawn_dq = quantities(flat)
        ranks.append((drawn_dq[::5] < truth_q).sum(axis=0))
        low_q, high_q = np.quantile(drawn_dq, INTERVAL, axis=0)
        covered.append((low_q <= truth_q) & (truth_q <= high_q))
    return Calibration(np.stack(ranks), len(drawn_dq[::5]) + 1, np.stack(covered).astype(float))
