"""Lives learned from the exposure of a fleet that knows how far its vehicles were driven.

Weibull lives from failures and from everything that did not fail.
"""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from swapinfer.errors import near_match
from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn import tables
from swapinfer.learn.prior import pack_text, titles_of
from swapinfer.learn.sampling import (
    INTERVAL,
    Fit,
    Model,
    Sampling,
    Target,
    fit,
    provenance_text,
    quiet,
)
from swapinfer.pack.hazard import cause_modes
from swapinfer.pack.model import Pack
from swapinfer.physics import MOST_KM
from swapinfer.units import NORMAL_90

if TYPE_CHECKING:
    import pandas as pd


class Lives(Struct, frozen=True, eq=False):
    """Sufficient statistics of failures with right-censoring and left truncation.

    Axes: ``m`` mode, ``f`` family, ``r`` stretch of exposure. `log_age_mf` sums the natural logs of
    ages at failure. Elements were watched between two ages: entering above 0 is left truncation,
    leaving without a failure is right-censoring; `weight_mr` is how many of them can fail in a
    mode.
    """

    modes: tuple[str, ...]
    families: tuple[str, ...]
    failures_mf: FloatArray
    log_age_mf: FloatArray
    family_r: IntArray
    enter_r: FloatArray
    leave_r: FloatArray
    weight_mr: FloatArray

    @property
    def driven_mf(self) -> FloatArray:
        """Distance over which each family's elements were watched, shape (mode, family)."""
        driven_mr = self.weight_mr * (self.leave_r - self.enter_r)
        driven_mf = np.zeros(self.failures_mf.shape)
        np.add.at(driven_mf.T, self.family_r, driven_mr.T)
        return driven_mf


class Exposure(Struct, frozen=True, eq=False):
    """What a fleet saw, how far elements of each kind went, and what happened to the rows."""

    lives: Lives
    used: int
    refused: Counter[str]
    element_km: dict[str, float]
    digest: str


def read_exposure(path: Path, pack: Pack, *, refused_to: Path | None = None) -> Exposure:
    """Check and sum up a table of exposure; refused rows go to a CSV file with line and reason."""
    modes = {kind.id: tuple(kind.modes) for kind in pack.kinds.values()}
    good, bad = check_exposure(tables.read_table(path, tables.EXPOSURE), modes)
    refused = tables.write_refused({"exposure": bad}, refused_to)
    if good.empty:
        raise tables.none_left(path, refused)
    good = good.assign(
        kind=good["kind"].astype(object),
        family=tables.pool_rare(good["family"]),
        failed=good["failed"].astype(object),
    )
    driven = good["count"] * (good["to_km"] - good["from_km"])
    return Exposure(
        lives=_sum_up(good, pack),
        used=len(good),
        refused=refused,
        element_km={str(k): float(km) for k, km in driven.groupby(good["kind"]).sum().items()},
        digest=tables.digest_of([path]),
    )


