"""The repair policy: replace in order of an index, verify after each, for many beliefs at once.

Look-ahead asks for the cost of this policy under thousands of beliefs, so everything here works on
whole batches of them. Single faults are summed an element, not a hypothesis; only fault sets with
several members need their members' order looked at.

Axes: ``b`` belief, ``h`` hypothesis (fault set), ``k`` fault of a set, ``e`` element, ``d`` length
of drive, ``j`` place in the order of replacing.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import astuple, replace

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray, for_order

NONE = -1  # pads `Faults.element_hk` where a set has fewer faults
LOOK_MINUTES = 5.0  # a drive ends with the first of these intervals in which it misfired
MOST_REPAIRS = 20  # replacements after which the repair policy gives up at the latest
_BLOCK = 256  # beliefs worked on at once


class Faults(Struct, frozen=True, eq=False):
    """The fault sets of a belief, as far as repair is concerned."""

    element_hk: IntArray  # `NONE` where there is no fault; none twice in a row
    rate_hk: FloatArray  # misfire episodes a minute in a verification drive; 0 needs no repair


NOTHING = np.zeros((1, 1))  # saved by no repair


class Prices(Struct, frozen=True, eq=False):
    """What repairing costs, in any one unit: money, minutes, or counts."""

    fix_e: FloatArray  # replacing an element that is not at fault, access and parts included
    drive_per_min: float  # a minute of driving
    comeback: float  # the vehicle returned as repaired, and comes back
    give_up: float  # the vehicle given up to someone else
    saved_hk: FloatArray = NOTHING  # on replacing, when the fault is there


class Choice(Struct, frozen=True, eq=False):
    """What the repair policy does under each belief."""

    cost_b: FloatArray  # expected cost to a verified repair
    order_bj: IntArray  # elements in order of replacing, the first `MOST_REPAIRS`
    minutes_b: FloatArray  # length of the drive that verifies each replacement
    stop_b: IntArray  # number of elements to replace before giving up
    hands_over_b: BoolArray  # returns the vehicle, and replaces only if it comes back


class RepairPolicy:
    """Replace and verify, priced for one set of hypotheses.

    Parameters
    ----------
    faults : Faults
        The hypotheses.
    prices : Prices
        What is to be kept low.
    drive_minutes : sequence of float
        Lengths of verification drive to choose from.

    Attributes
    ----------
    fault_count_h : ndarray of int, shape (hypothesis,)
        Number of faults to repair in each hypothesis.

    Notes
    -----
    After each replacement the vehicle is driven until it misfires or the minutes are over. With
    rates adding up to ``r`` still present, a drive of ``t`` minutes ends clean with chance
    ``exp(-r t)``: then the vehicle is returned, comes back, and the order goes on. Otherwise it is
    broken off at the end of the interval of `LOOK_MINUTES` in which it misfired, and the order
    goes on.
    """

    def __init__(self, faults: Faults, prices: Prices, drive_minutes: tuple[float, ...]) -> None:
        self.faults = faults
        self.prices = prices
        self._minutes_d = np.array(drive_minutes, dtype=np.float64)
        present_hk = (faults.element_hk != NONE) & (faults.rate_hk > 0.0)
        self.fault_count_h: IntArray = present_hk.sum(axis=1)
        # Members first, so that hypotheses with k members use the first k columns.
        front_hk = np.argsort(~present_hk, axis=1, kind="stable")
        self._element_hk = np.take_along_axis(faults.element_hk, front_hk, axis=1)
        self._rate_hk = np.take_along_axis(np.where(present_hk, faults.rate_hk, 0.0), front_hk, 1)
        self._n_elements = len(prices.fix_e)
        self._member_he = np.zeros((len(self.fault_count_h), self._n_elements))
        rows, columns = np.nonzero(present_hk)
        self._member_he[rows, faults.element_hk[rows, columns]] = 1.0
        self._front_hk = np.where(np.take_along_axis(present_hk, front_hk, 1), front_hk, NONE)
        self._own_saved_hk = self._saved_hk(prices)
        self._single_ek, self._weight_exk = self._single_faults()
        sizes = self.fault_count_h == 0, self.fault_count_h == 1, self.fault_count_h > 1
        self._size_hx = np.stack(sizes, axis=1).astype(np.float64)

    @cached_property
    def least_h(self) -> FloatArray:
        """Cost of repairing nothing but what is at fault, or of giving up, shape (hypothesis,)."""
        fix_e = np.append(self.prices.fix_e, 0.0)
        fix_hk = fix_e[np.where(self._rate_hk > 0.0, self._element_hk, -1)]
        repaired_h = (fix_hk - self._own_saved_hk).sum(axis=1)
        repaired_h += self.prices.drive_per_min * self._minutes_d[0] * (self.fault_count_h > 0)
        least_h: FloatArray = np.minimum(repaired_h, self.prices.give_up)
        return least_h

    def choose(self, belief_bh: FloatArray) -> Choice:
        """Find the repair policy's choice and cost under each belief.

        Parameters
        ----------
        belief_bh : ndarray of float, shape (belief, hypothesis)
            Rows add up to 1; a row of zeros costs nothing.

        Returns
        -------
        Choice
            Order, length of drive and point to give up; the last two are the best for the single
            faults of the belief, and every cost is exact for what is chosen.

        Notes
        -----
        Exchanging neighbours in an order shows that ``i`` should come before ``j`` when
        ``P(only i faulty) / c_i`` is the larger. With exclusive faults that is the classical
        ``p / c``, with independent ones ``p / (c (1 - p))``. Where several faults are likelier
        than one, the marginal probability stands in for ``P(only i faulty)``.
        """
        # Batches small enough for their arrays to stay in the processor's cache.
        starts = range(0, max(len(belief_bh), 1), _BLOCK)
        parts = [self._choose(belief_bh[start : start + _BLOCK]) for start in starts]
        columns = zip(*map(astuple, parts), strict=True)
        return Choice(*map(np.concatenate, columns))

    def cost_bh(self, choice: Choice, prices: Prices) -> FloatArray:
        """Price choices under every hypothesis, in any unit.

        Parameters
        ----------
        choice : Choice
            From `choose`.
        prices : Prices
            Unit prices; not necessarily those that were minimised.

        Returns
        -------
        ndarray of float, shape (belief, hypothesis)
            Expected cost of the choice when the hypothesis is true.
        """
        every = np.arange(len(self.fault_count_h))
        cost_bh = self._sequence_cost(choice, every, prices)
        faulty_h = self.fault_count_h > 0
        handed_over_bh = np.where(faulty_h, cost_bh + prices.comeback, 0.0)
        result: FloatArray = np.where(choice.hands_over_b[:, None], handed_over_bh, cost_bh)
        return result

    def _single_faults(self) -> tuple[IntArray, FloatArray]:
        """Hypotheses of one fault, an element a row, and what each adds to the element's sums."""
        single = np.flatnonzero(self.fault_count_h == 1)
        single = single[np.argsort(self._element_hk[single, 0], kind="stable")]
        element = self._element_hk[single, 0]
        column = np.arange(len(single)) - np.searchsorted(element, element)
        single_ek = np.zeros((self._n_elements, int(column.max(initial=0)) + 1), dtype=np.int64)
        single_ek[element, column] = single
        rate_h = self._rate_hk[single, 0]
        dirty_hd = _dirty_drive(rate_h[:, None], self._minutes_d, self.prices)
        saved_h = self._own_saved_hk[single, 0]
        one_h = np.ones(len(single))
        weight_exk = np.zeros((self._n_elements, 2 + len(self._minutes_d), single_ek.shape[1]))
        weight_exk[element, :, column] = np.column_stack([one_h, saved_h, dirty_hd])
        return single_ek, weight_exk

    def _saved_hk(self, prices: Prices) -> FloatArray:
        """Tell what replacing members saves because they are at fault, members first."""
        front_hk = self._front_hk
        every_hk = np.broadcast_to(prices.saved_hk, front_hk.shape)
        saved_hk = np.take_along_axis(every_hk, np.maximum(front_hk, 0), 1)
        return np.where(front_hk == NONE, 0.0, saved_hk)

    def _choose(self, belief_bh: FloatArray) -> Choice:
        # First the mass of each element's single faults, then what its replacement costs less
        # because of them, then what a dirty drive of each length is expected to cost.
        sum_xeb = (self._weight_exk @ belief_bh.T[self._single_ek]).transpose(1, 0, 2)
        p_good_b, p_single_b, p_several_b = (belief_bh @ self._size_hx).T
        likely_be = sum_xeb[0].T.copy()
        is_several_b = p_several_b > p_good_b + p_single_b
        if is_several_b.any():
            likely_be[is_several_b] = belief_bh[is_several_b] @ self._member_he
        cost_e = self.prices.fix_e + self.prices.drive_per_min * self._minutes_d[0]
        order_be = np.argsort(for_order(-likely_be / cost_e), axis=1, kind="stable")
        order_bj = order_be[:, :MOST_REPAIRS]
        choice = self._best_for_single_faults(sum_xeb, order_bj)
        several = np.flatnonzero(self.fault_count_h > 1)
        faulty_b = choice.cost_b
        if several.size:
            cost_bh = self._sequence_cost(choice, several, self.prices)
            faulty_b = faulty_b + np.einsum("bh,bh->b", belief_bh[:, several], cost_bh)
        p_faulty_b = p_single_b + p_several_b
        needless_b = np.where(
            choice.stop_b > 0,
            self.prices.fix_e[order_bj[:, 0]] + choice.minutes_b * self.prices.drive_per_min,
            self.prices.give_up,
        )
        repair_b = faulty_b + p_good_b * needless_b
        hand_over_b = faulty_b + p_faulty_b * self.prices.comeback
        cost_b = np.minimum(repair_b, hand_over_b)
        give_up_b = self.prices.give_up * (p_faulty_b + p_good_b)
        gives_up_b = give_up_b < cost_b
        return replace(
            choice,
            cost_b=np.minimum(cost_b, give_up_b),
            stop_b=np.where(gives_up_b, 0, choice.stop_b),
            hands_over_b=(hand_over_b < repair_b) & ~gives_up_b,
        )

    def _best_for_single_faults(self, sum_xeb: FloatArray, order_bj: IntArray) -> Choice:
        """Choose drive and stopping point by the single faults alone, their cost exact."""
        order_jb = order_bj.T
        ordered_xjb = sum_xeb[..., order_jb, np.arange(order_jb.shape[1])]
        # And last the sum of what is not in the order.
        rest_xb = np.maximum(sum_xeb.sum(axis=-2) - ordered_xjb.sum(axis=-2), 0.0)
        in_order_xjb = np.concatenate([ordered_xjb, rest_xb[..., None, :]], axis=-2)
        mass_xb, saved_xb, dirty_dxb = in_order_xjb[0], in_order_xjb[1], in_order_xjb[2:]
        unrepaired_xb = np.cumsum(mass_xb[::-1], axis=0)[::-1]
        fix_jb = unrepaired_xb[:-1] * self.prices.fix_e[order_jb] - saved_xb[:-1]
        # A drive stays dirty for what comes later in the order and ends clean for what it fixed.
        later_djb = np.cumsum(dirty_dxb[:, :0:-1], axis=1)[:, ::-1]
        clean_d = self.prices.drive_per_min * self._minutes_d
        ended_djb = clean_d[:, None, None] * mass_xb[:-1]
        n_d, n_j, n_b = later_djb.shape
        total_dxb = np.zeros((n_d, n_j + 1, n_b))
        np.cumsum(fix_jb + later_djb + ended_djb, axis=1, out=total_dxb[:, 1:])
        total_dxb += self.prices.give_up * unrepaired_xb
        total_xb = total_dxb.reshape(-1, n_b)
        best_b = for_order(total_xb).argmin(axis=0)
        drive_b, stop_b = np.divmod(best_b, n_j + 1)
        return Choice(
            total_xb[best_b, np.arange(n_b)],
            order_bj,
            self._minutes_d[drive_b],
            stop_b,
            np.zeros(n_b, dtype=bool),
        )

    def _sequence_cost(self, choice: Choice, subset: IntArray, prices: Prices) -> FloatArray:
        """Cost of replacing in order until all of a set is replaced, shape (belief, subset)."""
        n_b, n_j = choice.order_bj.shape
        width = max(int(self.fault_count_h[subset].max(initial=0)), 1)
        place_be = np.full((n_b, self._n_elements + 1), n_j)
        np.put_along_axis(place_be, choice.order_bj, np.arange(n_j)[None], 1)
        place_be[:, NONE] = NONE
        element_hk = np.where(self._rate_hk > 0.0, self._element_hk, NONE)[subset, :width]
        place_kbh = [place_be[:, element_hk[:, k]] for k in range(width)]
        rate_hk = self._rate_hk[subset]
        rate_kbh = [np.broadcast_to(rate_hk[:, k], (n_b, len(subset))) for k in range(width)]
        own = self._own_saved_hk if prices is self.prices else self._saved_hk(prices)
        saved_hk, stop_b1 = own[subset], choice.stop_b[:, None]
        saved_bh = np.zeros((n_b, len(subset)))
        for k in range(width):
            saved_bh += np.where(place_kbh[k] < stop_b1, saved_hk[:, k], 0.0)
        _sort_together(place_kbh, rate_kbh)
        cost_bh: FloatArray = self._price_sorted(choice, place_kbh, rate_kbh, prices) - saved_bh
        return cost_bh

    def _price_sorted(
        self, choice: Choice, place_kbh: list[IntArray], rate_kbh: list[FloatArray], prices: Prices
    ) -> FloatArray:
        """Price fault sets whose members are sorted by their place in the order."""
        minutes_b1, stop_b1 = choice.minutes_b[:, None], choice.stop_b[:, None]
        spent_bj = np.zeros((len(choice.order_bj), choice.order_bj.shape[1] + 1))
        np.cumsum(prices.fix_e[choice.order_bj], axis=1, out=spent_bj[:, 1:])
        last_bh = np.maximum(place_kbh[-1], 0)
        is_repaired_bh = last_bh < stop_b1
        replaced_bh = np.where(is_repaired_bh, last_bh + 1, stop_b1)
        cost_bh = np.zeros(last_bh.shape)
        rate_bh = np.zeros(last_bh.shape)
        # From the last member back, so that rates still present add up and nothing is subtracted.
        for k in range(len(place_kbh) - 1, -1, -1):
            rate_bh = rate_bh + rate_kbh[k]
            drives_bh = np.minimum(place_kbh[k], stop_b1)
            if k:
                drives_bh = drives_bh - np.minimum(np.maximum(place_kbh[k - 1], 0), stop_b1)
            cost_bh += np.maximum(drives_bh, 0) * _dirty_drive(rate_bh, minutes_b1, prices)
        cost_bh += np.take_along_axis(spent_bj, replaced_bh, 1)
        end_bh = np.where(is_repaired_bh, minutes_b1 * prices.drive_per_min, prices.give_up)
        total: FloatArray = cost_bh + end_bh
        return total


