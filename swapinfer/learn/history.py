"""What a history of closed jobs says: two models fitted, and summed up as a pack says it.

Hazard ratios of modes and outcome chances of tests, each with what the base pack said before.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from swapinfer.errors import LearnError, near_match
from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.learn.changes import Change, Scopes, find_changes
from swapinfer.learn.counts import Counts
from swapinfer.learn.models import (
    CauseCounts,
    CausePriors,
    OutcomeCounts,
    cause_model,
    reliability_model,
)
from swapinfer.learn.prepare import (
    all_causes,
    cause_priors,
    prepare_causes,
    prepare_outcomes,
    recount,
)
from swapinfer.learn.prior import NEVER, describe_tests, pack_text, titles_of
from swapinfer.learn.sampling import (
    INTERVAL,
    Fit,
    Sampling,
    fit,
    fit_briefly,
    load_quietly,
    provenance_text,
)
from swapinfer.learn.trial import Trial, hold_to_later
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

CHUNK_DRAWS = 200


class LearnedCause(Struct, frozen=True):
    """What a history says about one cause.

    Attributes
    ----------
    cause : str
        ``"kind.mode"``.
    median, spread : float
        Of the hazard ratio: posterior median and geometric standard deviation.
    low, high : float
        90 % interval of it.
    prior_spread : float
        Geometric standard deviation before the history.
    base_share, share, share_low, share_high : float
        Chance of the cause given a complaint over the shop's mix of vehicles: in the base pack,
        and learned, with its 90 % interval.
    confirmed : int
        Verified cases.
    cases : float
        Effective sample size: verified cases, and unconfirmed ones by their probability of being
        this cause.
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
    """What a history says about one profile of one test.

    Attributes
    ----------
    test, profile : str
        Which.
    outcomes : tuple of str
        Its outcomes.
    base, mean, low, high : tuple of float
        Chance of each in the base pack, posterior mean, and 90 % interval.
    findings : float
        Effective number of findings behind it.
    """

    test: str
    profile: str
    outcomes: tuple[str, ...]
    base: tuple[float, ...]
    mean: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    findings: float


class ShareDraws(Struct, frozen=True, eq=False):
    """Draws of the chance of each cause given a complaint.

    Attributes
    ----------
    mixed_dc : ndarray of float, shape (draw, cause)
        Over the mix of cells asked for.
    kinds_dzh : ndarray of float, shape (draw, scope, kind)
        The same of kinds of element in each scope.
    mean_gc : ndarray of float, shape (cell, cause)
        Posterior means in each cell.
    """

    mixed_dc: FloatArray
    kinds_dzh: FloatArray
    mean_gc: FloatArray


class Learned(Struct, frozen=True, eq=False):
    """What a history says, and everything that its report tells.

    Attributes
    ----------
    counts : Counts
        Of the history.
    data : CauseCounts
        What the cause model was fitted to.
    priors : CausePriors
        Its priors.
    shares : ShareDraws
        Draws of the chance of each cause.
    causes : tuple of LearnedCause
        Summaries.
    chances : tuple of LearnedChance
        Summaries.
    fits : dict of str to Fit
        ``"causes"``, and ``"tests"`` when there were findings.
    pack : str
        Name, version and digest of the pack that was learned on.
    weight : float
        What the pack's precision was multiplied by.
    family : str
        Family that the numbers hold for, empty for the shop's whole mix.
    titles : dict of str to str
        Kinds and causes as a person says them.
    level : float
        Hazard ratio that leaves a share as it was.
    changes : tuple of Change
        Those that matter.
    trial : Trial
        What the like of it would have saved on the later jobs.
    """

    counts: Counts
    data: CauseCounts
    priors: CausePriors
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
    priors = cause_priors(pack, data, weight)
    weight_g = _mix(counts, family)
    scopes = Scopes.of(weight_g, [cell.family for cell in counts.cells])
    sampling.starting()
    load_quietly()
    fits = {"causes": fit(cause_model(data, priors), sampling)}
    shares = draw_shares(fits["causes"], data, scopes)
    outcomes = prepare_outcomes(counts, tests, all_causes(shares.mean_gc, data, counts))
    if len(outcomes.count_k):
        fits["tests"] = fit(reliability_model(outcomes), sampling)
    ratio_c = _learned_before(fits["causes"], counts, data, priors, family)
    base_c = np.exp(priors.shop_sd_c**2 / 2)
    trial = hold_to_later(counts, data, ratio_c, base_c, pack, tests, settings, family)
    titles = titles_of(pack)
    return Learned(
        counts=counts,
        data=data,
        priors=priors,
        shares=shares,
        causes=learned_causes(shares, data, priors, weight_g),
        level=level_of(data, priors, weight_g),
        changes=find_changes(scopes, shares.kinds_dzh, data, titles),
        trial=trial,
        chances=learned_chances(fits["tests"], outcomes) if "tests" in fits else (),
        fits=fits,
        pack=pack_text(pack),
        weight=weight,
        family=family,
        titles=titles,
    )


def _learned_before(
    whole: Fit,
    counts: Counts,
    data: CauseCounts,
    priors: CausePriors,
    family: str,
) -> FloatArray:
    """Mean hazard ratio of each cause as learned from a history's earlier part alone."""
    weight_g = _mix(counts.split.earlier, family) if counts.split else np.zeros(1)
    if counts.split is None or not weight_g.any():
        return np.ones(len(data.causes))
    fewer = recount(data, counts, counts.split.earlier)
    fitted = fit_briefly(whole, data.as_counted(fewer))
    mix = Scopes.of(weight_g, [""] * len(weight_g))
    share_c = draw_shares(fitted, data, mix).mixed_dc.mean(axis=0)
    out: FloatArray = level_of(data, priors, weight_g) * share_c / (mix.mix_zg[0] @ data.base_gc)
    return out


