"""From counts and a pack to the arrays that the models of closed jobs take."""

from __future__ import annotations

import heapq
from collections import Counter

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.learn.counts import Counts
from swapinfer.learn.prior import NEVER, Cell, Tests, base_shares
from swapinfer.pack.model import Pack

MAX_OPEN_GROUPS = 250
"""Groups of unconfirmed jobs that the cause model takes; beyond, like ones are merged."""
LARGEST_LOG_RATIO = 10.0
"""What findings of a table can say against a cause, at most: tables leave out much."""
WEIGHT_STEP = 0.05
"""Rounding of profile weights when findings of unconfirmed jobs are grouped."""
CHUNK_PATTERNS = 20_000
STAYED, RETURNED, SAME, OTHER = range(4)
"""What followed a recorded cause: nothing, a comeback without a cause, with the same, another."""
POOLED = ("family", "age", "complaint")
"""Fields of a cell whose effects are pooled."""

Groups = Counter[tuple[tuple[int, float], ...]]
"""Findings by the slots that they may be, and the chance of each."""


class Grouping(Struct, frozen=True, eq=False):
    """A grouping of cells, as by family, whose effects are partially pooled; each cell's level."""

    name: str
    levels: tuple[str, ...]
    level_g: IntArray


class CauseCounts(Struct, frozen=True, eq=False):
    """Sufficient statistics of the causes of a shop's jobs.

    Axes: ``g`` cell (family, age band and complaint together), ``c`` cause, ``h`` kind of element,
    ``n`` recorded cases alike, ``k`` unconfirmed jobs alike. Pooled effects act on kinds, the
    shop's own on each cause. `base_gc` is the base pack's chance of each cause, given a complaint.
    Cases are recorded by what followed, with the first and the last verified cause;
    `open_likelihood_kc` is that of findings under each cause, up to a factor a row.
    """

    causes: tuple[str, ...]
    kinds: tuple[str, ...]
    kind_c: IntArray
    groupings: tuple[Grouping, ...]
    base_gc: FloatArray
    course_n: IntArray
    cell_n: IntArray
    first_n: IntArray
    last_n: IntArray
    count_n: FloatArray
    open_cell_k: IntArray
    open_likelihood_kc: FloatArray
    open_count_k: FloatArray

    @property
    def cases_gc(self) -> FloatArray:
        """Verified cases, comebacks followed, by the last cause that was verified."""
        case_gc = np.zeros(self.base_gc.shape)
        np.add.at(case_gc, (self.cell_n, self.last_n), self.count_n)
        return case_gc

    @property
    def of_kind(self) -> FloatArray:
        """Of what kind a cause is, as a matrix of ones and zeros; shape (cause, kind)."""
        return np.eye(len(self.kinds))[self.kind_c]

    @property
    def levels(self) -> tuple[str, ...]:
        """Levels of all groupings, side by side."""
        return tuple(f"{one.name}={level}" for one in self.groupings for level in one.levels)


class OutcomeCounts(Struct, frozen=True, eq=False):
    """Sufficient statistics of what tests showed.

    A *unit* is one profile of one test: what it shows on a thing in order, or on one that has a
    mode which the test can see. A *slot* is one outcome of one unit, numbered throughout; `base`
    are the pack's chances, unit by unit. A finding whose profile is not certain is a mixture over
    slots of the same outcome: a fault shows only part of the time, and in an unconfirmed job the
    cause itself is uncertain. Findings alike, ``k``, may be some slots, ``i``, with some weight.
    """

    units: tuple[str, ...]
    outcomes: tuple[tuple[str, ...], ...]
    base: tuple[FloatArray, ...]
    slot_i: IntArray
    weight_i: FloatArray
    end_k: IntArray
    count_k: FloatArray


def prepare_causes(
    counts: Counts, pack: Pack, tests: Tests, whole: CauseCounts | None = None
) -> CauseCounts:
    """Arrange counts for the cause model, over the causes that at least one cell's engine can have.

    The tests weigh the findings of unconfirmed jobs. Of a part of a history, the causes are those
    of the `whole`.
    """
    base_gc = base_shares(pack, counts.cells)
    kept = (base_gc.max(axis=0) > 10 * NEVER) | (counts.cases.by_cause(base_gc.shape[1]) > 0)
    kept[[first for _, first, _ in counts.cases.chains]] = True
    if whole is not None:
        kept = np.isin(counts.words.causes, whole.causes)
    number = np.cumsum(kept) - 1
    base_gc = base_gc[:, kept] / base_gc[:, kept].sum(axis=1, keepdims=True)
    causes = tuple(cause for cause, stays in zip(counts.words.causes, kept, strict=True) if stays)
    kinds = tuple(dict.fromkeys(cause.split(".")[0] for cause in causes))
    cases = counts.cases
    rows = [(STAYED, cell, cause, cause, n) for (cell, cause), n in cases.stayed.items()]
    rows += [(RETURNED, cell, cause, cause, n) for (cell, cause), n in cases.returned.items()]
    for (cell, first, last), n in cases.chains.items():
        rows.append((SAME if first == last else OTHER, cell, first, last, n))
    table_nx = np.array(sorted(rows), np.int64).reshape(-1, 5)
    table_nx = table_nx[kept[table_nx[:, 2]] & kept[table_nx[:, 3]]]
    cell_k, likelihood_kc, count_k = open_groups(counts, tests, base_gc, kept)
    return CauseCounts(
        causes=causes,
        kinds=kinds,
        kind_c=np.array([kinds.index(cause.split(".")[0]) for cause in causes]),
        groupings=_groupings(counts.cells),
        base_gc=base_gc,
        course_n=table_nx[:, 0],
        cell_n=table_nx[:, 1],
        first_n=number[table_nx[:, 2]],
        last_n=number[table_nx[:, 3]],
        count_n=table_nx[:, 4].astype(np.float64),
        open_cell_k=cell_k,
        open_likelihood_kc=likelihood_kc,
        open_count_k=count_k,
    )


