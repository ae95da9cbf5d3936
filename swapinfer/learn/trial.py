"""Whether to switch on what was learned, and what it changes most, in a sentence each.

Priors learned from the earlier jobs alone are held to the verified ones after them, so that they
cannot be proved right by the jobs that they come from. Families that stand out are named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cache
from typing import Literal, TypeAlias

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.counts import LATER, Counts
from swapinfer.learn.prepare import CauseCounts
from swapinfer.learn.prior import NEVER, OTHER, Cell, Tests, outcome_names
from swapinfer.learn.sampling import INTERVAL
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
MATTERING = 3
"""Changes that are told."""
APART = (0.005, 0.995)
"""Ends of the interval beyond which a family stands out from the others: of the hundreds of pairs
of a family and a kind few would do so by chance. Our choice, no source."""


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

    The later jobs begin on `day`, empty where all came in on one. `bits` is how much more the
    learned priors expected what was found, a job; `cost` that of checking suspects until the cause
    is found, by the base priors, and `saved` what the learned ones would have saved of it.
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
        is_settled = self.saved.high < WORTH * self.cost.value or self.bits.high < 0.0
        return "no" if is_settled or self.wanted > MOST_MORE else "not yet"

    @property
    def wanted(self) -> float:
        """Verified jobs more after which the answer is sure: errors fall with their root."""
        enough = float(LEAST_LATER)
        if self.jobs >= LEAST_LATER:
            sizes = (self.saved, WORTH * self.cost.value), (self.bits, WORTH_BITS)
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
    """Hold mean hazard ratios of the data's causes to the later jobs of a history, or a family."""
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
    share_gc, base_gc = data.base_gc * ratio_c, data.base_gc * base_ratio_c
    share_gc, base_gc = (one / one.sum(axis=1, keepdims=True) for one in (share_gc, base_gc))
    bits_k = np.log2(share_gc[cell_k, cause_k] / base_gc[cell_k, cause_k])
    cost_gh = _checks(data, cells, pack, tests, settings)
    before_k, after_k = (
        _until_found((one_gc @ data.of_kind)[cell_k], cost_gh[cell_k], data.kind_c[cause_k])
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

    By repair or, if cheaper, by a test that sees the mode: at its price over how surely it tells,
    which is half the sum by which the chances of its outcomes differ.
    """
    slot = np.concatenate(tests.base)
    differ_oc = tests.visible_oc * np.abs(slot[tests.seen_oc] - slot[tests.unseen_oc])
    first_t = np.cumsum([0, *(len(outcome_names(test)) for test in pack.tests.values())])[:-1]
    tells_tc = 0.5 * np.add.reduceat(differ_oc, first_t, axis=0)
    tells = dict(zip(pack.tests, tells_tc, strict=True))
    number = {cause: c for c, cause in enumerate(cause_modes(pack))}
    own_c = [number[cause] for cause in data.causes]

    @cache
    def check(layout: str, ignition: str, fuel: str) -> FloatArray:
        job = replay([(0, Opened("", layout, {"ignition": ignition, "fuel": fuel}))], pack)
        costing = Costing(job, settings)

        def money(task: Task) -> float:
            return costing.money(costing.work([task], ()).effort)

        parts = (cause.split(".") for cause in data.causes)
        cost_c = np.array([money(costing.repair(pack.kinds[k], {mode: 1.0})) for k, mode in parts])
        for test in job.engine.tests.values():
            if not settings.missing_tools.intersection(test.tools):
                tells_c = np.maximum(tells[test.id][own_c], NEVER)
                cost_c = np.minimum(cost_c, money(costing.testing(test)) / tells_c)
        return cost_c

    cost_gc = np.stack([check(*cell[:3]) for cell in cells])
    out: FloatArray = ((data.base_gc * cost_gc) @ data.of_kind) / (data.base_gc @ data.of_kind)
    return out


class Change(Struct, frozen=True):
    """A kind of element that is at fault more or less often than the base pack says.

    Its share of misfires `before` and `after`, of all jobs learned for or of one family; `times` as
    often, with its 90 % interval. Whether the family `stands_out` from the others.
    """

    kind: str
    family: str
    title: str
    before: float
    after: float
    times: float
    low: float
    high: float
    confirmed: int
    stands_out: bool

    @property
    def sentence(self) -> str:
        """The change in words."""
        where = f"In the {self.family} family the" if self.family else "The"
        times = f"{self.times:.1f} times as often as"
        if self.times < 1.0:
            times = f"only {self.times:.2f} times as often as"
        cases = "case" if self.confirmed == 1 else "cases"
        alone = f"; --family {self.family} learns for it alone" if self.family else ""
        return (
            f"{where} {self.title} is at fault {times} in the base, {100 * self.before:.2g} -> "
            f"{100 * self.after:.2g} % of misfires; {self.confirmed} confirmed {cases}{alone}."
        )


class Scopes(Struct, frozen=True, eq=False):
    """Mixes of cells of which changes are told: the jobs learned for, then each family.

    Axes: ``z`` scope, ``h`` kind, ``d`` draw. The first scope has no family; `mix_zg` is the part
    of each cell in a scope.
    """

    families: tuple[str, ...]
    jobs_z: FloatArray
    mix_zg: FloatArray

    @classmethod
    def of(cls, weight_g: FloatArray, family_of_g: Sequence[str]) -> Scopes:
        """List the scopes of the jobs that have a weight; a family beside others is one."""
        seen = {name for name, weight in zip(family_of_g, weight_g, strict=True) if weight > 0}
        families = ("", *(sorted(seen - {"", OTHER}) if len(seen) > 1 else ()))
        rows = [np.array([one in ("", name) for name in family_of_g]) for one in families]
        weight_zg = np.array(rows) * weight_g
        jobs_z = weight_zg.sum(axis=1)
        return cls(families, jobs_z, weight_zg / jobs_z[:, None])


def find_changes(
    scopes: Scopes, kinds_dzh: FloatArray, data: CauseCounts, titles: dict[str, str]
) -> tuple[Change, ...]:
    """List at most `MATTERING` changes, those of most jobs first, from draws of kinds' shares.

    The last is a family that stands out, if one does. A change whose 90 % interval holds the base
    pack's share is none.
    """
    base_zh = scopes.mix_zg @ data.base_gc @ data.of_kind
    cases_zh = (scopes.mix_zg > 0) @ data.cases_gc @ data.of_kind
    times_dzh = kinds_dzh / base_zh
    low_zh, high_zh = np.quantile(times_dzh, INTERVAL, axis=0)
    apart_zh = np.quantile(times_dzh / times_dzh[:, :1], APART, axis=0)
    is_apart_zh = (apart_zh[0] > 1.0) | (apart_zh[1] < 1.0)
    after_zh = kinds_dzh.mean(axis=0)
    moved_zh = scopes.jobs_z[:, None] * np.abs(after_zh - base_zh)
    moved_zh[(low_zh <= 1.0) & (high_zh >= 1.0)] = 0.0

    def change(z: int, h: int) -> Change:
        return Change(
            kind=data.kinds[h],
            family=scopes.families[z],
            title=titles[data.kinds[h]],
            before=float(base_zh[z, h]),
            after=float(after_zh[z, h]),
            times=float(after_zh[z, h] / base_zh[z, h]),
            low=float(low_zh[z, h]),
            high=float(high_zh[z, h]),
            confirmed=int(cases_zh[z, h]),
            stands_out=bool(is_apart_zh[z, h]),
        )

    overall = [(0, h) for h in np.argsort(-moved_zh[0], kind="stable").tolist() if moved_zh[0, h]]
    own_zh = np.where(is_apart_zh, moved_zh, 0.0)
    z, h = np.unravel_index(int(own_zh.argmax()), own_zh.shape)
    apart = [(int(z), int(h))] if own_zh[z, h] else []
    return tuple(change(*at) for at in (*overall[: MATTERING - len(apart)], *apart))
