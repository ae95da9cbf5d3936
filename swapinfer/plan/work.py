"""What the work of an action takes, its drive not counted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from swapinfer.pack.model import Handling, Test
from swapinfer.plan.actions import Action
from swapinfer.plan.costing import Costing, Effort, Repair


@dataclass(frozen=True, slots=True)
class Work:
    """Work of an action.

    Attributes
    ----------
    effort : Effort
        What it takes.
    disturbs : tuple of (element, Handling)
        Elements that it disturbs, and what that may do to them.
    opens : tuple of str
        Access that must be opened for it.
    """

    effort: Effort
    disturbs: tuple[tuple[str, Handling], ...]
    opens: tuple[str, ...]


def work_of(costing: Costing, action: Action, repair: Callable[[str], Repair]) -> Work:
    """Work that an action takes as the job stands.

    Parameters
    ----------
    costing : Costing
        Prices and the job.
    action : Action
        What is done.
    repair : callable
        Place to what putting right what sits there takes.

    Returns
    -------
    Work
    """
    if action.test:
        return _work_of_test(costing, costing.job.engine.tests[action.test], action.targets)
    engine, costs = costing.job.engine, costing.settings.costs
    repairs = [repair(place) for place in action.replaced]
    moved = [*(place for swap in action.swaps for place in swap), *action.reseated]
    needed = [costing.needs(engine.kind_of(place).access) for place in moved]
    minutes, opens = costing.reach(*needed, *(one.opens_p for one in repairs))
    disturbs = costing.job.disturbed_by(action.handled)
    effort = Effort(minutes + costs.read_minutes, risk=costing.damage(disturbs))
    for first, _ in action.swaps:
        effort += Effort(engine.kind_of(first).swap_minutes)
    for one in repairs:
        effort += one.effort
    for _ in action.reseated:
        effort += Effort(costs.reseat_minutes, parts=costs.reseat_price)
    return Work(effort, tuple(disturbs), opens)


def _work_of_test(costing: Costing, test: Test, targets: tuple[str, ...]) -> Work:
    disturbs = tuple(pair for target in targets for pair in _disturbed(costing, test, target))
    minutes, opens = costing.reach(costing.needs(test.access))
    effort = Effort(
        minutes + test.minutes + test.minutes_each * (len(targets) - 1),
        parts=test.consumables,
        risk=costing.damage(disturbs),
    )
    return Work(effort, disturbs, opens)


def _disturbed(costing: Costing, test: Test, target: str) -> list[tuple[str, Handling]]:
    job = costing.job
    cylinders = set(job.engine.target_cylinders(target))
    return [
        (job.fitted[place.id], handling)
        for handling in test.disturbs
        for place in job.engine.places_for(handling.kind)
        if set(place.cylinders) <= cylinders
    ]