def _dirty_drive(rate: FloatArray, minutes: FloatArray, prices: Prices) -> FloatArray:
    """Cost of a verification drive with a fault still present, comeback included."""
    dirty = -np.expm1(-rate * minutes)
    driven = mean_drive(dirty, rate, minutes)
    cost: FloatArray = driven * prices.drive_per_min + (1.0 - dirty) * prices.comeback
    return cost


def mean_drive(dirty: FloatArray, rate: FloatArray, minutes: FloatArray | float) -> FloatArray:
    """Mean length of a drive that is broken off once a misfire was seen."""
    seen = -np.expm1(-rate * LOOK_MINUTES)
    some = np.where(seen > 0.0, seen, 1.0)
    mean: FloatArray = np.where(seen > 0.0, LOOK_MINUTES * dirty / some, minutes)
    return mean


def _sort_together(place_kbh: list[IntArray], rate_kbh: list[FloatArray]) -> None:
    """Sort the members of each set by place, carrying their rates along (exchange sort)."""
    for end in range(len(place_kbh) - 1, 0, -1):
        for k in range(end):
            low, high = place_kbh[k], place_kbh[k + 1]
            wrong = low > high
            place_kbh[k], place_kbh[k + 1] = np.minimum(low, high), np.maximum(low, high)
            first, second = rate_kbh[k], rate_kbh[k + 1]
            rate_kbh[k] = np.where(wrong, second, first)
            rate_kbh[k + 1] = np.where(wrong, first, second)
