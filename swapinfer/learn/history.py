"""What a history of closed jobs says: two models fitted, and summed up as a pack says it.

Hazard ratios of modes and outcome chances of tests, each with what the base pack said before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.learn.counts import Counts
from swapinfer.learn.prepare import (
    CauseCounts,
    OutcomeCounts,
    all_causes,
    prepare_causes,
    prepare_outcomes,
)
from swapinfer.learn.prior import NEVER, describe_tests, pack_text, shop_sd, titles_of
from swapinfer.learn.sampling import (
    INTERVAL,
    Fit,
    Sampling,
    Trace,
    end_to_end,
    fit,
    provenance_text,
    quiet,
    run_nuts,
)
from swapinfer.learn.tables import check_family
from swapinfer.learn.trial import Change, Scopes, Trial, find_changes, hold_to_later
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

if TYPE_CHECKING:
    from swapinfer.learn.density import CauseArrays

BRIEF = {"draws": 400, "tune": 300, "chains": 2}  # of a fit of which only means are taken


class LearnedCause(Struct, frozen=True):
    """What a history says about one cause.

    Hazard ratio with its geometric standard deviation and 90 % interval; chances given a complaint
    over the mix learned for; verified cases, and with others by their probability of being this
    cause.
    """

    cause: str
    median: float
    spread: float
    low: float
    high: float
    prior_spread: float
    base_share: float
    share: float
    share_low: float
    share_high: float
    confirmed: int
    cases: float

    @property
    def informed(self) -> float:
        """Part of the prior's variance that the history took away, from 0 to 1."""
        before, after = np.log(self.prior_spread), np.log(self.spread)
        return float(np.clip(1.0 - (after / before) ** 2, 0.0, 1.0)) if before > 0 else 0.0


class LearnedChance(Struct, frozen=True):
    """Chances of outcomes under one profile of one test: base, posterior mean and 90 % interval."""

    test: str
    profile: str
    outcomes: tuple[str, ...]
    base: tuple[float, ...]
    mean: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    findings: float


class ShareDraws(Struct, frozen=True, eq=False):
    """Draws of the chance of causes in the mix asked for, of kinds in each scope; means by cell."""

    mixed_dc: FloatArray
    kinds_dzh: FloatArray
    mean_gc: FloatArray


class Learned(Struct, frozen=True, eq=False):
    """What a history says, and everything that its report tells.

    `fits` are named ``"causes"`` and, when there were findings, ``"tests"``. A hazard ratio of
    `level` leaves a share as it was. `titles` are kinds and causes as a person says them.
    """

    counts: Counts
    data: CauseCounts
    shop_sd_c: FloatArray
    shares: ShareDraws
    causes: tuple[LearnedCause, ...]
    chances: tuple[LearnedChance, ...]
    fits: dict[str, Fit]
    pack: str
    weight: float
    family: str
    titles: dict[str, str]
    level: float
    changes: tuple[Change, ...]
    trial: Trial

    @property
    def first_words(self) -> tuple[str, ...]:
        """Whether to switch it on, and what changes most: a sentence each."""
        return (*self.trial.sentences(), *(change.sentence for change in self.changes))

    @property
    def provenance(self) -> str:
        """Where the numbers come from, in one paragraph."""
        rows, libraries = self.counts.rows, provenance_text(self.fits)
        scope = f"family {self.family}" if self.family else "the shop's whole mix of vehicles"
        theirs = f"{rows.theirs} cases of other shops, " if rows.theirs else ""
        return (
            f"learned for {scope} from {rows.jobs_used} job rows and {rows.findings_used} finding "
            f"rows, {theirs}{rows.rows_refused} rows refused, {rows.first_day} to "
            f"{rows.last_day}, data sha256 {rows.digest}; on {self.pack} with weight "
            f"{self.weight:g}; {libraries}"
        )


