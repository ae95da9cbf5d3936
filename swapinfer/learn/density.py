r"""Log densities of the two models of closed jobs, each with its slope.

They are written out for Numba, which keeps what it compiles on disk, since compiling the models
from a general description took longer than sampling them. `benchmarks/lab/models.py` says the same
in PyMC, and a test holds each to the other. Fast-math stays off: with it the order of adding up
would depend on what comes out of that cache, and the draws with it.

Axes: ``g`` cell, ``c`` cause, ``h`` kind of element, ``f`` grouping, ``l`` level of any grouping,
``n`` recorded cases alike, ``k`` findings alike, ``s`` slot, ``u`` unit; ``x`` and ``y`` directions
in which the shop's effects and the levels' differ.

Notes ----- *Causes.* The share of cause c in cell g is the softmax over causes of :math:`\log
\mathrm{base}_{gc} + \mathrm{shop}_c + \sum_f \mathrm{effect}^f_{l(f,g),h(c)}`. Effects of a
grouping sum to zero over its levels, so that the shop's own effect is the average over its
families, ages and complaints. A verified cause may be wrong, and what came back tells; which cause
is the true one is summed out. So is that of an unconfirmed job, from the likelihood of its
findings. Jobs enter once each, so nothing is double counted when the tool chose the steps: which
finding is made next depends on earlier findings only, and such a choice drops out of the likelihood
(Rubin, "Inference and missing data", Biometrika 63, 1976).

*Tests.* Log chances of outcomes scatter around the pack's by :math:`1/\sqrt{\kappa p}`, which is
what :math:`\kappa` pseudo-counts of a Dirichlet would leave them (delta method), at most
`LARGEST_LOG_SD`. Counting only confirmed jobs would be biased, because a test that shows a fault
makes it more likely that anybody confirms it (Begg and Greenes, "Assessment of diagnostic tests
when disease verification is subject to selection bias", Biometrics 39, 1983). Provided that whether
a cause gets confirmed depends on recorded findings only, the likelihood of *all* jobs is free of
that bias; so findings of unconfirmed jobs take part, as mixtures weighted by what their job's other
findings say.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

import numba
import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.prepare import OTHER, RETURNED, SAME, STAYED, CauseCounts, OutcomeCounts
from swapinfer.learn.sampling import Target

EFFECT_SD = (0.2, 0.6)
"""Median and log standard deviation of a grouping's standard deviation: families, ages and
complaints differ by a factor of about 1.2; a choice, no source."""
LABELS = {
    "label_right": (19.0, 1.0),
    "returns_if_right": (1.0, 30.0),
    "returns_if_wrong": (6.0, 3.0),
}
"""Beta parameters of the chance that a verified cause is the true one, and of a comeback after a
right and after a wrong repair."""
PACK_WEIGHT = (20.0, 0.7)
"""Median and log standard deviation of the findings that the pack's outcome chances are worth; a
choice, no source."""
LARGEST_LOG_SD = 1.5
"""Of an outcome's log chance about the pack's."""
Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Compile to machine code, and keep it on disk where there is a place for it."""
    try:
        kept: Function = numba.njit(function, nogil=True, error_model="numpy", cache=True)
    except RuntimeError:  # neither this folder nor the user's cache can be written to
        kept = numba.njit(function, nogil=True, error_model="numpy")
    return kept


class CauseArrays(NamedTuple):
    """What the density of the causes is made of; cells and causes are also laid end to end."""

    base_gc: FloatArray
    sd_c: FloatArray
    basis_xc: FloatArray
    kind_c: IntArray
    kinds: int
    contrast_yl: FloatArray
    grouping_l: IntArray
    level_fg: IntArray
    course_n: IntArray
    first_n: IntArray
    last_n: IntArray
    count_n: FloatArray
    cell_k: IntArray
    likelihood_kc: FloatArray
    count_k: FloatArray


def cause_arrays(data: CauseCounts, shop_sd_c: FloatArray) -> CauseArrays:
    """Lay out counts, and the spreads of the shop's log hazard ratios."""
    sizes = [len(grouping.levels) for grouping in data.groupings]
    contrast_yl, grouping_l = contrasts(sizes)
    level_fg = [
        start + grouping.level_g
        for start, grouping in zip(np.cumsum([0, *sizes]), data.groupings, strict=False)
    ]
    row_n = data.cell_n * len(data.causes)
    return CauseArrays(
        base_gc=np.ascontiguousarray(data.base_gc),
        sd_c=shop_sd_c,
        basis_xc=np.ascontiguousarray(told_apart(shop_sd_c).T),
        kind_c=data.kind_c.astype(np.int64),
        kinds=len(data.kinds),
        contrast_yl=contrast_yl,
        grouping_l=grouping_l,
        level_fg=np.array(level_fg, np.int64).reshape(len(sizes), len(data.base_gc)),
        course_n=data.course_n,
        first_n=row_n + data.first_n,
        last_n=row_n + data.last_n,
        count_n=data.count_n,
        cell_k=data.open_cell_k.astype(np.int64),
        likelihood_kc=np.ascontiguousarray(data.open_likelihood_kc),
        count_k=data.open_count_k,
    )