def _mix(counts: Counts, family: str) -> FloatArray:
    """Jobs of each cell, of one family if one is named."""
    jobs_g = counts.jobs_by_cell
    if not family:
        return jobs_g
    families = sorted({cell.family for cell in counts.cells})
    if family not in families:
        raise LearnError(f'no family "{family}" in this history{near_match(family, families)}')
    mine = np.array([cell.family == family for cell in counts.cells])
    return np.where(mine, jobs_g, 0.0)


def draw_shares(fitted: Fit, data: CauseCounts, scopes: Scopes) -> ShareDraws:
    """Turn draws of effects into draws of shares.

    Parameters
    ----------
    fitted : Fit
        Of the cause model.
    data : CauseCounts
        That it was fitted to.
    scopes : Scopes
        Mixes of cells; the first is the one asked for.

    Returns
    -------
    ShareDraws
    """
    from scipy.special import softmax

    shop_dc = fitted.array("shop")
    effect_dhl = fitted.array("effect") if data.groupings else np.zeros((len(shop_dc), 0, 0))
    log_base_gc = np.log(data.base_gc)
    of_kind = np.eye(len(data.kinds))[data.kind_c]
    mixed, kinds, mean_gc = [], [], np.zeros_like(data.base_gc)
    for start in range(0, len(shop_dc), CHUNK_DRAWS):
        here = slice(start, start + CHUNK_DRAWS)
        score_dgc = log_base_gc + shop_dc[here, None, :]
        for grouping in data.groupings:
            effect_dhg = effect_dhl[here, :, data.columns(grouping.name)][:, :, grouping.level_g]
            score_dgc += effect_dhg[:, data.kind_c].transpose(0, 2, 1)
        share_dgc = softmax(score_dgc, axis=2)
        mixed.append(np.einsum("g,dgc->dc", scopes.mix_zg[0], share_dgc))
        kinds.append(scopes.mix_zg @ (share_dgc @ of_kind))
        mean_gc += share_dgc.sum(axis=0) / len(shop_dc)
    return ShareDraws(np.concatenate(mixed), np.concatenate(kinds), mean_gc)


def level_of(data: CauseCounts, priors: CausePriors, weight_g: FloatArray) -> float:
    """Hazard ratio that leaves a share as it was; see `learned_causes`."""
    base_c = (weight_g / weight_g.sum()) @ data.base_gc
    return float(base_c @ np.exp(priors.shop_sd_c**2 / 2))


def learned_causes(
    shares: ShareDraws, data: CauseCounts, priors: CausePriors, weight_g: FloatArray
) -> tuple[LearnedCause, ...]:
    r"""Summarise hazard ratios.

    Parameters
    ----------
    shares : ShareDraws
        Of the mix `weight_g`.
    data : CauseCounts
        Sufficient statistics.
    priors : CausePriors
        Of the fit.
    weight_g : ndarray of float, shape (cell,)
        Mix of cells.

    Returns
    -------
    tuple of LearnedCause
        Of the causes that the mix's engines can have, in the pack's order.

    Notes
    -----
    A history of complaints tells shares, not rates: multiplying every hazard by the same number
    changes nothing in it. The ratios are therefore scaled so that the pack's mean rate of all
    complaints together stays: ``ratio = level * share / base share``, where the level is the
    factor by which the pack's spreads raise its mean above its median,
    :math:`\sum_c b_c \exp(s_c^2 / 2)`.
    """
    base_c = (weight_g / weight_g.sum()) @ data.base_gc
    level = level_of(data, priors, weight_g)
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
                prior_spread=float(np.exp(priors.shop_sd_c[c])),
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
    """Cases behind each cause: verified ones, and unconfirmed ones as far as findings tell.

    Parameters
    ----------
    data : CauseCounts
        Sufficient statistics.
    share_gc : ndarray of float, shape (cell, cause)
        Chance of each cause before the findings.
    asked_g : ndarray of bool, shape (cell,)
        Cells whose cases count.

    Returns
    -------
    ndarray of float, shape (cause,)
        An unconfirmed case counts by its probability of being the cause, times the part of its
        uncertainty that its findings took away: one without findings counts nothing.
    """
    cases_c = data.cases_gc[asked_g].sum(axis=0)
    prior_kc = share_gc[data.open_cell_k]
    joint_kc = prior_kc * data.open_likelihood_kc
    posterior_kc = joint_kc / joint_kc.sum(axis=1, keepdims=True)
    told_k = 1.0 - _entropy(posterior_kc) / _entropy(prior_kc)
    weight_k = data.open_count_k * np.clip(told_k, 0.0, 1.0) * asked_g[data.open_cell_k]
    out: FloatArray = cases_c + weight_k @ posterior_kc
    return out


def _entropy(chance_kc: FloatArray) -> FloatArray:
    out: FloatArray = -(chance_kc * np.log(np.maximum(chance_kc, 1e-300))).sum(axis=1)
    return out


def learned_chances(fitted: Fit, data: OutcomeCounts) -> tuple[LearnedChance, ...]:
    """Summarise outcome chances.

    Parameters
    ----------
    fitted : Fit
        Of the reliability model.
    data : OutcomeCounts
        That it was fitted to.

    Returns
    -------
    tuple of LearnedChance
        Of the profiles that the history holds findings of.
    """
    chance_ds = fitted.array("chance")
    findings_s = np.zeros(chance_ds.shape[1])
    np.add.at(findings_s, data.slot_kp, data.weight_kp * data.count_k[:, None])
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