def learn_history(
    counts: Counts,
    pack: Pack,
    sampling: Sampling,
    *,
    settings: PlanSettings,
    weight: float = 1.0,
    family: str = "",
) -> Learned:
    """Learn from counts; as `swapinfer.learn.learn.learn_overlay`, without files."""
    tests = describe_tests(pack)
    data = prepare_causes(counts, pack, tests)
    shop_sd_c = shop_sd(pack, data.causes, weight)
    weight_g = _mix(counts, family)
    scopes = Scopes.of(weight_g, [cell.family for cell in counts.cells])
    sampling.starting()
    with quiet():
        from swapinfer.learn import density

    arrays = density.cause_arrays(data, shop_sd_c)
    fits = {"causes": fit(density.cause_target(data, arrays), sampling)}
    shares = draw_shares(fits["causes"].trace, arrays, scopes)
    outcomes = prepare_outcomes(counts, tests, all_causes(shares.mean_gc, data, counts))
    if len(outcomes.count_k):
        fits["tests"] = fit(density.outcome_target(outcomes), sampling)
    base_c = np.exp(shop_sd_c**2 / 2)
    level = float((weight_g / weight_g.sum()) @ data.base_gc @ base_c)
    ratio_c, earlier = np.ones(len(data.causes)), counts.split and counts.split.earlier
    if earlier and (before_g := _mix(earlier, family)).any():
        past = prepare_causes(earlier, pack, tests, whole=data)
        a = density.cause_arrays(past, shop_sd_c)
        drawn = run_nuts(density.cause_target(past, a), replace(sampling, **BRIEF))
        mix = Scopes.of(before_g, [""] * len(before_g))
        share_c = draw_shares(drawn, a, mix).mixed_dc.mean(axis=0)
        ratio_c = share_c / (mix.mix_zg[0] @ data.base_gc)
    titles = titles_of(pack)
    return Learned(
        counts=counts,
        data=data,
        shop_sd_c=shop_sd_c,
        shares=shares,
        causes=learned_causes(shares, data, shop_sd_c, level, weight_g),
        level=level,
        changes=find_changes(scopes, shares.kinds_dzh, data, titles),
        trial=hold_to_later(counts, data, ratio_c, base_c, pack, tests, settings, family),
        chances=learned_chances(fits["tests"], outcomes) if "tests" in fits else (),
        fits=fits,
        pack=pack_text(pack),
        weight=weight,
        family=family,
        titles=titles,
    )


def _mix(counts: Counts, family: str) -> FloatArray:
    """Jobs of each cell, of one family if one is named."""
    jobs_g = counts.jobs_by_cell
    if not family:
        return jobs_g
    check_family(family, sorted({cell.family for cell in counts.cells}), "history")
    mine = np.array([cell.family == family for cell in counts.cells])
    return np.where(mine, jobs_g, 0.0)


def draw_shares(trace: Trace, arrays: CauseArrays, scopes: Scopes) -> ShareDraws:
    """Turn draws of effects into draws of shares in mixes of cells, the first being asked for."""
    from swapinfer.learn.density import shares

    shop_dc = end_to_end(trace, "shop")
    effect_dlh = np.zeros((len(shop_dc), 0, arrays.kinds))
    if len(arrays.level_fg):
        effect_dlh = np.ascontiguousarray(end_to_end(trace, "effect").transpose(0, 2, 1))
    mixed_dc, mean_gc = np.zeros(shop_dc.shape), np.zeros(arrays.base_gc.shape)
    kinds_dzh = np.zeros((len(shop_dc), len(scopes.mix_zg), arrays.kinds))
    of_kind = np.eye(arrays.kinds)[arrays.kind_c]
    for d, (shop_c, effect_lh) in enumerate(zip(shop_dc, effect_dlh, strict=True)):
        share_gc = shares(shop_c, effect_lh, arrays)
        mixed_zc = scopes.mix_zg @ share_gc
        mixed_dc[d], kinds_dzh[d] = mixed_zc[0], mixed_zc @ of_kind
        mean_gc += share_gc / len(shop_dc)
    return ShareDraws(mixed_dc, kinds_dzh, mean_gc)