def all_causes(share_gc: FloatArray, data: CauseCounts, counts: Counts) -> FloatArray:
    """Spread shares of the model's causes over all causes that the history's words name."""
    out = np.full((len(share_gc), len(counts.words.causes)), NEVER)
    out[:, np.isin(counts.words.causes, data.causes)] = share_gc
    return out


def _groupings(cells: tuple[Cell, ...]) -> tuple[Grouping, ...]:
    """Family, age band and complaint, where the history tells them apart."""
    found = []
    for name in POOLED:
        levels, level_g = np.unique([getattr(cell, name) for cell in cells], return_inverse=True)
        if len(levels) > 1:
            found.append(Grouping(name, tuple(levels.tolist()), level_g))
    return tuple(found)


def open_groups(
    counts: Counts, tests: Tests, base_gc: FloatArray, kept: BoolArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Group unconfirmed jobs whose findings say nearly the same.

    Each group's cell, likelihood under each kept cause over that under the base shares, and size.
    The likelihood is the mean of its members', each divided by what it is under the base shares:
    the slope of the log-likelihood there is then exactly that of the ungrouped jobs, whatever is
    merged.
    """
    keys = list(counts.patterns)
    cell_k = np.array([cell for cell, _ in (*keys, *counts.exact)], dtype=np.int64)
    log_kc = pattern_log_likelihood([outcomes for _, outcomes in keys], tests)
    exact_kc = np.array([vector for _, vector in counts.exact]).reshape(-1, log_kc.shape[1])
    log_kc = np.concatenate([log_kc, exact_kc])[:, kept]
    jobs = [*counts.patterns.values(), *counts.exact.values()]
    count_k = np.array(jobs, dtype=np.float64)
    log_kc = log_kc - log_kc.max(axis=1, keepdims=True, initial=-np.inf)
    likelihood_kc = np.exp(np.maximum(log_kc, -LARGEST_LOG_RATIO))
    likelihood_kc /= (likelihood_kc * base_gc[cell_k]).sum(axis=1, keepdims=True)
    group_k = merge_alike(likelihood_kc * base_gc[cell_k], count_k, cell_k, MAX_OPEN_GROUPS)
    total = np.bincount(group_k, weights=count_k).astype(np.float64)
    mean_kc = np.zeros((len(total), likelihood_kc.shape[1]))
    np.add.at(mean_kc, group_k, likelihood_kc * count_k[:, None])
    first = np.unique(group_k, return_index=True)[1]
    return cell_k[first], mean_kc / total[:, None], total


def merge_alike(
    point_kc: FloatArray, weight_k: FloatArray, apart_k: IntArray, most: int
) -> IntArray:
    """Sort weighted points into groups by splitting the widest group again and again.

    Points `apart_k`, those of different labels, never share one, even if there are `most` then.
    Each point's group; numbered without gaps.
    """
    heap = [
        _spread_of(point_kc, weight_k, np.flatnonzero(apart_k == a)) for a in np.unique(apart_k)
    ]
    heapq.heapify(heap)
    while len(heap) < most and heap and heap[0][0] < 0:
        _, _, axis, cut, members = heapq.heappop(heap)
        left = point_kc[members, axis] <= cut
        for part in (members[left], members[~left]):
            heapq.heappush(heap, _spread_of(point_kc, weight_k, part))
    group_k = np.zeros(len(point_kc), dtype=np.int64)
    for number, (*_, members) in enumerate(sorted(heap, key=lambda one: one[1])):
        group_k[members] = number
    return group_k


def _spread_of(
    point_kc: FloatArray, weight_k: FloatArray, members: IntArray
) -> tuple[float, int, int, float, IntArray]:
    """Width of a group (negative, for a heap), first member, widest axis, its mean, members."""
    points, weights = point_kc[members], weight_k[members]
    centre_c = weights @ points / weights.sum()
    width_c = weights @ np.square(points - centre_c)
    axis = int(np.argmax(width_c))
    cut = float(centre_c[axis])
    splits = 0 < int((points[:, axis] <= cut).sum()) < len(members)
    return (-float(width_c.sum()) if splits else 0.0), int(members[0]), axis, cut, members


def pattern_log_likelihood(patterns: list[tuple[int, ...]], tests: Tests) -> FloatArray:
    """Log-likelihood of each set of outcomes under each cause, given which they are independent."""
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
    """Arrange counts for the model of tests; shares as learned weigh unconfirmed jobs' findings."""
    groups: Groups = Counter()
    for (cause, outcome, here), n in counts.sightings.items():
        visible = tests.visible_oc[outcome, cause] if here else 0.0
        seen, unseen = tests.seen_oc[outcome, cause], tests.unseen_oc[outcome, cause]
        groups[_mixture({int(seen): visible, int(unseen): 1.0 - visible})] += n
    _add_unconfirmed(groups, counts, tests, share_gc)
    unit_of_slot = np.repeat(np.arange(len(tests.units)), [len(base) for base in tests.base])
    touched = {unit_of_slot[slot] for group in groups for slot, weight in group}
    kept = [u for u in sorted(touched) if tests.learnable[u]]
    is_kept = np.isin(unit_of_slot, kept)
    new_slot = np.where(is_kept, np.cumsum(is_kept) - 1, -1)
    rows = [(group, n) for group, n in sorted(groups.items()) if new_slot[group[0][0]] >= 0]
    parts = [(new_slot[slot], weight) for group, _ in rows for slot, weight in group]
    return OutcomeCounts(
        units=tuple("/".join(tests.units[u]) for u in kept),
        outcomes=tuple(tests.outcomes[u] for u in kept),
        base=tuple(tests.base[u] for u in kept),
        slot_i=np.array([slot for slot, _ in parts], np.int64),
        weight_i=np.array([weight for _, weight in parts], np.float64),
        end_k=np.cumsum([len(group) for group, _ in rows]),
        count_k=np.array([n for _, n in rows], dtype=np.float64),
    )


def _mixture(weights: dict[int, float]) -> tuple[tuple[int, float], ...]:
    return tuple(sorted((slot, float(weight)) for slot, weight in weights.items() if weight > 0))


def _add_unconfirmed(groups: Groups, counts: Counts, tests: Tests, share_gc: FloatArray) -> None:
    """Add findings of unconfirmed jobs, outcome by outcome, weighed by the job's other findings."""
    patterns = counts.patterns + counts.weighed_patterns
    keys = list(patterns)
    jobs_k = np.array(list(patterns.values()), dtype=np.float64)
    log_oc = np.log(tests.chance_oc)
    for start in range(0, len(keys), CHUNK_PATTERNS):
        here = slice(start, start + CHUNK_PATTERNS)
        cell_k = [cell for cell, _ in keys[here]]
        outcomes_kf = _pad([outcomes for _, outcomes in keys[here]], -1)
        joint_kc = np.log(share_gc[cell_k])
        joint_kc += pattern_log_likelihood([outcomes for _, outcomes in keys[here]], tests)
        for outcome in np.unique(outcomes_kf[outcomes_kf >= 0]):
            times_k = (outcomes_kf == outcome).sum(axis=1)
            mine = np.flatnonzero(times_k)
            others_kc = joint_kc[mine] - log_oc[outcome]
            weight_kc = np.exp(others_kc - others_kc.max(axis=1, keepdims=True))
            weight_kc /= weight_kc.sum(axis=1, keepdims=True)
            count_k = jobs_k[here][mine] * times_k[mine]
            _add_mixtures(groups, tests, int(outcome), weight_kc, count_k)


def _add_mixtures(
    groups: Groups, tests: Tests, outcome: int, weight_kc: FloatArray, count_k: FloatArray
) -> None:
    """Gather weights of causes by profile, rounded so that like findings share a group."""
    slots, profile_c = np.unique(tests.seen_oc[outcome], return_inverse=True)
    seen_kc = weight_kc * tests.visible_oc[outcome]
    by_slot = seen_kc @ np.eye(len(slots))[profile_c]
    unseen = int(np.searchsorted(slots, tests.unseen_oc[outcome, 0]))
    by_slot[:, unseen] += 1.0 - seen_kc.sum(axis=1)
    steps = np.round(by_slot / WEIGHT_STEP)
    distinct, group_k = np.unique(steps, axis=0, return_inverse=True)
    total = np.bincount(group_k.ravel(), weights=count_k)
    for row, count in zip(distinct, total, strict=True):
        weights = dict(zip(slots.tolist(), (row / row.sum()).tolist(), strict=True))
        groups[_mixture(weights)] += int(count)
