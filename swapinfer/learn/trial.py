"""Whether to switch on what was learned: what it would have saved on a shop's own later jobs.

Priors learned from the earlier jobs alone are held to the verified ones after them, so that they
cannot be proved right by the jobs that they come from.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal, TypeAlias

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.cells import Cell
from swapinfer.learn.counts import LATER, Counts
from swapinfer.learn.models import CauseCounts
from swapinfer.learn.prior import NEVER, Tests, outcome_names
from swapinfer.ledger.events import Opened
from swapinfer.ledger.replay import replay
from swapinfer.pack.hazard import cause_modes
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import Costing, PlanSettings, Task
from swapinfer.units import NORMAL_90

Answer: TypeAlias = Literal["yes", "not yet", "no"]

LEAST_LATER = 10
"""Later verified jobs under which nothing is said of what priors would have saved."""

WORTH = 0.02
"""Part of the cost of checking that is worth a change; our choice, no source."""

WORTH_BITS = 0.05
"""How much more expected what is found must be to be worth one, in bits a job; our choice, no
source: a coin that falls 63 times in 100 on one side is foretold by as much more."""

MOST_MORE = 1_000
"""More jobs than these are not worth waiting for; our choice."""


class Mean(Struct, frozen=True):
    """A mean over jobs, and its standard error."""

    value: float
    error: float

    @classmethod
    def of(cls, value_k: FloatArray, count_k: FloatArray) -> Mean:
        """Average values that occur so often each."""
        total = count_k.sum()
        mean = float(count_k @ value_k / total)
        variance = float(count_k @ np.square(value_k - mean)) / max(total - 1.0, 1.0)
        return cls(mean, math.sqrt(variance / total))

    @property
    def low(self) -> float:
        """Lower end of the 90 % interval."""
        return self.value - NORMAL_90 * self.error

    @property
    def high(self) -> float:
        """Upper end of it."""
        return self.value + NORMAL_90 * self.error


class Trial(Struct, frozen=True):
    """Priors learned from earlier jobs, held to later ones.

    Attributes
    ----------
    day : str
        On which the later jobs begin; empty where all came in on one.
    learned_from, jobs : int
        Verified jobs before that day, and those from then on that were worked again.
    bits : Mean
        How much more the learned priors expected what was found, a job.
    cost, saved : Mean
        Of checking suspects until the cause is found, by the base priors, and what the learned ones
        would have saved of it.
    currency : str
        Of the costs.
    """

    day: str = ""
    learned_from: int = 0
    jobs: int = 0
    bits: Mean = Mean(0.0, math.inf)
    cost: Mean = Mean(0.0, 0.0)
    saved: Mean = Mean(0.0, math.inf)
    currency: str = ""

    @property
    def answer(self) -> Answer:
        """Whether to switch the learned priors on."""
        if self.jobs < LEAST_LATER:
            return "not yet"
        if self.bits.low > 0.0 and self.saved.low > 0.0:
            return "yes"
        is_settled = self.saved.high < self.worth or self.bits.high < 0.0
        return "no" if is_settled or self.wanted > MOST_MORE else "not yet"

    @property
    def worth(self) -> float:
        """Saving that is worth a change."""
        return WORTH * self.cost.value

    @property
    def wanted(self) -> float:
        """Verified jobs more after which the answer would be sure.

        If the mean stays what it is, its error falls with the root of the number.
        """
        enough = float(LEAST_LATER)
        if self.jobs >= LEAST_LATER:
            sizes = (self.saved, self.worth), (self.bits, WORTH_BITS)
            wide = max(NORMAL_90 * mean.error / max(mean.value, least) for mean, least in sizes)
            enough = self.jobs * max(wide**2, 1.5)
        return max(enough - self.jobs, 1.0) / LATER

    @property
    def more(self) -> int:
        """Verified jobs more after which to ask again, at most as many as there are."""
        again = max(self.learned_from + self.jobs, LEAST_LATER / LATER)
        return 10 * math.ceil(min(self.wanted, again) / 10)

    def sentences(self) -> Iterator[str]:
        """Yield what to do, and why."""
        answer = self.answer
        again = f"; ask again after some {self.more} more verified jobs" * (answer == "not yet")
        yield f"Switch it on? {answer.capitalize()}{again}."
        if self.jobs < LEAST_LATER:
            yield (
                f"Only {self.jobs} verified jobs can be held against what was learned from those "
                f"before them; it takes {LEAST_LATER}."
            )
            return
        ends = (self.saved.low, self.saved.value, self.saved.high)
        is_saved = self.saved.value >= 0.0
        low, middle, high = (
            f"{end:,.0f}" for end in (ends if is_saved else [-e for e in ends][::-1])
        )
        money = f"{self.currency} {middle}"
        saved = f"saved {money} a job" if is_saved else f"cost {money} more a job"
        after = self.cost.value - self.saved.value
        yield (
            f"It would have {saved} (90 %: {low} to {high}): "
            f"learned from the {self.learned_from} verified jobs before {self.day} and held "
            f"against the {self.jobs} since, where checking one suspect after another, the "
            f"likeliest for its price first, finds the cause for {after:,.0f} instead of "
            f"{self.cost.value:,.0f}."
        )
        if answer == "no" and self.bits.high < 0.0:
            yield "The base priors expected better what was found."
        elif answer == "no":
            yield "By the base priors much the same suspects come first."


def hold_to_later(
    counts: Counts,
    data: CauseCounts,
    ratio_c: FloatArray,
    base_ratio_c: FloatArray,
    pack: Pack,
    tests: Tests,
    settings: PlanSettings,
    family: str = "",
) -> Trial:
    """Hold hazard ratios to the later jobs of a history.

    Parameters
    ----------
    counts : Counts
        Of the history.
    data : CauseCounts
        The same arranged for the cause model.
    ratio_c, base_ratio_c : ndarray of float, shape (cause,)
        Mean hazard ratios as learned from the earlier jobs, and as the pack has them, in the order
        of the data's causes.
    pack : Pack
        Whose repairs and tests the suspects are checked by.
    tests : Tests
        Of that pack.
    settings : PlanSettings
        Shop's figures.
    family : str, optional
        Whose jobs count; default all.
    """
    split = counts.split
    if split is None:
        return Trial()
    cells, words = counts.cells, counts.words.causes
    number = {words.index(cause): c for c, cause in enumerate(data.causes)}
    rows = [
        (cell, number[cause], count)
        for (cell, cause), count in sorted(split.later.items())
        if cause in number and family in ("", cells[cell].family)
    ]
    if not rows:
        return Trial()
    cell_k, cause_k, count_k = np.array(rows).T
    count_k = count_k.astype(np.float64)
    share_gc, base_gc = (_normed(data.base_gc * one_c) for one_c in (ratio_c, base_ratio_c))
    bits_k = np.log2(share_gc[cell_k, cause_k] / base_gc[cell_k, cause_k])
    cost_gh = _checks(data, cells, pack, tests, settings)
    of_kind = np.eye(len(data.kinds))[data.kind_c]
    before_k, after_k = (
        _until_found((one_gc @ of_kind)[cell_k], cost_gh[cell_k], data.kind_c[cause_k])
        for one_gc in (base_gc, share_gc)
    )
    earlier_g = split.earlier.cases.by_cell(len(cells))
    return Trial(
        day=split.day,
        learned_from=int(earlier_g[[family in ("", cell.family) for cell in cells]].sum()),
        jobs=int(count_k.sum()),
        bits=Mean.of(bits_k, count_k),
        cost=Mean.of(before_k, count_k),
        saved=Mean.of(before_k - after_k, count_k),
        currency=settings.costs.currency,
    )


def _normed(weight_gc: FloatArray) -> FloatArray:
    out: FloatArray = weight_gc / weight_gc.sum(axis=1, keepdims=True)
    return out


def _until_found(share_kh: FloatArray, cost_kh: FloatArray, kind_k: IntArray) -> FloatArray:
    """Cost of checking kinds of element in the order of share over cost, up to the true one."""
    index_kh = share_kh / cost_kh
    mine_k = np.take_along_axis(index_kh, kind_k[:, None], axis=1)
    out: FloatArray = np.where(index_kh >= mine_k, cost_kh, 0.0).sum(axis=1)
    return out


def _checks(
    data: CauseCounts, cells: Sequence[Cell], pack: Pack, tests: Tests, settings: PlanSettings
) -> FloatArray:
    """Cost of checking one element of each kind in the engine of each cell, its modes averaged.

    A mode is checked by its repair or, if that is cheaper, by a test that sees it: at the test's
    price over how surely it tells, which is half the sum by which the chances of its outcomes
    differ.
    """
    slot = np.concatenate(tests.base)
    differ_oc = tests.visible_oc * np.abs(slot[tests.seen_oc] - slot[tests.unseen_oc])
    first_t = np.cumsum([0, *(len(outcome_names(test)) for test in pack.tests.values())])[:-1]
    tells_tc = 0.5 * np.add.reduceat(differ_oc, first_t, axis=0)
    tells = dict(zip(pack.tests, tells_tc, strict=True))
    number = {cause: c for c, cause in enumerate(cause_modes(pack))}
    own_c = [number[cause] for cause in data.causes]
    of_engine = {
        engine: _check_engine(pack, engine, data.causes, settings, tells, own_c)
        for engine in {cell[:3] for cell in cells}
    }
    cost_gc = np.stack([of_engine[cell[:3]] for cell in cells])
    of_kind = np.eye(len(data.kinds))[data.kind_c]
    out: FloatArray = ((data.base_gc * cost_gc) @ of_kind) / (data.base_gc @ of_kind)
    return out


def _check_engine(
    pack: Pack,
    engine: tuple[str, ...],
    causes: Sequence[str],
    settings: PlanSettings,
    tells: Mapping[str, FloatArray],
    own_c: Sequence[int],
) -> FloatArray:
    layout, ignition, fuel = engine
    job = replay([(0, Opened("", layout, {"ignition": ignition, "fuel": fuel}))], pack)
    costing = Costing(job, settings)

    def money(task: Task) -> float:
        return costing.money(costing.work([task], ()).effort)

    parts = (cause.split(".") for cause in causes)
    cost_c = np.array([money(costing.repair(pack.kinds[k], {mode: 1.0})) for k, mode in parts])
    for test in job.engine.tests.values():
        if not settings.missing_tools.intersection(test.tools):
            tells_c = np.maximum(tells[test.id][own_c], NEVER)
            cost_c = np.minimum(cost_c, money(costing.testing(test)) / tells_c)
    return cost_c
