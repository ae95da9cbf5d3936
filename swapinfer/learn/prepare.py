"""From counts and a pack to what the models take."""

from __future__ import annotations

from collections import Counter

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.learn.aggregate import Counts
from swapinfer.learn.base import Tests, base_shares, shop_sd
from swapinfer.learn.models import CauseCounts, CausePriors, Factor, OutcomeCounts
from swapinfer.learn.scan import Cell
from swapinfer.pack.model import Pack

MAX_OPEN_GROUPS = 600
"""Groups of unconfirmed jobs that the cause model takes; beyond, likelihoods are rounded more."""
FINEST_STEP = 0.25
"""Rounding of log-likelihoods when unconfirmed jobs are grouped."""
LARGEST_LOG_RATIO = 10.0
"""What findings of a table can say against a cause, at most: tables leave out much."""
WEIGHT_STEP = 0.02
"""Rounding of profile weights when findings of unconfirmed jobs are grouped."""


def prepare_causes(counts: Counts, pack: Pack, tests: Tests) -> CauseCounts:
    """Arrange counts for the cause model.

    Parameters
    ----------
    counts : Counts
        Of a history.
    pack : Pack
        Base pack.
    tests : Tests
        Of the same pack; they weigh the findings of unconfirmed jobs.

    Returns
    -------
    CauseCounts
        Over the causes that at least one cell's engine can have.
    """
    base_gc = base_shares(pack, counts.cells)
    n_cells, n_causes = base_gc.shape
    causes = counts.words.causes
    kinds = tuple(dict.fromkeys(cause.split(".")[0] for cause in causes))
    chains = np.array([[*key, n] for key, n in sorted(counts.cases.chains.items())])
    chains = chains.reshape(-1, 4).astype(np.int64)
    cell_k, likelihood_kc, count_k = _open_groups(counts, tests)
    return CauseCounts(
        causes=causes,
        kinds=kinds,
        kind_c=np.array([kinds.index(cause.split(".")[0]) for cause in causes]),
        factors=_factors(counts.cells),
        base_gc=base_gc,
        confirmed_gc=_fill(counts.cases.stayed, (n_cells, n_causes)),
        returned_gc=_fill(counts.cases.returned, (n_cells, n_causes)),
        chain_cell_n=chains[:, 0],
        chain_first_n=chains[:, 1],
        chain_last_n=chains[:, 2],
        chain_count_n=chains[:, 3].astype(np.float64),
        open_cell_k=cell_k,
        open_likelihood_kc=likelihood_kc,
        open_count_k=count_k,
    )


def cause_priors(pack: Pack, data: CauseCounts, weight: float) -> CausePriors:
    """Prior belief of the cause model, from the pack's own spreads."""
    return CausePriors(shop_sd_c=shop_sd(pack, weight), effect_scale_h=np.ones(len(data.kinds)))


def _fill(counter: Counter[tuple[int, int]], shape: tuple[int, int]) -> FloatArray:
    table = np.zeros(shape)
    for at, count in counter.items():
        table[at] = count
    return table


def _factors(cells: tuple[Cell, ...]) -> tuple[Factor, ...]:
    """Family, age band and complaint, where the history tells them apart."""
    made = (_factor(name, [getattr(cell, name) for cell in cells]) for name in FACTORS)
    return tuple(factor for factor in made if len(factor.levels) > 1)


FACTORS = ("family", "age", "complaint")


def _factor(name: str, values: list[str]) -> Factor:
    levels = tuple(sorted(set(values)))
    return Factor(name, levels, np.array([levels.index(value) for value in values]))


def _open_groups(counts: Counts, tests: Tests) -> tuple[IntArray, FloatArray, FloatArray]:
    """Group unconfirmed jobs by cell and rounded log-likelihood."""
    keys, jobs = list(counts.patterns), list(counts.patterns.values())
    cell_k = [cell for cell, _ in keys]
    log_kc = pattern_log_likelihood([outcomes for _, outcomes in keys], tests)
    if counts.exact:
        log_kc = np.concatenate([log_kc, np.array([vector for _, vector in counts.exact])])
        cell_k += [cell for cell, _ in counts.exact]
        jobs += list(counts.exact.values())
    log_kc = log_kc - log_kc.max(axis=1, keepdims=True, initial=-np.inf)
    log_kc = np.maximum(log_kc, -LARGEST_LOG_RATIO)
    step = FINEST_STEP
    while True:
        rows = np.column_stack([np.array(cell_k, dtype=float), np.round(log_kc / step)])
        distinct, group_k = np.unique(rows, axis=0, return_inverse=True)
        if len(distinct) <= MAX_OPEN_GROUPS:
            break
        step *= 2
    count_k = np.zeros(len(distinct))
    np.add.at(count_k, group_k.ravel(), jobs)
    likelihood_kc: FloatArray = np.exp(distinct[:, 1:] * step)
    return distinct[:, 0].astype(np.int64), likelihood_kc, count_k


