"""Ways of deciding what to do next, played on a vehicle to the end, and what that cost."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from functools import cached_property
from typing import Any

from msgspec import Struct, field
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.event import Tested
from swapinfer.ledger.events import Ran, Replaced, Swapped
from swapinfer.ledger.replay import Job, replay
from swapinfer.ledger.runs import has_misfired, misfiring
from swapinfer.pack.model import Custom, Pack
from swapinfer.plan.actions import Action, Suspicion, work_of
from swapinfer.plan.costing import Costing, Effort, PlanSettings, RepairTask
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, HAND_OVER, order_ways
from swapinfer.posterior import Posterior, infer
from swapinfer.simulate.world import World, vehicles_like

LEAST_P = 0.02  # the others give up when what they would replace is less likely at fault
MOST_CAPS = 2.0  # they give up, too, when it costs more than so many times what giving up costs
MOST_STEPS = 25  # steps after which a job is given up

Decision = Action | str
"""What to do, or `HAND_OVER`, or `GIVE_UP`."""


class Situation(Struct, frozen=True, dict=True):
    """A job as a policy sees it."""

    job: Job  # as recorded, under the technician's pack
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
        if not isinstance(last, Ran) or has_misfired(self.job, last):
            return False
        before = next((e for e in reversed(events) if not isinstance(e, Ran)), None)
        return before is not None and isinstance(before, Replaced)


Strategy = Callable[[Situation], Decision]  # decides what to do next


class Planner(Struct, frozen=True):
    """The planner of this package."""

    depth: int
    costs: Mapping[str, Any] = field(default_factory=dict)  # in place of the shop's figures

    def __call__(self, situation: Situation) -> Decision:
        """Take the first step of its plan."""
        costs = replace(situation.settings.costs, **self.costs)
        settings = replace(situation.settings, depth=self.depth, costs=costs)
        outlook = Outlook(situation.evidence, situation.posterior, settings)
        first = order_ways(outlook, outlook.rank()).ways[0]
        return first.action or first.ending


class CustomaryOrder(Struct, frozen=True):
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

    def _suspected(self, situation: Situation) -> frozenset[int]:
        """Cylinders that misfired when the misfire was first seen in this job."""
        for _, event in situation.job.standing:
            if isinstance(event, Ran) and (cylinders := misfiring(situation.job, event)):
                return cylinders
        return frozenset(situation.job.engine.layout.cylinders)


def _customary(
    situation: Situation, what: str, name: str, cylinders: frozenset[int]
) -> Action | None:
    """Step of the customary order on what these cylinders share; None where it cannot be done."""
    engine = situation.job.engine
    if what == "test":
        if name not in engine.tests:
            return None
        test = engine.tests[name]
        targets = engine.target_places(test.target)
        mine = [t for t in targets if cylinders <= set(engine.target_cylinders(t))]
        others = [t for t in targets if t not in mine[:1]][: situation.custom.neighbours]
        chosen = (*mine[:1], *(others if test.level else ()))
        return Action("test", test.id, chosen) if mine else None
    places = [p for p in engine.places_for(name) if cylinders <= set(p.cylinders)]
    if not places or not engine.kinds[name].movable:
        return None
    donors = Suspicion(situation.job, situation.place_p, {}).donors(places[0])
    if not donors:
        return None
    swaps = ((places[0].id, donors[0].id),)
    return Action("swap", swaps=swaps, drive_minutes=situation.custom.drive_minutes)


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
    """Replace what has the highest index and drive; give up once that is not worth it."""
    outlook = situation.outlook
    costs = {place: outlook.costing.weigh(outlook.fix_effort(place)) for place in situation.place_p}
    best = max(costs, key=lambda place: index(situation.place_p[place], costs[place]))
    cap = situation.settings.costs.diagnosis_cap
    if situation.place_p[best] < LEAST_P or costs[best] > MOST_CAPS * cap:
        return GIVE_UP
    return Action("replace", replaced=(best,), drive_minutes=situation.custom.drive_minutes)


class Result(Struct, frozen=True):
    """What a job came to."""

    cost: float  # money, comebacks and giving up included
    minutes: float  # labour and driving
    drive_minutes: float
    wrong_parts: int  # elements put right that were not at fault
    needless: float  # what they cost beyond their labour and price, which is part of `cost`
    unproven: int  # of what was put right, less likely at fault than the pack asks
    at_once: float  # mean number of things done in a step
    begins_plainly: bool  # whether no more than one thing was done in the first step
    comebacks: int  # times that the vehicle came back
    resolved: bool  # false if it was given up
    steps: int
    seconds: float  # time that deciding took


class Bill:
    """What a job has come to so far."""

    def __init__(self, world: World, settings: PlanSettings) -> None:
        self.world = world
        self.settings = settings
        self.total = Effort()
        self.wrong_parts = self.comebacks = self.steps = self.unproven = 0
        self.seconds = self.needless = 0.0
        self.things: list[int] = []

    @property
    def costing(self) -> Costing:
        """Prices as the job stands."""
        return Costing(self.world.job, self.settings)

    def do(self, action: Action) -> None:
        """Do an action; pay its work, what was really repaired, and the minutes really driven."""
        costing, world = self.costing, self.world
        effort = work_of(costing, action, self.repair).effort
        self.things.append(action.things)
        for place in action.replaced:
            if world.job.fitted[place] not in world.faults:
                self.wrong_parts += 1
                alone = costing.work([self.repair(place)], (), now=False).effort
                self.needless += costing.money(costing.needless(alone))
        before = len(world.events)
        world.do(action)
        driven = sum(e.minutes for e in world.events[before:] if isinstance(e, Ran))
        # Damage is paid when it shows, not as an expectation.
        self.total += Effort(effort.minutes, effort.drive_minutes + driven, effort.parts)

    def repair(self, place: str) -> RepairTask:
        """Say what putting right what sits at a place takes, knowing what is wrong with it."""
        kind = self.world.job.engine.kind_of(place)
        state = self.world.faults.get(self.world.job.fitted[place])
        known = {state.mode.id: 1.0} if state is not None and state.mode is not None else {}
        return self.costing.repair(kind, known)

    def result(self, *, resolved: bool) -> Result:
        """Add up, once the vehicle is handed over or given up."""
        costs = self.settings.costs
        extra = self.comebacks * costs.comeback + (0.0 if resolved else costs.diagnosis_cap)
        extra += self.needless
        return Result(
            self.costing.money(self.total) + extra,
            self.total.minutes,
            self.total.drive_minutes,
            self.wrong_parts,
            self.needless,
            self.unproven,
            sum(self.things) / max(len(self.things), 1),
            not self.things or self.things[0] <= 1,
            self.comebacks,
            resolved,
            self.steps,
            self.seconds,
        )


def play(
    world: World, policy: Strategy, settings: PlanSettings, pack: Pack | None = None
) -> Result:
    """Let a policy work on a vehicle to the end."""
    bill = Bill(world, settings)
    while bill.steps < MOST_STEPS:
        job = world.job if pack is None else replay(enumerate(world.events), pack)
        start = time.perf_counter()
        situation = Situation(job, settings)
        decision = policy(situation)
        bill.seconds += time.perf_counter() - start
        bill.steps += 1
        if decision == GIVE_UP:
            break
        if isinstance(decision, Action):
            proof = min((situation.place_p[p] for p in decision.replaced), default=1.0)
            bill.unproven += proof < settings.costs.proof
            bill.do(decision)
        elif decision == HAND_OVER:
            if not (world.has_fault and world.come_back()):
                return bill.result(resolved=True)
            bill.comebacks += 1
    return bill.result(resolved=False)


def customary_results(
    job: Job, settings: PlanSettings, vehicles: int, seed: int
) -> Iterator[Result]:
    """Play the customary order on vehicles such as a job's, from the first misfire seen on."""
    # Compared with what a job takes, to which nobody adds a penalty for needless parts.
    settings = replace(settings, costs=replace(settings.costs, needless_part=0.0))
    for world in vehicles_like(job, vehicles, seed):
        yield play(world, CustomaryOrder(), settings)
