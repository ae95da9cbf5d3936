r"""Rates learned from how often elements failed, and how far they were driven in all.

It takes less than `swapinfer.learn.lives`: no ages; and nothing is sampled. Mode m failed
:math:`e_{mf}` times in family f, where the pack expects :math:`E_{mf}`. The hazard ratio of a
family is gamma with shape :math:`\kappa` around the mode's, :math:`\lambda_m`, which is log-normal
around 1 with the pack's spread. Given :math:`\kappa` and :math:`\lambda_m` the events are negative
binomial and the family's ratio is gamma again, with shape :math:`\kappa + e` and rate :math:`\kappa
/ \lambda + E` (Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6). Both are summed out
over grids.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from swapinfer.errors import LearnError
from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.learn import tables
from swapinfer.learn.prior import pack_text, shop_sd, titles_of
from swapinfer.pack.hazard import cause_modes, mode_prior_draws
from swapinfer.pack.model import Pack
from swapinfer.physics import MOST_KM

if TYPE_CHECKING:
    import pandas as pd

LEVELS = np.linspace(-5.0, 5.0, 201)
"""Nodes of a mode's level, in the pack's standard deviations."""
SIMILAR = np.exp(np.linspace(-3.5, 3.5, 29))
"""Nodes of what families are alike, over its median; log-normal, one standard deviation a unit."""
ALIKE = 10.0
"""Median shape of families' ratios about the mode's: they differ by a factor of about 1.4; our
choice, no source."""
MOST_FLEET_KM = 1e15
"""All that a fleet's elements are driven; our choice, no source."""

log_gamma = np.vectorize(math.lgamma, otypes=[np.float64])


class Rates(Struct, frozen=True, eq=False):
    """Events, what the pack expects at its median rates, and its spread of the log hazard."""

    causes: tuple[str, ...]
    families: tuple[str, ...]
    events_mf: FloatArray
    expected_mf: FloatArray
    sd_m: FloatArray
    used: int
    refused: Counter[str]
    digest: str


class LearnedRate(Struct, frozen=True):
    """Hazard ratio of a mode: how often it failed, how often the pack expected, what follows.

    `median` and `spread` are of the log-normal with the posterior's mean and variance.
    """

    cause: str
    events: int
    expected: float
    median: float
    spread: float


class LearnedRates(Struct, frozen=True, eq=False):
    """What rates say, and everything that their overlay tells."""

    rates: Rates
    modes: tuple[LearnedRate, ...]
    pack: str
    family: str
    titles: dict[str, str]

    @property
    def provenance(self) -> str:
        """Where the numbers come from, in one paragraph."""
        scope = f"for family {self.family} " if self.family else ""
        events = sum(one.events for one in self.modes)
        return (
            f"learned {scope}from {self.rates.used} rows of rates ({events} failures), "
            f"{self.rates.refused.total()} rows refused, data sha256 {self.rates.digest}; on "
            f"{self.pack}; gamma-Poisson in closed form, families alike with a shape of about "
            f"{ALIKE:g}"
        )


def read_rates(paths: Sequence[Path], pack: Pack, *, refused_to: Path | None = None) -> Rates:
    """Check and add up tables of rates, of one fleet or of several."""
    import pandas as pd

    of = cause_modes(pack)
    read = [_read(path, list(of)) for path in paths]
    if len({tables.digest_of([path]) for path in paths}) < len(paths):
        raise LearnError("two of the tables are the same; name each once")
    bad = {str(path): rows for path, (_, rows) in zip(paths, read, strict=True)}
    refused = tables.write_refused(bad, refused_to)
    good = pd.concat([rows for rows, _ in read], ignore_index=True)
    if good.empty:
        raise tables.none_left(paths[0], refused)
    named = {name: good[name].astype(object) for name in ("cause", "family")}
    good = good.assign(**named | {"family": tables.pool_rare(named["family"])})
    families = sorted(set(good["family"]))
    watched = [cause for cause in of if cause in set(good["cause"])]
    events_mf, expected_mf = np.zeros((2, len(watched), len(families)))
    columns = ["cause", "family", "events", "element_km", "odometer_km"]
    for cause, family, events, km, odometer in good[columns].itertuples(index=False, name=None):
        at = watched.index(cause), families.index(family)
        age_km = pack.running.odometer_km if math.isnan(odometer) else odometer
        events_mf[at] += events
        chance = float(mode_prior_draws(of[cause], age_km, age_km, np.zeros(1))[0])
        expected_mf[at] += km * -math.log1p(-chance) / age_km
    return Rates(
        causes=tuple(watched),
        families=tuple(families),
        events_mf=events_mf,
        expected_mf=expected_mf,
        sd_m=shop_sd(pack, watched),
        used=len(good),
        refused=refused,
        digest=tables.digest_of(paths),
    )


