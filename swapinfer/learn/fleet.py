"""One call from a fleet's exposure to an overlay of lives and its report."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.compat import library_versions, save_draws
from swapinfer.learn.exposure import Exposure, read_exposure
from swapinfer.learn.fit import Fit, Sampling, Starting, fit, quietly
from swapinfer.learn.learn import OVERLAY, REFUSED, REPORT
from swapinfer.learn.lives import FAMILY_SD, LifePriors, Lives, life_model
from swapinfer.learn.overlay import base_text, overlay_head, sampler_text
from swapinfer.learn.ratios import INTERVAL
from swapinfer.pack.model import Mode, Pack
from swapinfer.units import NORMAL_90

SOURCE = "learned-lives"
SHAPE_SPREAD = 1.3
"""Geometric standard deviation of a shape around the pack's; our choice, no source: nine in ten
shapes then lie within a factor of about one and a half."""


@dataclass(frozen=True, slots=True)
class LearnedLife:
    """What a fleet says about the life of one mode.

    Attributes
    ----------
    cause : str
        ``"kind.mode"``.
    failures : int
        In this mode.
    base_life : tuple of float
        Low, median and high of the Weibull scale in km before the fleet; 90 % interval.
    life : tuple of float
        The same after it.
    base_shape, shape : tuple of float
        The same of the Weibull shape.
    median, spread : float
        Life as the overlay states it: such that with the median shape the cumulative hazard is
        each draw's at the age where the draws agree best.
    """

    cause: str
    failures: int
    base_life: tuple[float, float, float]
    life: tuple[float, float, float]
    base_shape: tuple[float, float, float]
    shape: tuple[float, float, float]
    median: float
    spread: float


@dataclass(frozen=True, slots=True)
class LivesResult:
    """What learning lives wrote, and the numbers behind it.

    Attributes
    ----------
    overlay, report, refused, draws : Path
        Files, and a Zarr store in the ArviZ layout.
    exposure : Exposure
        Of the fleet.
    lives : tuple of LearnedLife
        Summaries.
    fitted : Fit
        Draws.
    provenance : str
        Told as the overlay's source.
    """

    overlay: Path
    report: Path
    refused: Path
    draws: Path
    exposure: Exposure
    lives: tuple[LearnedLife, ...]
    fitted: Fit
    provenance: str


def learn_lives(
    table: Path,
    pack: Pack,
    *,
    seed: int,
    out: Path,
    sampling: Sampling | None = None,
    progress: bool = False,
    starting: Starting = quietly,
) -> LivesResult:
    """Learn lives and shapes of the modes of every kind whose exposure is known.

    Parameters
    ----------
    table : Path
        Exposure of the fleet, with the columns of `swapinfer.learn.tables.EXPOSURE`.
    pack : Pack
        Base pack, the prior.
    seed : int
        The same seed on the same data and libraries gives the same overlay.
    out : Path
        Folder to write to; it is made if need be.
    sampling : Sampling, optional
        Settings of the first attempt.
    progress : bool
        Whether to show progress bars.
    starting : callable
        Called when everything has been looked at and sampling is next.

    Returns
    -------
    LivesResult

    Raises
    ------
    LearnError
        If the table cannot be read or the sampler does not become healthy; then no overlay is
        written.
    """
    from swapinfer.learn.lives_report import lives_html

    out.mkdir(parents=True, exist_ok=True)
    exposure = read_exposure(table, pack, refused_to=out / REFUSED)
    data = exposure.lives
    starting()
    model = life_model(data, life_priors(pack, data))
    fitted = fit(model, seed=seed, sampling=sampling, progress=progress)
    result = LivesResult(
        overlay=out / OVERLAY,
        report=out / REPORT,
        refused=out / REFUSED,
        draws=out / "draws-lives.zarr",
        exposure=exposure,
        lives=learned_lives(fitted, data, pack),
        fitted=fitted,
        provenance=_provenance(exposure, pack, fitted, seed),
    )
    save_draws(fitted.trace, result.draws)
    result.report.write_text(lives_html(result, pack), encoding="utf-8")
    version = f"{exposure.digest[:8]}-{seed}"
    text = lives_overlay(result.lives, version, result.provenance)
    result.overlay.write_text(text, encoding="utf-8")
    return result


def modes_of(pack: Pack, data: Lives) -> list[Mode]:
    """Modes of the data as the pack has them."""
    pairs = [cause.split(".") for cause in data.modes]
    return [pack.kinds[kind].modes[mode] for kind, mode in pairs]


def life_priors(pack: Pack, data: Lives) -> LifePriors:
    """Take the pack's belief about each mode.

    Parameters
    ----------
    pack : Pack
        Base pack.
    data : Lives
        Whose modes and families they are to be for.

    Returns
    -------
    LifePriors
        A hazard ratio in the pack is taken into the scale, since the fleet saw both together.
        With a single family there is nothing to pool.
    """
    modes = modes_of(pack, data)
    ratio_m = np.array([mode.hazard_ratio.median for mode in modes])
    shape_m = np.array([mode.shape for mode in modes])
    return LifePriors(
        scale_m=np.array([mode.life_km.median for mode in modes]) * ratio_m ** (-1 / shape_m),
        scale_spread_m=np.array([mode.life_km.spread for mode in modes]),
        shape_m=shape_m,
        shape_spread_m=np.full(len(modes), SHAPE_SPREAD),
        pooling=FAMILY_SD if len(data.families) > 1 else None,
    )


def learned_lives(fitted: Fit, data: Lives, pack: Pack) -> tuple[LearnedLife, ...]:
    """Sum up the draws, mode by mode; lives are for the fleet's mix of families."""
    shape_dm = fitted.array("shape")
    log_life_dm = mixed_log_scale(fitted.array("scale"), shape_dm, data)
    found = []
    for m, mode in enumerate(modes_of(pack, data)):
        shape_d = shape_dm[:, m]
        log_life_d = log_life_dm[:, m] + math.log(mode.hazard_ratio.median) / shape_d
        median, spread = at_one_shape(log_life_d, shape_d)
        found.append(
            LearnedLife(
                cause=data.modes[m],
                failures=int(data.failures_mf[m].sum()),
                base_life=_log_normal(mode.life_km.median, mode.life_km.spread),
                life=_middle(np.exp(log_life_d)),
                base_shape=_log_normal(mode.shape, SHAPE_SPREAD),
                shape=_middle(shape_d),
                median=median,
                spread=spread,
            )
        )
    return tuple(found)


