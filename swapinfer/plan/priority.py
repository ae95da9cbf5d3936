"""Which of several ways on comes first: the cheapest, and among equals the plainest.

What a plan is expected to cost is not known to the last unit. Ways whose cost differs by less than
that are equal, and among equals people prefer what is plain.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.ledger.runs import Begun
from swapinfer.pack.model import Costs
from swapinfer.plan.actions import READ, Action
from swapinfer.plan.lookahead import Ranking
from swapinfer.plan.outlook import Outlook, mean_effort
from swapinfer.plan.predict import information_bits
from swapinfer.plan.repair_policy import LOOK_MINUTES

HAND_OVER = "hand-over"  # id of the step that returns the vehicle as it is
GIVE_UP = "give-up"  # id of the step that passes the vehicle on to someone else

ENDINGS = {
    HAND_OVER: "hand the vehicle over",
    GIVE_UP: "stop and quote the repair, or refer the vehicle",
}
"""Ways to end a job, in words."""

FAR = 2.0  # contacts reseated together with a swap must be better by so many times the resolution
NAMES_IT = 0.5  # bits from which a test tells what to quote for
WORST = 0.1  # part of the draws, the worst, by which steps that are worth as much are told apart


class Way(Struct, frozen=True):
    """A way on."""

    action: Action | None  # None for the end of the job
    number: int  # of the action among those considered, or of the ending
    total: float  # expected cost when it comes first
    pays: bool = False  # whether what it may tell is worth more than it costs
    proof: float = 1.0  # probability that what it repairs is at fault
    asked: float = 0.0  # how much that must be before it is advised
    is_closed: bool = True  # whether nothing comes off for it

    @property
    def ending(self) -> str:
        """Id of the end of the job that it is; empty for an action."""
        return list(ENDINGS)[self.number] if self.action is None else ""

    @property
    def is_repair(self) -> bool:
        """Whether something is put right."""
        return self.action is not None and bool(self.action.replaced)

    @property
    def is_proven(self) -> bool:
        """Whether what it repairs, if anything, is surely enough at fault."""
        return self.proof >= self.asked

    @property
    def tells(self) -> bool:
        """Whether it is there to learn from."""
        return self.action is not None and not self.action.replaced

    @property
    def is_drive(self) -> bool:
        """Whether it is driving and nothing else."""
        return self.action is not None and self.action.kind == "drive"

    @property
    def is_reading(self) -> bool:
        """Whether it is reading what is stored."""
        return self.action is not None and self.action.kind == READ

    @property
    def is_bundle(self) -> bool:
        """Whether a quiet drive would not tell which of two kinds of work ended the misfire."""
        return self.action is not None and bool(self.action.reseated and self.action.swaps)


class Order(Struct, frozen=True):
    """Ways on in order."""

    ways: tuple[Way, ...]  # the first one chosen, the others by cost, barred ones last
    barred: tuple[Way, ...]  # those of them that may not come first as the job stands
    is_carried: bool  # whether the first is the end, or a repair that the evidence carries
    is_held_back: bool  # whether a repair would come first, were it proven


def order_ways(outlook: Outlook, ranking: Ranking, supposed_h: FloatArray | None = None) -> Order:
    """Put every action, handing over and giving up in order."""
    belief_h = outlook.hypotheses.belief_h if supposed_h is None else supposed_h
    policy, suspicion = outlook.policy, outlook.suspicion_under(belief_h)
    choice = replace(policy.choose(belief_h[None]), hands_over_b=np.array([True]))
    hand_over = float(belief_h @ policy.cost_bh(choice, policy.prices)[0])
    ways = [Way(None, n, cost) for n, cost in enumerate([hand_over, policy.prices.give_up])]
    ways += [
        Way(
            one.action,
            a,
            float(ranking.value_a[a]),
            pays=bool(ranking.alone_a[a] < ranking.policy_cost),
            proof=suspicion.proof(one.action.replaced),
            asked=outlook.asked_proof(one.action.replaced),
            is_closed=not one.work.opens,
        )
        for a, one in enumerate(outlook.priced)
    ]
    if any(way.is_reading for way in ways):
        # Whatever is stored, what would come first now can still follow.
        least = min(way.total for way in ways if not way.is_reading)
        for at, way in enumerate(ways):
            if way.is_reading:
                total = min(way.total, least + float(ranking.cost_a[way.number]))
                ways[at] = replace(way, total=total)

    def money(way: Way) -> float:
        if way.action is None:
            return 0.0
        return outlook.costing.money(mean_effort(outlook.priced[way.number], belief_h))

    def bits(way: Way) -> float:
        return information_bits(belief_h, outlook.priced[way.number].prediction.chance_oh)

    return arrange(ways, outlook.begun, outlook.settings.costs, money, bits)


def arrange(
    ways: Sequence[Way],
    begun: Begun,
    costs: Costs,
    money: Callable[[Way], float],
    bits: Callable[[Way], float],
) -> Order:
    """Put ways on in order."""
    by_cost = sorted(ways, key=lambda way: round(way.total, 6))
    able = [way for way in by_cost if _may_begin(way, begun)] or by_cost
    if begun.owed_in is not None:
        # As long as is owed, or the longest.
        lengths = [way.action.drive_minutes if way.action else 0.0 for way in able]
        wanted = min(begun.owed_minutes, max(lengths))
        able = [way for way, length in zip(able, lengths, strict=True) if length >= wanted]
    preference = _Preference(begun, costs, money)
    first = preference.first(able)
    if reading := [way for way in by_cost if way.is_reading]:
        # What is stored costs next to nothing to read, and everything else depends on it.
        first = reading[0]
    elif first.ending == GIVE_UP:
        naming = [way for way in able if preference.may_name(way) and bits(way) >= NAMES_IT]
        first = max(naming, key=bits, default=first)
    telling = [way for way in able if way.tells and way.pays]
    is_held_back = not first.is_proven and bool(telling or first.proof >= costs.proof)
    if is_held_back:
        # What is likely but dear is quoted, not tried, where nothing is left to look at.
        first = preference.first(telling or [way for way in ways if way.ending == GIVE_UP])
    barred = tuple(way for way in by_cost if way not in able)
    others = (way for way in (*able, *barred) if way is not first)
    is_carried = not first.tells and first.is_proven
    return Order((first, *others), barred, is_carried, is_held_back)


def _may_begin(way: Way, begun: Begun) -> bool:
    if begun.owed_in is not None:
        return way.action is not None and way.is_drive
    if way.ending == HAND_OVER and begun.is_failing:
        return False
    handles = way.action is not None and bool(way.action.handled)
    if begun.is_blind:
        return way.action is not None and way.is_closed and not handles
    if begun.is_undriven and handles:
        # More work on top of it, and nothing would tell which of the two helped.
        return way.is_repair and way.is_proven
    # What ran quietly last is not repaired on a guess.
    return begun.is_failing or way.is_proven


class _Preference(Struct, frozen=True):
    begun: Begun
    costs: Costs
    money: Callable[[Way], float]

    def may_name(self, way: Way) -> bool:
        """Whether a way is a look that costs so little that it may precede a quote."""
        is_look = way.action is not None and bool(way.action.test) and way.is_closed
        return is_look and self.money(way) <= self.costs.resolution * self.costs.diagnosis_cap

    def first(self, by_cost: Sequence[Way]) -> Way:
        """Choose the plainest of the ways that are as good as the cheapest."""
        apart = [way for way in by_cost if not way.is_bundle]
        best = by_cost[0]
        if best.is_bundle and apart and not self._is_above(apart[0], best, FAR):
            best = apart[0]
        if best.action is None:
            return best
        plain = self._with_fewer_things(by_cost, best)
        most = 1.0 + _things(best) - _things(plain)
        equals: dict[object, Way] = {}
        for way in by_cost:
            if way is plain or (self._is_equal(way, plain) and not self._is_above(way, best, most)):
                # Ways with the same work differ in the drive: only the best counts.
                equals.setdefault(way.action and way.action.without_drive, way)
        return min(equals.values(), key=self._plainness)

    def _with_fewer_things(self, by_cost: Sequence[Way], best: Way) -> Way:
        """Each further thing done at once must be better by one more resolution."""
        fewer = [
            way
            for way in by_cost
            if way.tells and way.pays and not way.is_drive and not way.is_bundle
            if (spared := _things(best) - _things(way)) > 0
            and not self._is_above(way, best, 1.0 + spared)
        ]
        return min(fewer, key=_things, default=best)

    def _is_equal(self, way: Way, best: Way) -> bool:
        if way.action is None or way.is_bundle:
            return False
        is_worthy = way.is_repair or way.pays or self._finishes(way)
        return is_worthy and not self._is_above(way, best, 1.0)

    def _is_above(self, way: Way, best: Way, times: float) -> bool:
        return way.total > best.total + times * self.costs.resolution * abs(best.total)

    def _finishes(self, way: Way) -> bool:
        return self.begun.is_undriven and way.is_drive

    def _plainness(self, way: Way) -> tuple[object, ...]:
        """Least first: the one rule of what goes before what."""
        action = way.action or Action("drive")
        return (
            not self._finishes(way),
            not (way.is_repair and way.proof >= self.costs.sure),
            way.is_repair,
            _things(way),
            way.is_bundle,
            round(action.drive_minutes / LOOK_MINUTES),
            round(self.money(way)),
            round(way.total, 6),
        )


def _things(way: Way) -> int:
    return max(way.action.things, 1) if way.action else 1


class PriorDraw(Struct, frozen=True, eq=False):
    """How steps fare under one draw of the priors."""

    first: Way  # what comes first then
    above_s: FloatArray  # what each step costs more than that, as a share of it


def try_steps(
    outlook: Outlook, steps: Sequence[Action | None], prior_des: FloatArray
) -> Iterator[PriorDraw]:
    """Plan anew under other priors, the findings as they are.

    With ``o_f`` the prior odds of a fault against its element being good, the belief in a set of
    faults is multiplied by ``o'_f / o_f`` of each of its faults, and made to add up to 1 again.
    Sets too improbable to be planned with stay out under every draw.
    """
    faults, settings = outlook.hypotheses, outlook.settings
    own_f = faults.per_fault(_log_odds(outlook.evidence.space.prior_es))
    for prior_es in prior_des:
        other_f = faults.per_fault(_log_odds(prior_es)) - own_f
        belief_h = faults.belief_h * np.exp(faults.padded(other_f).sum(axis=1))
        belief_h /= belief_h.sum()
        ranking = outlook.look_ahead.rank(belief_h, settings.depth)
        order = order_ways(outlook, ranking, belief_h)
        least = max(order.ways[0].total, np.finfo(float).tiny)
        yield PriorDraw(order.ways[0], np.array([_total(order, s) / least - 1.0 for s in steps]))


def worst_tenth(above_ds: FloatArray) -> FloatArray:
    """Mean over the worst draws of each step, shape (step,).

    Reference: Rockafellar, R. T. & Uryasev, S. (2000), Journal of Risk 2, 21-41: conditional
    value at risk.
    """
    count = max(round(WORST * len(above_ds)), 1)
    mean_s: FloatArray = np.sort(above_ds, axis=0)[-count:].mean(axis=0)
    return mean_s


def _total(order: Order, step: Action | None) -> float:
    """Cost of the best way on that begins with the work of a step."""
    work = step and step.without_drive
    return min(w.total for w in order.ways if (w.action and w.action.without_drive) == work)


def _log_odds(prior_es: FloatArray) -> FloatArray:
    """Log odds of each state against good; 0 where a state cannot be."""
    possible_es = np.where(prior_es > 0.0, prior_es, prior_es[:, :1])
    out: FloatArray = np.log(possible_es) - np.log(prior_es[:, :1])
    return out