def check_exposure(
    frame: pd.DataFrame, modes: dict[str, tuple[str, ...]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of an exposure table into good and refused; counts and distances as numbers."""
    rows = tables.Checks(frame, tables.EXPOSURE)
    rows.unknown("kind", modes)
    rows.not_word("family")
    rows.unlike("count", tables.WHOLE, "a whole number from 1")
    for column in ("from_km", "to_km"):
        rows.missing(column)
        rows.not_number(column, 0.0, MOST_KM)
    numbers = {name: tables.numbers_of(frame[name]) for name in ("count", "from_km", "to_km")}
    kind, count, failed = frame["kind"], frame["count"], frame["failed"]
    begun, ended = frame["from_km"], frame["to_km"]
    rows.refuse(
        ~(numbers["to_km"] > numbers["from_km"]),
        lambda row: f'to_km "{ended.iloc[row]}" is not above from_km "{begun.iloc[row]}"',
    )
    is_own = failed == ""
    for name, own in modes.items():
        is_own |= (kind == name) & failed.isin(own)
    rows.refuse(
        ~is_own,
        lambda row: (
            f'failed "{failed.iloc[row]}" is no mode of {kind.iloc[row]}'
            f"{near_match(failed.iloc[row], modes[kind.iloc[row]])}"
        ),
    )
    rows.refuse(
        (failed != "") & (numbers["count"] != 1),
        lambda row: f'count "{count.iloc[row]}" is not 1, but a failure has a row of its own',
    )
    good, refused = rows.split()
    return good.assign(
        **{name: values[rows.reason == ""] for name, values in numbers.items()}
    ), refused


def _sum_up(good: pd.DataFrame, pack: Pack) -> Lives:
    """Sum up failures, and count elements over each distinct stretch."""
    watched = set(good["kind"])
    modes = [(k.id, mode) for k in pack.kinds.values() if k.id in watched for mode in k.modes]
    families = sorted(set(good["family"]))
    number_of = {mode: number for number, mode in enumerate(modes)}
    failed = good[good["failed"] != ""]
    pairs = zip(failed["kind"], failed["failed"], strict=True)
    mode_n = np.array([number_of[pair] for pair in pairs], dtype=np.intp)
    family_n = np.searchsorted(families, failed["family"])
    failures_mf = np.zeros((len(modes), len(families)))
    log_age_mf = np.zeros_like(failures_mf)
    np.add.at(failures_mf, (mode_n, family_n), 1.0)
    np.add.at(log_age_mf, (mode_n, family_n), np.log(failed["to_km"].to_numpy()))
    stretch = good.groupby(["kind", "family", "from_km", "to_km"], as_index=False)["count"].sum()
    kind_m = np.array([kind for kind, _ in modes], dtype=object)
    exposed_mr = kind_m[:, None] == stretch["kind"].to_numpy(dtype=object)
    return Lives(
        modes=tuple(f"{kind}.{mode}" for kind, mode in modes),
        families=tuple(families),
        failures_mf=failures_mf,
        log_age_mf=log_age_mf,
        family_r=np.searchsorted(families, stretch["family"]),
        enter_r=stretch["from_km"].to_numpy(),
        leave_r=stretch["to_km"].to_numpy(),
        weight_mr=np.where(exposed_mr, stretch["count"].to_numpy(), 0.0),
    )


FAMILY_SD = 0.3
"""Scale of the half-normal of the families' standard deviation of log scale; our choice."""
SHAPE_SPREAD = 1.3
"""Geometric standard deviation of a shape around the pack's; our choice, no source: nine in ten
shapes then lie within a factor of about one and a half."""


class LifePriors(Struct, frozen=True, eq=False):
    """Belief about shape and scale of each mode: medians, and geometric standard deviations."""

    scale_m: FloatArray
    scale_spread_m: FloatArray
    shape_m: FloatArray
    shape_spread_m: FloatArray


def life_priors(pack: Pack, data: Lives) -> LifePriors:
    """Take the pack's belief; hazard ratios go into the scale, since the fleet saw both."""
    of = cause_modes(pack)
    modes = [of[name] for name in data.modes]
    ratio_m = np.array([mode.hazard_ratio.median for mode in modes])
    shape_m = np.array([mode.shape for mode in modes])
    return LifePriors(
        scale_m=np.array([mode.life_km.median for mode in modes]) * ratio_m ** (-1 / shape_m),
        scale_spread_m=np.array([mode.life_km.spread for mode in modes]),
        shape_m=shape_m,
        shape_spread_m=np.full(len(modes), SHAPE_SPREAD),
    )


def life_model(data: Lives, priors: LifePriors) -> Model:
    r"""Build the Weibull model of the ages at which modes appear.

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
        typical_m = np.log(priors.scale_spread_m) * pm.Normal("life_raw", dims="mode")
        log_scale_mf = (np.log(priors.scale_m) + typical_m)[:, None] + np.zeros(len(data.families))
        if len(data.families) > 1:
            family_sd = pm.HalfNormal("family_sd", FAMILY_SD)
            apart_mf = family_sd * pm.Normal("family_raw", dims=("mode", "family"))
            log_scale_mf = log_scale_mf + apart_mf
        pm.Deterministic("scale", np.exp(log_scale_mf), dims=("mode", "family"))
        shape_m1 = shape_m[:, None]
        log_hazard_mf = pm.Data("failures", data.failures_mf) * (
            pt.log(shape_m1) - shape_m1 * log_scale_mf
        ) + (shape_m1 - 1) * pm.Data("log_age", data.log_age_mf)
        log_scale_mr = log_scale_mf[:, data.family_r]
        # At age 0, so early that it has a logarithm, nothing has accumulated.
        log_enter_r, log_leave_r = np.log(np.maximum([data.enter_r, data.leave_r], 1e-30))
        passed_mr = pt.exp(shape_m1 * (pm.Data("log_leave", log_leave_r) - log_scale_mr))
        before_mr = pt.exp(shape_m1 * (pm.Data("log_enter", log_enter_r) - log_scale_mr))
        weight_mr = pm.Data("weight", data.weight_mr)
        pm.Potential(
            "log_lives", pt.sum(log_hazard_mf) - pt.sum(weight_mr * (passed_mr - before_mr))
        )
    return model


class LearnedLife(Struct, frozen=True):
    """What a fleet says about the life of one mode.

    Weibull scale in km and shape before the fleet and after it, each as low, median and high (90
    %); `median` and `spread` are the life as the overlay states it, from `at_one_shape`.
    """

    cause: str
    failures: int
    base_life: tuple[float, float, float]
    life: tuple[float, float, float]
    base_shape: tuple[float, float, float]
    shape: tuple[float, float, float]
    median: float
    spread: float


class LearnedLives(Struct, frozen=True, eq=False):
    """What a fleet's exposure says, of a family or the whole mix, and all that its report tells."""

    exposure: Exposure
    modes: tuple[LearnedLife, ...]
    fitted: Fit
    pack: str
    titles: dict[str, str]
    family: str = ""

    @property
    def provenance(self) -> str:
        """Where the numbers come from, in one paragraph."""
        exposure, retried = self.exposure, self.fitted.retried
        driven = "; ".join(f"{kind} {km:.4g} km" for kind, km in exposure.element_km.items())
        scope = f"for family {self.family} " if self.family else ""
        return (
            f"learned {scope}from {exposure.used} rows of a fleet's exposure ({driven}; "
            f"{exposure.lives.failures_mf.sum():.0f} failures), {exposure.refused.total()} rows "
            f"refused, data sha256 {exposure.digest}; on {self.pack}, shapes with a spread of "
            f"{SHAPE_SPREAD:g}; {provenance_text({'lives': self.fitted})}"
            + (f"; second attempt, since {retried}" if retried else "")
        )


def learn_exposure(
    exposure: Exposure, pack: Pack, sampling: Sampling, family: str = ""
) -> LearnedLives:
    """Learn lives from exposure; as `swapinfer.learn.learn.learn_lives`, without files."""
    data = exposure.lives
    tables.check_family(family, data.families)
    sampling.starting()
    with quiet():
        import pymc  # noqa: F401  loaded for its silence
    fitted = fit(Target.of_model(life_model(data, life_priors(pack, data))), sampling)
    shape_dm = fitted.array("shape")
    asked_f = np.array([family in ("", name) for name in data.families])
    driven_mf = data.driven_mf * asked_f
    log_life_dm = mixed_log_scale(fitted.array("scale"), shape_dm, driven_mf)
    of, found = cause_modes(pack), []
    for m, name in enumerate(data.modes):
        mode = of[name]
        if not driven_mf[m].any():
            continue
        shape_d = shape_dm[:, m]
        log_life_d = log_life_dm[:, m] + math.log(mode.hazard_ratio.median) / shape_d
        median, spread = at_one_shape(log_life_d, shape_d)
        found.append(
            LearnedLife(
                cause=name,
                failures=int(data.failures_mf[m, asked_f].sum()),
                base_life=_log_normal(mode.life_km.median, mode.life_km.spread),
                life=_middle(np.exp(log_life_d)),
                base_shape=_log_normal(mode.shape, SHAPE_SPREAD),
                shape=_middle(shape_d),
                median=median,
                spread=spread,
            )
        )
    return LearnedLives(
        exposure=exposure,
        modes=tuple(found),
        fitted=fitted,
        pack=pack_text(pack),
        titles=titles_of(pack),
        family=family,
    )


def mixed_log_scale(
    scale_dmf: FloatArray, shape_dm: FloatArray, driven_mf: FloatArray
) -> FloatArray:
    r"""Log scale of a mix of families, shape (draw, mode).

    Such that :math:`(t/\eta)^k` is the mean of the families' cumulative hazards, each with the
    share of the distance over which its elements were watched; 0 for those that do not count.
    """
    watched_m = driven_mf.any(axis=1)
    share_mf = np.ones_like(driven_mf) / driven_mf.shape[1]
    share_mf[watched_m] = driven_mf[watched_m] / driven_mf[watched_m].sum(axis=1, keepdims=True)
    log_scale_dmf = np.log(scale_dmf)
    middle_dm = log_scale_dmf.mean(axis=2)
    apart_dmf = log_scale_dmf - middle_dm[:, :, None]
    hazard_dm = (share_mf * np.exp(-shape_dm[:, :, None] * apart_dmf)).sum(axis=2)
    out: FloatArray = middle_dm - np.log(hazard_dm) / shape_dm
    return out


def at_one_shape(log_life_d: FloatArray, shape_d: FloatArray) -> tuple[float, float]:
    r"""Say draws of life and shape, which go together, as one shape and an uncertain life.

    Its median and spread, such that with the median shape it gives each draw's cumulative hazard at
    one age: a fleet that is young yet knows its hazard so far much better than its life. The log
    cumulative hazard at log age :math:`u` is :math:`k u - k \log\eta`; its variance over the draws
    is least at :math:`u = \mathrm{cov}(k, k \log\eta) / \mathrm{var}(k)`. Draws of shape and life
    that are independent, as in the prior, come back as they are.
    """
    shape = float(np.median(shape_d))
    cumulated_d = shape_d * log_life_d
    (variance, together), _ = np.cov(shape_d, cumulated_d)
    log_age = together / variance
    log_d = log_age - (shape_d * log_age - cumulated_d) / shape
    return float(np.exp(np.median(log_d))), float(np.exp(log_d.std()))


def _middle(value_d: FloatArray) -> tuple[float, float, float]:
    low, middle, high = np.quantile(value_d, (INTERVAL[0], 0.5, INTERVAL[1])).tolist()
    return low, middle, high


def _log_normal(median: float, spread: float) -> tuple[float, float, float]:
    """Give ends and middle of the 90 % interval of a log-normal."""
    factor = spread**NORMAL_90
    return median / factor, median, median * factor