def told_apart(sd_c: FloatArray) -> FloatArray:
    """Find the directions of the standardised effects that shares can tell apart.

    Raising every log hazard by the same amount changes no share. That direction, ``1 / sd``, keeps
    its prior whatever the data say and would only slow the sampler down, so it is left out: what
    remains are the columns of a Householder reflection without its first. If a spread is 0, its
    cause is a reference and nothing is left out.
    """
    if (sd_c == 0).any():
        return np.eye(len(sd_c))
    silent_c = (1 / sd_c) / np.linalg.norm(1 / sd_c)
    mirror_c = silent_c + np.eye(len(sd_c))[0]
    reflection = np.eye(len(sd_c)) - 2 * np.outer(mirror_c, mirror_c) / (mirror_c @ mirror_c)
    out: FloatArray = reflection[:, 1:]
    return out


def contrasts(sizes: list[int]) -> tuple[FloatArray, IntArray]:
    """Orthonormal directions in which levels differ while each grouping's sum stays 0.

    Shape (direction, level), the levels of all groupings side by side; and each level's grouping.
    """
    basis_yl = np.zeros((sum(sizes) - len(sizes), sum(sizes)))
    row = column = 0
    for size in sizes:
        triangle = np.tril(np.ones((size - 1, size)), 0) - np.diag(np.arange(1.0, size), 1)[:-1]
        triangle /= np.linalg.norm(triangle, axis=1, keepdims=True)
        basis_yl[row : row + size - 1, column : column + size] = triangle
        row, column = row + size - 1, column + size
    return basis_yl, np.repeat(np.arange(len(sizes)), np.array(sizes, np.int64))


