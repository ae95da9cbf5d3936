"""Age and exposure to the prior chance of a mode, and how causes share misfires out beforehand."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from swapinfer.layout import places_of
from swapinfer.pack.engine import is_fitted
from swapinfer.pack.model import Mode, Pack

FloatArray = NDArray[np.float64]

NODES = 121
WIDTH = 9.0
"""Standard deviations that the quadrature spans on either side."""

Z_N = np.linspace(-WIDTH, WIDTH, NODES)
WEIGHT_N = np.exp(-0.5 * Z_N**2) / np.exp(-0.5 * Z_N**2).sum()


def mode_prior(mode: Mode, age_km: float, exposure_km: float) -> float:
    """Chance that a mode appeared within the exposure window, its uncertain rate averaged out.

    Parameters
    ----------
    mode : Mode
        Life, shape, latent distance and hazard ratio are used.
    age_km : float
        Distance on the element, not negative.
    exposure_km : float
        Distance since the engine last ran well.

    Returns
    -------
    float
        Mean of ``1 - exp(-(H(t) - H(t - w)))`` with ``H(t) = ratio * (t / life)**shape``.

    Notes
    -----
    The window ``w`` is the exposure or the mode's latent distance, whichever is longer, and never
    longer than the age. Life and hazard ratio are log-normal, hence so is the cumulative hazard.
    The mean over it is taken by the trapezoid rule, which for such integrands, analytic and gone
    at both ends, converges faster than any power of the spacing.

    References
    ----------
    Weibull, W. (1951), J. Appl. Mech. 18, 293-297, for the hazard; Trefethen, L. N. & Weideman,
    J. A. C. (2014), SIAM Review 56(3), 385-458, for the quadrature.
    """
    return float(WEIGHT_N @ mode_prior_draws(mode, age_km, exposure_km, Z_N))


def mode_prior_draws(mode: Mode, age_km: float, exposure_km: float, z_d: FloatArray) -> FloatArray:
    """Chance that a mode appeared, for each of several draws of its uncertain rate.

    Parameters
    ----------
    mode, age_km, exposure_km
        As for `mode_prior`, which is the mean of this over the normal distribution.
    z_d : ndarray of float, shape (draw,)
        Standard normal; 0 is the median rate.

    Returns
    -------
    ndarray of float, shape (draw,)
    """
    window_km = min(max(exposure_km, mode.latent_km), age_km)
    share = window_km / age_km if age_km > 0 else 0.0
    if share <= 0:
        return np.zeros_like(z_d)
    grown = -math.expm1(mode.shape * math.log1p(-share)) if share < 1 else 1.0
    log_lives = math.log(age_km) - math.log(mode.life_km.median)
    log_median = mode.shape * log_lives + math.log(grown) + math.log(mode.hazard_ratio.median)
    log_sd = math.hypot(
        mode.shape * math.log(mode.life_km.spread), math.log(mode.hazard_ratio.spread)
    )
    out: FloatArray = -np.expm1(-np.exp(log_median + log_sd * z_d))
    return out


def cause_modes(pack: Pack) -> dict[str, Mode]:
    """Every mode that can cause a misfire, by ``"kind.mode"``, in the pack's order."""
    return {
        f"{kind.id}.{mode.id}": mode
        for kind in pack.kinds.values()
        for mode in kind.modes.values()
        if mode.misfire > 0
    }


def cause_chances(
    pack: Pack, layout: str, fitment: Mapping[str, str], chance: Callable[[Mode], float]
) -> dict[str, float]:
    """Sum the chances of each cause over the elements of an engine that may have it."""
    counts = {
        kind.id: len(places_of(pack.layouts[layout], kind.id, kind.pattern))
        for kind in pack.kinds.values()
        if is_fitted(kind.fitted, fitment)
    }
    return {
        cause: counts[kind] * chance(mode) if (kind := cause.partition(".")[0]) in counts else 0.0
        for cause, mode in cause_modes(pack).items()
    }


def cause_shares(pack: Pack, layout: str, fitment: Mapping[str, str]) -> dict[str, float]:
    """Share of each cause in the misfires of an engine as old as the pack takes one to be."""
    age_km, exposure_km = pack.running.odometer_km, pack.running.exposure_km
    chances = cause_chances(pack, layout, fitment, lambda m: mode_prior(m, age_km, exposure_km))
    total = sum(chances.values())
    return {cause: chance / total for cause, chance in chances.items()}