def pattern_log_likelihood(patterns: list[tuple[int, ...]], tests: Tests) -> FloatArray:
    """Log-likelihood of sets of outcomes under each cause, findings being independent given it.

    Parameters
    ----------
    patterns : list of tuple of int
        Outcomes of each job, numbered through all tests.
    tests : Tests
        What each shows under each cause.

    Returns
    -------
    ndarray of float, shape (pattern, cause)
    """
    log_oc = np.log(tests.chance_oc)
    padded = _pad(patterns, len(log_oc))
    log_oc = np.concatenate([log_oc, np.zeros((1, log_oc.shape[1]))])
    out = np.zeros((len(patterns), log_oc.shape[1]))
    for column in padded.T:
        out += log_oc[column]
    return out


def _pad(patterns: list[tuple[int, ...]], filler: int) -> IntArray:
    """Stack tuples of different lengths; the rest of a row is `filler`."""
    width = max(map(len, patterns), default=0)
    table = np.full((len(patterns), width), filler, dtype=np.int64)
    for row, pattern in enumerate(patterns):
        table[row, : len(pattern)] = pattern
    return table


def prepare_outcomes(counts: Counts, tests: Tests, share_gc: FloatArray) -> OutcomeCounts:
    """Arrange counts for the reliability model.

    Parameters
    ----------
    counts : Counts
        Of a history.
    tests : Tests
        Of the base pack.
    share_gc : ndarray of float, shape (cell, cause)
        Chance of each cause in each cell, as learned.

    Returns
    -------
    OutcomeCounts
        Over the units of inspections that the history holds findings of.
    """
    groups: Counter[tuple[tuple[int, float], ...]] = Counter()
    _add_confirmed(groups, counts, tests)
    _add_unconfirmed(groups, counts, tests, share_gc)
    unit_of_slot = np.repeat(np.arange(len(tests.units)), [len(base) for base in tests.base])
    touched = {unit_of_slot[slot] for group in groups for slot, weight in group}
    kept = [u for u in sorted(touched) if tests.learnable[u]]
    new_slot = _renumber(kept, unit_of_slot)
    rows = [(group, n) for group, n in sorted(groups.items()) if new_slot[group[0][0]] >= 0]
    width = max((len(group) for group, _ in rows), default=1)
    slot_kp = np.zeros((len(rows), width), dtype=np.int64)
    weight_kp = np.zeros((len(rows), width))
    for k, (group, _) in enumerate(rows):
        for p, (slot, weight) in enumerate(group):
            slot_kp[k, p], weight_kp[k, p] = new_slot[slot], weight
    return OutcomeCounts(
        units=tuple("/".join(tests.units[u]) for u in kept),
        outcomes=tuple(tests.outcomes[u] for u in kept),
        base=tuple(tests.base[u] for u in kept),
        slot_kp=slot_kp,
        weight_kp=weight_kp,
        count_k=np.array([n for _, n in rows], dtype=np.float64),
    )


def _renumber(kept: list[int], unit_of_slot: IntArray) -> IntArray:
    """Position of each slot when only some units are kept, -1 where its unit is not."""
    new_slot = np.full(len(unit_of_slot), -1)
    keeps = np.isin(unit_of_slot, kept)
    new_slot[keeps] = np.arange(int(keeps.sum()))
    return new_slot


Groups = Counter[tuple[tuple[int, float], ...]]


def _add_confirmed(groups: Groups, counts: Counts, tests: Tests) -> None:
    for (cause, outcome, here), n in counts.sightings.items():
        visible = tests.visible_oc[outcome, cause] if here else 0.0
        seen, unseen = tests.seen_oc[outcome, cause], tests.unseen_oc[outcome, cause]
        groups[_mixture({int(seen): visible, int(unseen): 1.0 - visible})] += n


def _mixture(weights: dict[int, float]) -> tuple[tuple[int, float], ...]:
    return tuple(sorted((slot, float(weight)) for slot, weight in weights.items() if weight > 0))


def _add_unconfirmed(groups: Groups, counts: Counts, tests: Tests, share_gc: FloatArray) -> None:
    keys = list(counts.patterns)
    log_oc = np.log(tests.chance_oc)
    log_share_gc = np.log(share_gc)
    for (cell, outcomes), jobs in zip(keys, counts.patterns.values(), strict=True):
        log_joint_c = log_share_gc[cell] + log_oc[list(outcomes)].sum(axis=0)
        for outcome in outcomes:
            others_c = log_joint_c - log_oc[outcome]
            weight_c = np.exp(others_c - others_c.max())
            groups[_rounded(tests, outcome, weight_c / weight_c.sum())] += jobs


def _rounded(tests: Tests, outcome: int, weight_c: FloatArray) -> tuple[tuple[int, float], ...]:
    """Gather the weights of causes by profile, rounded so that like findings share a group."""
    seen_c = tests.visible_oc[outcome] * weight_c
    by_slot = np.bincount(tests.seen_oc[outcome], weights=seen_c)
    by_slot[tests.unseen_oc[outcome, 0]] += 1.0 - seen_c.sum()
    slots = np.flatnonzero(by_slot > WEIGHT_STEP / 2)
    steps = np.round(by_slot[slots] / WEIGHT_STEP)
    return _mixture(dict(zip(slots.tolist(), (steps / steps.sum()).tolist(), strict=True)))