def learned_causes(
    shares: ShareDraws,
    data: CauseCounts,
    shop_sd_c: FloatArray,
    level: float,
    weight_g: FloatArray,
) -> tuple[LearnedCause, ...]:
    r"""Summarise hazard ratios of the causes that the engines of a mix of cells can have.

    Notes
    -----
    A history of complaints tells shares, not rates: multiplying every hazard by the same number
    changes nothing in it. The ratios are therefore scaled so that the pack's mean rate of all
    complaints together stays: ``ratio = level * share / base share``, where the level is the
    factor by which the pack's spreads raise its mean above its median,
    :math:`\sum_c b_c \exp(s_c^2 / 2)`.
    """
    base_c = (weight_g / weight_g.sum()) @ data.base_gc
    cases_c = effective_cases(data, shares.mean_gc, weight_g > 0)
    confirmed_c = data.cases_gc[weight_g > 0].sum(axis=0)
    found = []
    for c, cause in enumerate(data.causes):
        if base_c[c] <= 10 * NEVER:
            continue
        share_d = shares.mixed_dc[:, c]
        log_ratio_d = np.log(level * share_d / base_c[c])
        low, median, high = np.quantile(log_ratio_d, [INTERVAL[0], 0.5, INTERVAL[1]])
        share_low, share_high = np.quantile(share_d, INTERVAL)
        found.append(
            LearnedCause(
                cause=cause,
                median=float(np.exp(median)),
                spread=float(np.exp(log_ratio_d.std())),
                low=float(np.exp(low)),
                high=float(np.exp(high)),
                prior_spread=float(np.exp(shop_sd_c[c])),
                base_share=float(base_c[c]),
                share=float(share_d.mean()),
                share_low=float(share_low),
                share_high=float(share_high),
                confirmed=int(confirmed_c[c]),
                cases=float(cases_c[c]),
            )
        )
    return tuple(found)


def effective_cases(data: CauseCounts, share_gc: FloatArray, asked_g: BoolArray) -> FloatArray:
    """Cases behind each cause in some cells: verified ones, and others as far as findings tell.

    Those count by their probability of being the cause, of which `share_gc` is the chance before
    the findings, times the part of its uncertainty that their findings took away.
    """
    cases_c = data.cases_gc[asked_g].sum(axis=0)
    prior_kc = share_gc[data.open_cell_k]
    joint_kc = prior_kc * data.open_likelihood_kc
    posterior_kc = joint_kc / joint_kc.sum(axis=1, keepdims=True)
    after_k, before_k = (
        -(chance_kc * np.log(np.maximum(chance_kc, 1e-300))).sum(axis=1)
        for chance_kc in (posterior_kc, prior_kc)
    )
    told_k = 1.0 - after_k / before_k
    weight_k = data.open_count_k * np.clip(told_k, 0.0, 1.0) * asked_g[data.open_cell_k]
    out: FloatArray = cases_c + weight_k @ posterior_kc
    return out


def learned_chances(fitted: Fit, data: OutcomeCounts) -> tuple[LearnedChance, ...]:
    """Summarise outcome chances of the profiles that the history holds findings of."""
    chance_ds = fitted.array("chance")
    findings_s = np.zeros(chance_ds.shape[1])
    count_i = np.repeat(data.count_k, np.diff(data.end_k, prepend=0))
    np.add.at(findings_s, data.slot_i, data.weight_i * count_i)
    ends = np.cumsum([len(base) for base in data.base])
    found = []
    for name, outcomes, base, end in zip(data.units, data.outcomes, data.base, ends, strict=True):
        mine = slice(end - len(base), end)
        low, high = np.quantile(chance_ds[:, mine], INTERVAL, axis=0)
        test, profile = name.split("/")
        found.append(
            LearnedChance(
                test=test,
                profile=profile,
                outcomes=outcomes,
                base=tuple(base.tolist()),
                mean=tuple(chance_ds[:, mine].mean(axis=0).tolist()),
                low=tuple(low.tolist()),
                high=tuple(high.tolist()),
                findings=float(findings_s[mine].sum()),
            )
        )
    return tuple(found)