@compiled
def effects(x: FloatArray, a: CauseArrays) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log ratios of the shop by cause, those of levels by kind, and spreads of the groupings."""
    n_shop, n_groupings = len(a.basis_xc), len(a.level_fg)
    shop_c = np.zeros(len(a.sd_c))
    for i in range(n_shop):
        for c in range(len(shop_c)):
            shop_c[c] += x[i] * a.basis_xc[i, c]
    sd_f = EFFECT_SD[0] * np.exp(EFFECT_SD[1] * x[n_shop : n_shop + n_groupings])
    raw_yh = x[n_shop + n_groupings : -3].reshape(len(a.contrast_yl), a.kinds)
    effect_lh = np.zeros((len(a.grouping_l), a.kinds))
    for level in range(len(effect_lh)):
        for y in range(len(raw_yh)):
            for h in range(a.kinds):
                effect_lh[level, h] += raw_yh[y, h] * a.contrast_yl[y, level]
        effect_lh[level] *= sd_f[a.grouping_l[level]]
    return shop_c * a.sd_c, effect_lh, sd_f


@compiled
def shares(shop_c: FloatArray, effect_lh: FloatArray, a: CauseArrays) -> FloatArray:
    """Chance of each cause in each cell."""
    own_c, times_lh = np.exp(shop_c - shop_c.max()), np.exp(effect_lh)
    share_gc = np.empty(a.base_gc.shape)
    times_h = np.empty(a.kinds)
    for g in range(len(share_gc)):
        times_h[:] = 1.0
        for f in range(len(a.level_fg)):
            for h in range(a.kinds):
                times_h[h] *= times_lh[a.level_fg[f, g], h]
        total = 0.0
        for c in range(len(own_c)):
            share_gc[g, c] = a.base_gc[g, c] * own_c[c] * times_h[a.kind_c[c]]
            total += share_gc[g, c]
        for c in range(len(own_c)):
            share_gc[g, c] /= total
    return share_gc


@compiled
def add_recorded(
    chance: FloatArray, share: FloatArray, slope: FloatArray, a: CauseArrays
) -> tuple[float, FloatArray]:
    """Log chance of the recorded cases; its slope by shares is added, that by `LABELS` given."""
    right, if_right, if_wrong = chance
    others = max(len(a.sd_c) - 1, 1)
    stays, back = right * (1 - if_right), right * if_right
    wrong_stays, wrong_back = (1 - right) / others * (1 - if_wrong), (1 - right) / others * if_wrong
    neither = wrong_back * wrong_stays
    # By course: a chance is linear in the shares of the last and of the first recorded cause.
    of_course = np.array(
        [
            [stays - wrong_stays, 0.0, wrong_stays],
            [back - wrong_back, 0.0, wrong_back],
            [back * stays - neither, 0.0, neither],
            [wrong_back * stays - neither, back * wrong_stays - neither, neither],
        ]
    )
    d = np.zeros((4, 3))
    log = 0.0
    for n in range(len(a.count_n)):
        course, last, first = a.course_n[n], a.last_n[n], a.first_n[n]
        of_last, of_first, anyway = of_course[course]
        total = of_last * share[last] + of_first * share[first] + anyway
        log += a.count_n[n] * np.log(total)
        rate = a.count_n[n] / total
        slope[last] += rate * of_last
        slope[first] += rate * of_first
        d[course, 0] += rate * share[last]
        d[course, 1] += rate * share[first]
        d[course, 2] += rate
    d_neither = d[SAME, 2] - d[SAME, 0] + d[OTHER, 2] - d[OTHER, 0] - d[OTHER, 1]
    d_stays = d[STAYED, 0] + d[SAME, 0] * back + d[OTHER, 0] * wrong_back
    d_back = d[RETURNED, 0] + d[SAME, 0] * stays + d[OTHER, 1] * wrong_stays
    d_wrong_stays = d[STAYED, 2] - d[STAYED, 0] + d[OTHER, 1] * back + d_neither * wrong_back
    d_wrong_back = d[RETURNED, 2] - d[RETURNED, 0] + d[OTHER, 0] * stays + d_neither * wrong_stays
    by_right = d_stays * (1 - if_right) + d_back * if_right
    by_right -= (d_wrong_stays * (1 - if_wrong) + d_wrong_back * if_wrong) / others
    by_if_wrong = (d_wrong_back - d_wrong_stays) * (1 - right) / others
    return log, np.array([by_right, (d_back - d_stays) * right, by_if_wrong])


@compiled
def slope_by_effects(
    share_gc: FloatArray, slope_gc: FloatArray, a: CauseArrays
) -> tuple[FloatArray, FloatArray]:
    """From the slope by shares to those by effects of the shop, and of levels."""
    by_shop_c = np.zeros(len(a.sd_c))
    by_effect_lh = np.zeros((len(a.grouping_l), a.kinds))
    by_kind_h = np.empty(a.kinds)
    for g in range(len(share_gc)):
        mean = np.dot(share_gc[g], slope_gc[g])
        by_kind_h[:] = 0.0
        for c in range(len(by_shop_c)):
            own = share_gc[g, c] * (slope_gc[g, c] - mean)
            by_shop_c[c] += own
            by_kind_h[a.kind_c[c]] += own
        for f in range(len(a.level_fg)):
            for h in range(a.kinds):
                by_effect_lh[a.level_fg[f, g], h] += by_kind_h[h]
    return by_shop_c, by_effect_lh


@compiled
def causes_density(x: FloatArray, labels: FloatArray, a: CauseArrays) -> tuple[float, FloatArray]:
    """Log density of the causes, and its slope.

    `x` are the shop's standardised effects, those of the groupings' log standard deviations, those
    of levels, and the log odds of `LABELS`, whose Beta parameters `labels` holds.
    """
    n_shop = len(a.basis_xc)
    slope = -x
    shop_c, effect_lh, sd_f = effects(x, a)
    share_gc = shares(shop_c, effect_lh, a)
    slope_gc = np.zeros(share_gc.shape)
    chance = 1 / (1 + np.exp(-x[-3:]))
    log, by_chance = add_recorded(chance, share_gc.ravel(), slope_gc.ravel(), a)
    for k in range(len(a.count_k)):
        g = a.cell_k[k]
        total = np.dot(share_gc[g], a.likelihood_kc[k])
        log += a.count_k[k] * np.log(total)
        for c in range(len(shop_c)):
            slope_gc[g, c] += a.count_k[k] / total * a.likelihood_kc[k, c]
    log -= 0.5 * (x[:-3] ** 2).sum()
    log += (labels[:, 0] * np.log(chance) + labels[:, 1] * np.log1p(-chance)).sum()
    slope[-3:] = labels[:, 0] * (1 - chance) - labels[:, 1] * chance
    slope[-3:] += by_chance * chance * (1 - chance)
    by_shop_c, by_effect_lh = slope_by_effects(share_gc, slope_gc, a)
    by_shop_c *= a.sd_c
    for i in range(n_shop):
        slope[i] += np.dot(a.basis_xc[i], by_shop_c)
    by_raw_yh = slope[n_shop + len(sd_f) : -3].reshape(len(a.contrast_yl), a.kinds)
    for level in range(len(by_effect_lh)):
        f = a.grouping_l[level]
        slope[n_shop + f] += EFFECT_SD[1] * np.dot(by_effect_lh[level], effect_lh[level])
        for y in range(len(by_raw_yh)):
            for h in range(a.kinds):
                by_raw_yh[y, h] += a.contrast_yl[y, level] * sd_f[f] * by_effect_lh[level, h]
    return log, slope


def cause_target(data: CauseCounts, a: CauseArrays) -> Target:
    """Give the density of the causes to sample, named and laid out as in the model."""
    labels = np.array(list(LABELS.values()))
    size = len(a.basis_xc) + len(a.level_fg) + a.kinds * len(a.contrast_yl)

    def expand(x: FloatArray) -> dict[str, FloatArray]:
        shop_c, effect_lh, sd_f = effects(x, a)
        chance = 1 / (1 + np.exp(-x[-3:]))
        names = [f"{grouping.name}_sd" for grouping in data.groupings]
        drawn = dict(zip((*names, *LABELS), [*sd_f, *chance], strict=True)) | {"shop": shop_c}
        return drawn | ({"effect": effect_lh.T} if data.groupings else {})

    return Target.of(
        lambda x: causes_density(x, labels, a),
        expand,
        np.concatenate([np.zeros(size), np.log(labels[:, 0] / labels[:, 1])]),
        dims={"shop": ("cause",), "effect": ("kind", "level")},
        coords={"cause": data.causes, "kind": data.kinds, "level": data.levels},
    )


class OutcomeArrays(NamedTuple):
    """What the density of the tests is made of; what findings of a group may be, end to end."""

    base_s: FloatArray
    end_u: IntArray
    slot_i: IntArray
    weight_i: FloatArray
    end_k: IntArray
    count_k: FloatArray


def outcome_arrays(data: OutcomeCounts) -> OutcomeArrays:
    """Lay out counts."""
    end_u = np.cumsum([len(base) for base in data.base])
    return OutcomeArrays(
        np.concatenate(data.base), end_u, data.slot_i, data.weight_i, data.end_k, data.count_k
    )


@compiled
def outcome_chances(x: FloatArray, a: OutcomeArrays) -> tuple[FloatArray, FloatArray]:
    """Chance of each outcome of each unit, and the spread of its log before."""
    worth = PACK_WEIGHT[0] * np.exp(PACK_WEIGHT[1] * x[0])
    sd_s = np.minimum(1 / np.sqrt(worth * a.base_s), LARGEST_LOG_SD)
    chance_s = a.base_s * np.exp(sd_s * x[1:])
    start = 0
    for end in a.end_u:
        chance_s[start:end] /= chance_s[start:end].sum()
        start = end
    return chance_s, sd_s


@compiled
def outcomes_density(x: FloatArray, a: OutcomeArrays) -> tuple[float, FloatArray]:
    """Log density of what tests show, and its slope.

    `x` are the standardised effects of the pack's log weight and of each outcome's log chance.
    """
    chance_s, sd_s = outcome_chances(x, a)
    slope, by_chance_s = -x, np.zeros(len(chance_s))
    log = -0.5 * (x**2).sum()
    start = 0
    for k in range(len(a.count_k)):
        total = 0.0
        for i in range(start, a.end_k[k]):
            total += a.weight_i[i] * chance_s[a.slot_i[i]]
        log += a.count_k[k] * np.log(total)
        rate = a.count_k[k] / total
        for i in range(start, a.end_k[k]):
            by_chance_s[a.slot_i[i]] += rate * a.weight_i[i]
        start = a.end_k[k]
    start = 0
    for end in a.end_u:
        by_chance_s[start:end] -= np.dot(by_chance_s[start:end], chance_s[start:end])
        start = end
    by_chance_s *= chance_s * sd_s
    slope[1:] += by_chance_s
    for s in range(len(sd_s)):
        if sd_s[s] < LARGEST_LOG_SD:
            slope[0] -= 0.5 * PACK_WEIGHT[1] * by_chance_s[s] * x[1 + s]
    return log, slope


def outcome_target(data: OutcomeCounts) -> Target:
    """Give the density of the tests to sample; its effects are hardly correlated."""
    a = outcome_arrays(data)
    units = zip(data.units, data.outcomes, strict=True)

    def expand(x: FloatArray) -> dict[str, FloatArray]:
        worth = PACK_WEIGHT[0] * np.exp(PACK_WEIGHT[1] * x[0])
        return {"concentration": worth, "chance": outcome_chances(x, a)[0]}

    return Target.of(
        lambda x: outcomes_density(x, a),
        expand,
        np.zeros(1 + len(a.base_s)),
        dims={"chance": ("slot",)},
        coords={"slot": [f"{unit}={name}" for unit, names in units for name in names]},
        is_correlated=False,
    )
