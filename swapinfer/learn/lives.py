"""Weibull lives from failures and the exposure of everything that did not fail."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.compat import Model, Tensor
from swapinfer.learn.models import Hyperprior, half_normal


@dataclass(frozen=True, slots=True)
class Lives:
    """Sufficient statistics of failures with right-censoring and left truncation.

    Axes: ``m`` mode, ``f`` family, ``r`` stretch of exposure.

    Attributes
    ----------
    modes, families : tuple of str
        Their names.
    failures_mf : ndarray of float, shape (mode, family)
        How many failed.
    log_age_mf : ndarray of float, shape (mode, family)
        Sum of the natural logs of their ages at failure.
    family_r : ndarray of int, shape (stretch,)
        Family that drove it.
    enter_r, leave_r : ndarray of float, shape (stretch,)
        Ages between which it was watched; entering above 0 is left truncation, leaving without a
        failure is right-censoring.
    weight_mr : ndarray of float, shape (mode, stretch)
        How many elements that can fail in this mode were watched over the stretch.
    """

    modes: tuple[str, ...]
    families: tuple[str, ...]
    failures_mf: FloatArray
    log_age_mf: FloatArray
    family_r: IntArray
    enter_r: FloatArray
    leave_r: FloatArray
    weight_mr: FloatArray


FAMILY_SD = half_normal(0.3)


@dataclass(frozen=True, slots=True)
class LifePriors:
    """Belief about shape and scale of each mode before the fleet's own failures.

    Attributes
    ----------
    scale_m, scale_spread_m : ndarray of float, shape (mode,)
        Median and geometric standard deviation of the Weibull scale.
    shape_m, shape_spread_m : ndarray of float, shape (mode,)
        The same of the shape.
    pooling : callable or None
        Hyperprior of the families' standard deviation of log scale; None when they are all one.
    """

    scale_m: FloatArray
    scale_spread_m: FloatArray
    shape_m: FloatArray
    shape_spread_m: FloatArray
    pooling: Hyperprior | None = FAMILY_SD


def life_model(data: Lives, priors: LifePriors) -> Model:
    r"""Build the Weibull model of the ages at which modes appear.

    Parameters
    ----------
    data : Lives
        Sufficient statistics.
    priors : LifePriors
        Belief about each mode.

    Returns
    -------
    pymc.Model
        With ``shape`` (mode) and ``scale`` (mode, family).

    Notes
    -----
    With :math:`H(t) = (t/\eta)^k` the log-likelihood is the sum of
    :math:`\log k - k \log\eta + (k-1)\log t` over failures, less the sum of
    :math:`H(\mathrm{leave}) - H(\mathrm{enter})` over everything that was watched, failed or not.
    """
    import pymc as pm
    import pytensor.tensor as pt

    coords = {"mode": list(data.modes), "family": list(data.families)}
    with pm.Model(coords=coords) as model:
        shape_m = pm.LogNormal(
            "shape", np.log(priors.shape_m), np.log(priors.shape_spread_m), dims="mode"
        )
        log_scale_mf = _log_scale(data, priors)
        shape_m1 = shape_m[:, None]
        log_hazard_mf = pm.Data("failures", data.failures_mf) * (
            pt.log(shape_m1) - shape_m1 * log_scale_mf
        ) + (shape_m1 - 1) * pm.Data("log_age", data.log_age_mf)
        log_scale_mr = log_scale_mf[:, data.family_r]
        passed_mr = pt.exp(shape_m1 * (pm.Data("log_leave", _log(data.leave_r)) - log_scale_mr))
        before_mr = pt.exp(shape_m1 * (pm.Data("log_enter", _log(data.enter_r)) - log_scale_mr))
        weight_mr = pm.Data("weight", data.weight_mr)
        pm.Potential(
            "log_lives", pt.sum(log_hazard_mf) - pt.sum(weight_mr * (passed_mr - before_mr))
        )
    return model


def _log_scale(data: Lives, priors: LifePriors) -> Tensor:
    import pymc as pm

    raw_m = pm.Normal("life_raw", dims="mode")
    typical_m = np.log(priors.scale_m) + np.log(priors.scale_spread_m) * raw_m
    log_scale_mf = typical_m[:, None]
    if priors.pooling is not None:
        sd = priors.pooling("family_sd")
        log_scale_mf = log_scale_mf + sd * pm.Normal("family_raw", dims=("mode", "family"))
    else:
        log_scale_mf = log_scale_mf + np.zeros((1, len(data.families)))
    pm.Deterministic("scale", np.exp(log_scale_mf), dims=("mode", "family"))
    return log_scale_mf


def _log(age_r: FloatArray) -> FloatArray:
    """Log of an age, with age 0 standing so early that nothing has accumulated by then."""
    out: FloatArray = np.log(np.maximum(age_r, 1e-30))
    return out
