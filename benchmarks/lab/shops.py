"""Small shops drawn from the prior of each model, for `lab.calibrate`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from lab.calibrate import Quantities, Simulate
from lab.models import CausePriors, cause_model, log_normal, reliability_model
from lab.rates import rate_around, rate_model
from scipy.special import log_softmax, softmax

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.prepare import (
    OTHER,
    RETURNED,
    SAME,
    STAYED,
    CauseCounts,
    Grouping,
    OutcomeCounts,
)
from swapinfer.learn.sampling import Model

NO_INT: IntArray = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Trial:
    """A model, how to draw a shop from its prior, and what to judge."""

    model: Model
    simulate: Simulate
    quantities: Quantities


BASE_C = (0.5, 0.3, 0.15, 0.05)
TOLD_OC = np.array([[0.7, 0.2, 0.3, 0.4], [0.3, 0.8, 0.7, 0.6]])


def recorded(
    stayed_gc: FloatArray, returned_gc: FloatArray | None = None, chains: IntArray | None = None
) -> dict[str, IntArray | FloatArray]:
    """Lay recorded cases out: tables of those that stayed and returned, and chains.

    A chain is a cell, the first and the last cause and how often.
    """
    rows = [(STAYED, g, c, c, n) for (g, c), n in np.ndenumerate(stayed_gc)]
    if returned_gc is not None:
        rows += [(RETURNED, g, c, c, n) for (g, c), n in np.ndenumerate(returned_gc)]
    for g, first, last, n in () if chains is None else chains:
        rows.append((SAME if first == last else OTHER, g, first, last, n))
    names = ("course_n", "cell_n", "first_n", "last_n")
    columns = np.array(rows, dtype=float).T
    return dict(zip(names, columns.astype(np.int64), strict=False)) | {"count_n": columns[4]}


def cause_counts() -> CauseCounts:
    """Make a shop of three families and four causes, where one test tells a little.

    Its counts only hold the places of those that are drawn for each shop.
    """
    return CauseCounts(
        causes=tuple("abcd"),
        kinds=tuple("abcd"),
        kind_c=np.arange(4),
        groupings=(Grouping("family", ("x", "y", "z"), np.arange(3)),),
        base_gc=np.tile(BASE_C, (3, 1)),
        **recorded(np.ones((3, 4))),
        open_cell_k=np.repeat(np.arange(3), 2),
        open_likelihood_kc=np.tile(TOLD_OC, (3, 1)),
        open_count_k=np.zeros(6),
    )


def cause_trial(jobs: int = 60) -> Trial:
    """Draw causes, a third of the jobs being known by their findings only."""
    data = cause_counts()
    base_gc = data.base_gc
    shop_sd_c = np.array([0.6, 0.8, 0.8, 1.0])
    priors = CausePriors(shop_sd_c, np.ones(4), label_right=None)

    def simulate(rng: np.random.Generator) -> tuple[Mapping[str, FloatArray], FloatArray]:
        shop_c = shop_sd_c * rng.standard_normal(4)
        effect_hl = rng.standard_normal((4, 3))
        effect_hl -= effect_hl.mean(axis=1, keepdims=True)
        effect_hl *= 0.2 * np.exp(0.6 * rng.standard_normal())
        share_gc = softmax(np.log(base_gc) + shop_c + effect_hl.T, axis=1)
        cause_jg = np.stack([rng.choice(4, size=jobs, p=share_c) for share_c in share_gc])
        known = np.arange(jobs) < 2 * jobs // 3
        confirmed = [np.bincount(cause_j[known], minlength=4) for cause_j in cause_jg]
        second = [rng.random((~known).sum()) < TOLD_OC[1, cause_j[~known]] for cause_j in cause_jg]
        open_k = np.array([[(~row).sum(), row.sum()] for row in second]).ravel()
        drawn = {
            "confirmed": np.concatenate(confirmed).astype(float),
            "open_count": open_k.astype(float),
        }
        return drawn, np.concatenate([shop_c[1:] - shop_c[0], np.log(share_gc).mean(axis=0)])

    def quantities(drawn: Mapping[str, FloatArray]) -> FloatArray:
        score_dgc = np.log(base_gc) + drawn["shop"][:, None] + drawn["effect"].transpose(0, 2, 1)
        contrast_dc = drawn["shop"][:, 1:] - drawn["shop"][:, :1]
        return np.concatenate([contrast_dc, log_softmax(score_dgc, axis=2).mean(axis=1)], axis=1)

    return Trial(cause_model(data, priors), simulate, quantities)


def reliability_trial(findings: int = 25) -> Trial:
    """Two tests of two profiles; what shows only part of the time is a mixture."""
    chances = ([0.9, 0.1], [0.2, 0.8], [0.7, 0.2, 0.1], [0.1, 0.3, 0.6])
    base: tuple[FloatArray, ...] = tuple(np.array(one) for one in chances)
    slots = [(0, 0), (1, 1), (2, 0), (3, 1), (4, 4), (5, 5), (6, 6), (7, 4), (8, 5), (9, 6)]
    weights = [(1.0, 0.0)] * 2 + [(0.7, 0.3)] * 2 + [(1.0, 0.0)] * 3 + [(0.6, 0.4)] * 3
    slot_kp, weight_kp = np.array(slots), np.array(weights)
    data = OutcomeCounts(
        units=("one/good", "one/bad", "two/good", "two/bad"),
        outcomes=(("+", "-"), ("+", "-"), ("+", "0", "-"), ("+", "0", "-")),
        base=base,
        slot_i=slot_kp[weight_kp > 0],
        weight_i=weight_kp[weight_kp > 0],
        end_k=np.cumsum((weight_kp > 0).sum(axis=1)),
        count_k=np.zeros(10),
    )
    unit_s = np.repeat(range(4), [2, 2, 3, 3])
    groups = ((0, 2), (2, 4), (4, 7), (7, 10))
    flat = np.concatenate(base)

    def simulate(rng: np.random.Generator) -> tuple[Mapping[str, FloatArray], FloatArray]:
        weight = 20 * np.exp(0.7 * rng.standard_normal())
        scale_s = np.minimum(1 / np.sqrt(weight * flat), 1.5)
        odds_s = flat * np.exp(scale_s * rng.standard_normal(10))
        chance_s = odds_s / np.bincount(unit_s, odds_s)[unit_s]
        mixed_k = (weight_kp * chance_s[slot_kp]).sum(axis=1)
        count_k = [rng.multinomial(findings, mixed_k[a:b] / mixed_k[a:b].sum()) for a, b in groups]
        return {"count": np.concatenate(count_k).astype(float)}, np.log(chance_s)

    def quantities(drawn: Mapping[str, FloatArray]) -> FloatArray:
        out: FloatArray = np.log(drawn["chance"])
        return out

    return Trial(reliability_model(data), simulate, quantities)


def rate_trial(exposure: float = 4.0) -> Trial:
    """Eight units around one level."""
    exposure_u = exposure * np.linspace(0.5, 2.0, 8)

    def simulate(rng: np.random.Generator) -> tuple[Mapping[str, FloatArray], FloatArray]:
        alpha = 3.0 * np.exp(0.5 * rng.standard_normal())
        level = np.exp(0.5 * rng.standard_normal())
        rate_u = rng.gamma(alpha, level / alpha, size=8)
        truth = np.log(np.array([alpha, level, *rate_u]))
        return {"events": rng.poisson(rate_u * exposure_u).astype(float)}, truth

    def quantities(drawn: Mapping[str, FloatArray]) -> FloatArray:
        columns = [drawn["concentration"], drawn["level"], *drawn["rate"].T]
        out: FloatArray = np.log(np.stack(columns, axis=1))
        return out

    hyper = rate_around(1.0, 0.5, log_normal(3.0, 0.5))
    model = rate_model(np.ones(8, dtype=np.int64), exposure_u, hyper)
    return Trial(model, simulate, quantities)
