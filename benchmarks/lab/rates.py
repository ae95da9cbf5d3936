"""Partially pooled rates of events, for fleets that know the distance driven by all vehicles."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from lab.models import Hyperprior, log_normal

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.sampling import Model, Tensor

RateHyperprior = Callable[[], tuple[Tensor, Tensor]]
"""Makes shape and rate of the gamma distribution of rates inside the model."""


def gamma_rate(alpha: Hyperprior, beta: Hyperprior) -> RateHyperprior:
    """Make the hyperpriors of a gamma distribution of rates from two independent ones."""

    def make() -> tuple[Tensor, Tensor]:
        return alpha("alpha"), beta("beta")

    return make


def rate_around(median: float, log_sd: float, concentration: Hyperprior) -> RateHyperprior:
    """Make the hyperpriors of rates that scatter around one uncertain level."""

    def make() -> tuple[Tensor, Tensor]:
        alpha = concentration("concentration")
        level = log_normal(median, log_sd)("level")
        return alpha, alpha / level

    return make


def rate_model(events_u: IntArray, exposure_u: FloatArray, hyper: RateHyperprior) -> Model:
    """Build the gamma-Poisson model of partially pooled rates.

    Parameters
    ----------
    events_u : ndarray of int, shape (unit,)
        Events of each unit.
    exposure_u : ndarray of float, shape (unit,)
        What they are divided by: running time, or the number that a pack expects, in which case
        the rate is a hazard ratio.
    hyper : callable
        Makes shape and rate of the gamma distribution that the units' rates come from.

    Returns
    -------
    pymc.Model
        With ``rate`` (unit) beside the hyperparameters.
    """
    import pymc as pm

    with pm.Model(coords={"unit": np.arange(len(events_u))}) as model:
        alpha, beta = hyper()
        rate_u = pm.Gamma("rate", alpha, beta, dims="unit")
        exposure = pm.Data("exposure", exposure_u, dims="unit")
        events = pm.Data("events", events_u, dims="unit")
        pm.Poisson("observed", rate_u * exposure, observed=events, dims="unit")
    return model
