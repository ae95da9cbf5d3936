"""Ways of deciding what to do next, ours and others."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.event import Tested
from swapinfer.ledger.events import Ran, Replaced, Swapped
from swapinfer.ledger.replay import Job
from swapinfer.pack.codes import read_codes
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Custom
from swapinfer.plan.actions import Action, Suspicion
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, HAND_OVER, order_ways
from swapinfer.posterior import Posterior, infer

LEAST_P = 0.02
"""The others give up when what they would replace is less likely at fault."""

MOST_CAPS = 2.0
"""They give up, too, when it costs more than so many times what giving up costs."""

Decision = Action | str
"""What to do, or `HAND_OVER`, or `GIVE_UP`."""


@dataclass(frozen=True)
class Situation:
    """A job as a policy sees it.

    Attributes
    ----------
    job : Job
        As recorded, under the technician's pack.
    settings : PlanSettings
        Shop's figures.
    """

    job: Job
    settings: PlanSettings

    @cached_property
    def evidence(self) -> Evidence:
        """All findings."""
        return gather_evidence(self.job)

    @cached_property
    def posterior(self) -> Posterior:
        """What they lead to."""
        return infer(self.evidence.arrays)

    @cached_property
    def outlook(self) -> Outlook:
        """Everything that planning works out."""
        return Outlook(self.evidence, self.posterior, self.settings)

    @cached_property
    def place_p(self) -> dict[str, float]:
        """Place to the probability that what sits there causes misfires now."""
        space = self.evidence.space
        harmful_es = space.active_es(self.job.time) & (space.rate_es > 0.0)
        p_e: FloatArray = (self.posterior.marginal_es * harmful_es).sum(axis=1)
        return {place: float(p_e[space.index[e]]) for place, e in self.job.fitted.items()}

    @property
    def custom(self) -> Custom:
        """What the trade usually does."""
        return self.job.pack.custom

    @property
    def is_verified(self) -> bool:
        """Whether the last thing done was a repair followed by a quiet drive."""
        events = [event for _, event in self.job.standing]
        last = events[-1]
        if not isinstance(last, Ran) or self.misfiring(last):
            return False
        before = next((e for e in reversed(events) if not isinstance(e, Ran)), None)
        return before is not None and isinstance(before, Replaced)

    def misfiring(self, run: Ran) -> set[int]:
        """Cylinders with a misfire code in a run."""
        reads = read_codes(self.job.pack, self.job.engine, run.codes or ())
        return {read.cylinder for read in reads if read.role == "misfire"}


class Strategy(Protocol):
    """Decides what to do next."""

    def __call__(self, situation: Situation) -> Decision:
        """Decide."""
        ...


@dataclass(frozen=True)
class Planner:
    """The planner of this package.

    Attributes
    ----------
    depth : int
        Steps looked ahead.
    costs : mapping of str to float
        What it counts with in place of the shop's figures.
    """

    depth: int
    costs: Mapping[str, Any] = field(default_factory=dict)

    def __call__(self, situation: Situation) -> Decision:
        """Take the first step of its plan."""
        costs = replace(situation.settings.costs, **self.costs)
        settings = replace(situation.settings, depth=self.depth, costs=costs)
        outlook = Outlook(situation.evidence, situation.posterior, settings)
        first = order_ways(outlook, outlook.rank()).ways[0]
        return first.action or first.ending


@dataclass(frozen=True)
class CustomaryOrder:
    """Go through the pack's list until one cause is sure, replace that; then the likeliest.

    The technician draws the right conclusions from what was found: only the order is custom. Where
    several cylinders misfire, steps on what they do not share are passed over.
    """

    def __call__(self, situation: Situation) -> Decision:
        """Decide."""
        if situation.is_verified:
            return HAND_OVER
        if max(situation.place_p.values()) >= situation.custom.sure:
            return best_repair(situation, by_probability)
        cylinders = self._suspected(situation)
        done = _done(situation.job)
        for what, name in situation.custom.order:
            if (what, name) not in done:
                action = _customary(situation, what, name, cylinders)
                if action is not None:
                    return action
        return best_repair(situation, by_probability)

    def _suspected(self, situation: Situation) -> set[int]:
        """Cylinders that misfired when the misfire was first seen in this job."""
        for _, event in situation.job.standing:
            if isinstance(event, Ran) and (cylinders := situation.misfiring(event)):
                return cylinders
        return set(situation.job.engine.layout.cylinders)


def _customary(situation: Situation, what: str, name: str, cylinders: set[int]) -> Action | None:
    """Step of the customary order on these cylinders; None where it cannot be done."""
    engine = situation.job.engine
    if what == "test":
        return _custom_test(engine, name, cylinders, situation.custom.neighbours)
    places = [p for p in engine.places_for(name) if cylinders <= set(p.cylinders)]
    if not places or not engine.kinds[name].movable:
        return None
    donors = Suspicion(situation.job, situation.place_p, {}).donors(places[0])
    if not donors:
        return None
    swaps = ((places[0].id, donors[0].id),)
    return Action("swap", swaps=swaps, drive_minutes=situation.custom.drive_minutes)


def _custom_test(engine: Engine, name: str, cylinders: set[int], neighbours: int) -> Action | None:
    """Test of what the misfiring cylinders have in common; None where there is no such target."""
    if name not in engine.tests:
        return None
    test = engine.tests[name]
    targets = engine.target_places(test.target)
    mine = [t for t in targets if cylinders <= set(engine.target_cylinders(t))]
    if not mine:
        return None
    others = [t for t in targets if t != mine[0]][:neighbours]
    return Action("test", test.id, (mine[0], *(others if test.level else ())))


def _done(job: Job) -> set[tuple[str, str]]:
    """List the steps of a customary order that the job has behind it."""
    done = set[tuple[str, str]]()
    for _, event in job.standing:
        if isinstance(event, Swapped):
            done |= {("swap", job.engine.places[place].kind) for place in event.places}
        if isinstance(event, Tested):
            done.add(("test", event.test))
    return done


def by_probability(p: float, _cost: float) -> float:
    """Index: the probability alone."""
    return p


def best_repair(situation: Situation, index: Callable[[float, float], float]) -> Decision:
    """Replace what has the highest index and drive; give up once that costs more than it is worth.

    Parameters
    ----------
    situation : Situation
        Of the job.
    index : callable
        Probability and cost to the index.
    """
    outlook = situation.outlook
    costs = {place: outlook.costing.weigh(outlook.fix_effort(place)) for place in situation.place_p}
    best = max(costs, key=lambda place: index(situation.place_p[place], costs[place]))
    cap = situation.settings.costs.diagnosis_cap
    if situation.place_p[best] < LEAST_P or costs[best] > MOST_CAPS * cap:
        return GIVE_UP
    return Action("replace", replaced=(best,), drive_minutes=situation.custom.drive_minutes)
