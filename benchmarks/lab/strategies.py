"""Other ways of deciding what to do next, to measure the planner against."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from swapinfer.plan.actions import Action, work_of
from swapinfer.plan.costing import Costing, Effort, PlanSettings
from swapinfer.plan.outlook import Priced, mean_effort
from swapinfer.plan.predict import information_bits
from swapinfer.plan.priority import HAND_OVER
from swapinfer.simulate.play import (
    Bill,
    Decision,
    Result,
    Situation,
    Strategy,
    best_repair,
    by_probability,
)
from swapinfer.simulate.world import World


@dataclass(frozen=True)
class ReplaceBy:
    """Replace what has the highest index, verify with the usual drive, go on.

    Attributes
    ----------
    index : callable
        Probability and cost of repair to the index.
    """

    index: Callable[[float, float], float]

    def __call__(self, situation: Situation) -> Decision:
        """Hand over once verified, else replace."""
        if situation.is_verified:
            return HAND_OVER
        return best_repair(situation, self.index)


def by_probability_over_cost(p: float, cost: float) -> float:
    """Index: probability over cost of repair."""
    return p / cost


@dataclass(frozen=True)
class InformationPerCost:
    """Take the step with most bits for its cost until one cause is sure, then replace that."""

    def __call__(self, situation: Situation) -> Decision:
        """Decide."""
        if situation.is_verified:
            return HAND_OVER
        if max(situation.place_p.values()) >= situation.custom.sure:
            return best_repair(situation, by_probability)
        outlook = situation.outlook
        belief_h = outlook.hypotheses.belief_h
        tests = [one for one in outlook.priced if one.action.kind != "replace"]

        def score(one: Priced) -> float:
            cost = outlook.costing.weigh(mean_effort(one, belief_h))
            return information_bits(belief_h, one.prediction.chance_oh) / max(cost, 1e-9)

        best = max(tests, key=score, default=None)
        if best is None or information_bits(belief_h, best.prediction.chance_oh) < 0.01:
            return best_repair(situation, by_probability)
        return best.action


@dataclass
class Remembered:
    """A policy that recalls what it decided in the very same situation.

    Attributes
    ----------
    policy : Strategy
        Must depend on nothing but the job.
    """

    policy: Strategy
    known: dict[tuple[str, ...], Decision] = field(default_factory=dict)

    def __call__(self, situation: Situation) -> Decision:
        """Decide, or recall."""
        key = tuple(str(event) for _, event in situation.job.standing)
        if key not in self.known:
            self.known[key] = self.policy(situation)
        return self.known[key]


def clairvoyant(world: World, settings: PlanSettings) -> Result:
    """Repair what is at fault, and nothing else, then verify with the shortest drive.

    Parameters
    ----------
    world : World
        Vehicle.
    settings : PlanSettings
        Shop's figures.

    Returns
    -------
    Result
        The cheaper of repairing and of giving up at once.
    """
    costing = Costing(world.job, settings)
    places = [
        place
        for place, element in world.job.fitted.items()
        if (state := world.faults.get(element)) and state.mode and state.mode.misfire > 0.0
    ]
    bill = Bill(world, settings)
    effort = work_of(costing, Action("replace", replaced=tuple(places)), bill.repair).effort
    effort = Effort(effort.minutes, settings.costs.drive_minutes[0], effort.parts)
    money = costing.money(effort)
    if money > settings.costs.diagnosis_cap:
        bill.total = Effort()
        return bill.result(resolved=False)
    bill.total = effort
    return bill.result(resolved=True)