def _read(path: Path, causes: Sequence[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a table of rates into good and refused; counts and distances as numbers."""
    frame = tables.read_table(path, tables.RATES)
    named = tables.pair_words(frame["kind"], ".", frame["mode"])
    rows = tables.Checks(frame := frame.assign(cause=named.astype("category")), tables.RATES)
    rows.unknown("kind", dict.fromkeys(cause.split(".")[0] for cause in causes))
    rows.unknown("cause", causes)
    rows.not_word("family")
    rows.unlike("events", rf"0|{tables.WHOLE}", "a whole number")
    rows.missing("element_km")
    rows.not_number("element_km", 1.0, MOST_FLEET_KM)
    rows.not_number("odometer_km", 1.0, MOST_KM)
    good, refused = rows.split()
    columns = "events", "element_km", "odometer_km"
    return good.assign(**{name: tables.numbers_of(good[name]) for name in columns}), refused


def learn_from_rates(rates: Rates, pack: Pack, family: str = "") -> LearnedRates:
    """Learn hazard ratios of modes, for the mix or for a family pooled with the others."""
    tables.check_family(family, rates.families)
    asked_f = np.array([family in ("", name) for name in rates.families])
    mean_m, variance_m = _moments(rates, asked_f)
    watched_m = (rates.expected_mf * asked_f).any(axis=1)
    mean_m = np.where(watched_m, mean_m, 1.0)
    sd_m = np.sqrt(np.log1p(variance_m / mean_m**2))
    of = cause_modes(pack)
    return LearnedRates(
        rates=rates,
        modes=tuple(
            LearnedRate(
                cause=cause,
                events=int(rates.events_mf[m, asked_f].sum()),
                expected=float(rates.expected_mf[m, asked_f].sum()),
                median=float(
                    mean_m[m] * np.exp(-(sd_m[m] ** 2) / 2) * of[cause].hazard_ratio.median
                ),
                spread=float(np.exp(sd_m[m])),
            )
            for m, cause in enumerate(rates.causes)
            if watched_m[m]
        ),
        pack=pack_text(pack),
        family=family,
        titles=titles_of(pack),
    )


def _moments(rates: Rates, asked_f: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and variance of each mode's ratio; axes ``a`` alikeness, ``l`` level."""
    shape_a = np.full(1, np.inf) if len(rates.families) == 1 else ALIKE * SIMILAR
    log_a = np.zeros(1) if len(shape_a) == 1 else -0.5 * np.log(SIMILAR) ** 2
    level_ml = np.exp(rates.sd_m[:, None] * LEVELS)
    log_mal = np.stack([_log_chance(rates, shape, level_ml) for shape in shape_a], axis=1)
    log_mal = log_mal - 0.5 * LEVELS**2
    top_ma = log_mal.max(axis=2)
    weight_mal = np.exp(log_mal - top_ma[:, :, None])
    total_ma = weight_mal.sum(axis=2)
    log_a = log_a + (np.log(total_ma) + top_ma).sum(axis=0)
    weight_a = np.exp(log_a - log_a.max())
    weight_mal *= (weight_a / weight_a.sum() / total_ma)[:, :, None]
    share_mf = rates.expected_mf * asked_f
    share_mf = share_mf / np.maximum(share_mf.sum(axis=1, keepdims=True), np.finfo(float).tiny)
    mean_m, square_m = np.zeros((2, len(rates.causes)))
    for a, shape in enumerate(shape_a):
        mean_ml, variance_ml = level_ml, np.zeros_like(level_ml)
        if not math.isinf(shape):  # the families' ratios are gamma again
            rate_mlf = shape / level_ml[:, :, None] + rates.expected_mf[:, None]
            shape_mlf = shape + rates.events_mf[:, None]
            mean_ml = (share_mf[:, None] * shape_mlf / rate_mlf).sum(axis=2)
            variance_ml = (share_mf[:, None] ** 2 * shape_mlf / rate_mlf**2).sum(axis=2)
        mean_m += (weight_mal[:, a] * mean_ml).sum(axis=1)
        square_m += (weight_mal[:, a] * (variance_ml + mean_ml**2)).sum(axis=1)
    return mean_m, square_m - mean_m**2


def _log_chance(rates: Rates, shape: float, level_ml: FloatArray) -> FloatArray:
    """Log chance of the events at each level, up to a constant: Poisson, or negative binomial."""
    events_mlf, expected_mlf = rates.events_mf[:, None], rates.expected_mf[:, None]
    mean_mlf = level_ml[:, :, None] * expected_mlf
    some_mlf = np.maximum(mean_mlf, np.finfo(float).tiny)
    if math.isinf(shape):
        log_mlf = events_mlf * np.log(some_mlf) - mean_mlf
    else:
        log_mlf = events_mlf * np.log(some_mlf / (shape + mean_mlf))
        log_mlf += log_gamma(shape + events_mlf) - math.lgamma(shape)
        log_mlf -= shape * np.log1p(mean_mlf / shape)
    out: FloatArray = log_mlf.sum(axis=2)
    return out
