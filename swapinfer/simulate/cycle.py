"""A driving cycle as the control unit sees it: misfires drawn window by window, and judged."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.pack.model import Monitor, Severity


class MisfireSource(Struct, frozen=True, eq=False):
    """A fault that causes episodes."""

    severity: Severity  # how long they last, and how many firings fail in them
    rate: float  # episodes a minute under the conditions of the drive
    booked_c: FloatArray  # chance that an episode is booked on each cylinder


class Cycle(Struct, frozen=True, eq=False):
    """A cycle, in windows as short as the catalyst's."""

    minutes_w: FloatArray  # when each ends
    blinked_w: BoolArray  # whether the catalyst has overheated by then
    set_w: BoolArray  # whether a pending code is set
    blamed_cw: IntArray  # misfires so far in windows above a threshold
    named: float  # part of an even share of them from which a cylinder gets a code

    def coded(self, minutes: float) -> frozenset[int]:
        """Cylinders with a code once so many minutes are over."""
        at = int(np.searchsorted(self.minutes_w, minutes + 1e-9)) - 1
        if at < 0 or not self.set_w[at]:
            return frozenset()
        blamed_c = self.blamed_cw[:, at]
        return frozenset((np.flatnonzero(blamed_c >= self.named * blamed_c.mean()) + 1).tolist())

    def first(self) -> float | None:
        """Minutes after which a code is set, None if none is."""
        at = np.flatnonzero(self.set_w)
        return float(self.minutes_w[at[0]]) if len(at) else None


def draw_cycle(
    monitor: Monitor, sources: Iterable[MisfireSource], minutes: float, rpm: float, cylinders: int,
    rng: np.random.Generator,
) -> Cycle:  # fmt: skip
    """Draw every window's misfires, and judge them as a control unit does."""
    short = monitor.catalyst_revolutions / rpm
    end_w: FloatArray = short * np.arange(1.0, int(minutes / short + 1e-9) + 1.0)
    firings = round(monitor.catalyst_revolutions / 2)
    count_cw = np.zeros((cylinders, len(end_w)), dtype=np.int64)
    for source in sources:
        for start in rng.uniform(0.0, minutes, rng.poisson(source.rate * minutes)):
            severity = source.severity
            share = severity.share * severity.share_spread ** rng.standard_normal()
            stop = start + rng.exponential(severity.episode_minutes)
            within_w = np.clip(
                (np.minimum(stop, end_w) - (end_w - short).clip(start)) / short, 0, 1
            )
            for c in np.flatnonzero(rng.random(cylinders) < source.booked_c):
                count_cw[c] += rng.binomial(firings, min(share, 1.0) * within_w)
    count_cw = np.minimum(count_cw, firings)
    every = firings * cylinders
    limit = monitor.catalyst_share * monitor.catalyst_spread ** rng.standard_normal()
    is_hot_w = count_cw.sum(axis=0) > limit * every
    ratio = round(monitor.revolutions / monitor.catalyst_revolutions)
    whole = len(end_w) // ratio * ratio
    long_v = count_cw[:, :whole].sum(axis=0).reshape(-1, ratio).sum(axis=1)
    is_mild_v = long_v > monitor.share * every * ratio
    needed_v = np.cumsum(is_mild_v) + (monitor.exceedances - 1) * is_mild_v[:1].sum()
    exceeds_w = np.zeros(len(end_w), dtype=np.bool_)
    exceeds_w[:whole] = np.repeat(is_mild_v, ratio)
    is_set_w = is_hot_w.copy()
    is_set_w[ratio - 1 : whole : ratio] |= needed_v >= monitor.exceedances
    blinked_w, set_w = (np.logical_or.accumulate(is_w) for is_w in (is_hot_w, is_set_w))
    blamed_cw = np.cumsum(count_cw * (exceeds_w | is_hot_w), axis=1)
    return Cycle(end_w, blinked_w, set_w, blamed_cw, monitor.named)