def mixed_log_scale(scale_dmf: FloatArray, shape_dm: FloatArray, data: Lives) -> FloatArray:
    r"""Give the log scale of the whole fleet.

    Parameters
    ----------
    scale_dmf : ndarray of float, shape (draw, mode, family)
        Scales.
    shape_dm : ndarray of float, shape (draw, mode)
        Shapes.
    data : Lives
        For how far each family's elements were driven.

    Returns
    -------
    ndarray of float, shape (draw, mode)
        Such that :math:`(t/\eta)^k` is the mean of the families' cumulative hazards, each with
        the share of the distance over which its elements were watched.
    """
    driven_mr = data.weight_mr * (data.leave_r - data.enter_r)
    driven_mf = np.zeros(data.failures_mf.shape)
    np.add.at(driven_mf.T, data.family_r, driven_mr.T)
    share_mf = driven_mf / driven_mf.sum(axis=1, keepdims=True)
    log_scale_dmf = np.log(scale_dmf)
    middle_dm = log_scale_dmf.mean(axis=2)
    apart_dmf = log_scale_dmf - middle_dm[:, :, None]
    hazard_dm = (share_mf * np.exp(-shape_dm[:, :, None] * apart_dmf)).sum(axis=2)
    out: FloatArray = middle_dm - np.log(hazard_dm) / shape_dm
    return out


def at_one_shape(log_life_d: FloatArray, shape_d: FloatArray) -> tuple[float, float]:
    r"""Say draws of life and shape as one shape and an uncertain life.

    Parameters
    ----------
    log_life_d, shape_d : ndarray of float, shape (draw,)
        Draws of log scale and of shape, which go together: a fleet that is young yet knows its
        hazard so far much better than its life.

    Returns
    -------
    median, spread : float
        Of the life that with the median shape gives each draw's cumulative hazard at one age.

    Notes
    -----
    The log cumulative hazard at log age :math:`u` is :math:`k u - k \log\eta`; its variance over
    the draws is least at :math:`u = \mathrm{cov}(k, k \log\eta) / \mathrm{var}(k)`. Draws of
    shape and life that are independent, as in the prior, come back as they are.
    """
    shape = float(np.median(shape_d))
    cumulated_d = shape_d * log_life_d
    (variance, together), _ = np.cov(shape_d, cumulated_d)
    log_age = together / variance
    log_d = log_age - (shape_d * log_age - cumulated_d) / shape
    return float(np.exp(np.median(log_d))), float(np.exp(log_d.std()))


def _middle(value_d: FloatArray) -> tuple[float, float, float]:
    low, high = INTERVAL
    ends = np.quantile(value_d, (low, 0.5, high))
    return float(ends[0]), float(ends[1]), float(ends[2])


def _log_normal(median: float, spread: float) -> tuple[float, float, float]:
    """Give ends and middle of the 90 % interval of a log-normal."""
    factor = spread**NORMAL_90
    return median / factor, median, median * factor


def lives_overlay(lives: tuple[LearnedLife, ...], version: str, provenance: str) -> str:
    """Write an overlay that sets life and shape of each mode, and nothing else."""
    lines = overlay_head("a fleet's exposure", SOURCE, version, SOURCE, provenance)
    for one in lives:
        kind, mode = one.cause.split(".")
        spread = max(one.spread, 1.0)
        lines += [
            "",
            f"[element.{kind}.mode.{mode}]  # {one.failures} failures",
            f"life_km = {{ median = {one.median:.5g}, spread = {spread:.4g} }}",
            f"shape = {one.shape[1]:.4g}",
        ]
    return "\n".join(lines) + "\n"


def _provenance(exposure: Exposure, pack: Pack, fitted: Fit, seed: int) -> str:
    driven = "; ".join(f"{kind} {km:.4g} km" for kind, km in exposure.element_km.items())
    retried = f"; second attempt, since {fitted.retried}" if fitted.retried else ""
    sampler = sampler_text(seed, library_versions(), {"lives": fitted.health})
    return (
        f"learned from {exposure.used} rows of a fleet's exposure ({driven}; "
        f"{exposure.lives.failures_mf.sum():.0f} failures), {exposure.refused.total()} rows "
        f"refused, data sha256 {exposure.digest}; on {base_text(pack)}, shapes with a spread of "
        f"{SHAPE_SPREAD:g}; {sampler}{retried}"
    )
