"""Play a policy on a vehicle until it is repaired, or given up, and add up what that cost."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from swapinfer.ledger.events import Ran
from swapinfer.ledger.replay import replay
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import Action, work_of
from swapinfer.plan.costing import Costing, Effort, PlanSettings, RepairTask
from swapinfer.plan.priority import GIVE_UP, HAND_OVER
from swapinfer.simulate.policies import Situation, Strategy
from swapinfer.simulate.world import World

MOST_STEPS = 25
"""Steps after which a job is given up."""


@dataclass(frozen=True, slots=True)
class Result:
    """What a job came to.

    Attributes
    ----------
    cost : float
        Money, comebacks and giving up included.
    minutes, drive_minutes : float
        Labour and driving.
    wrong_parts : int
        Elements put right that were not at fault.
    needless : float
        What they cost beyond their labour and price, which is part of `cost`.
    unproven : int
        Steps that put something right which was less likely at fault than the pack's proof.
    at_once : float
        Mean number of things done in a step.
    begins_plainly : bool
        Whether no more than one thing was done in the first step.
    comebacks : int
        Times that the vehicle came back.
    resolved : bool
        False if it was given up.
    steps : int
        Decisions taken.
    seconds : float
        Time that deciding took.
    """

    cost: float
    minutes: float
    drive_minutes: float
    wrong_parts: int
    needless: float
    unproven: int
    at_once: float
    begins_plainly: bool
    comebacks: int
    resolved: bool
    steps: int
    seconds: float


class Bill:
    """What a job has come to so far.

    Parameters
    ----------
    world : World
        Vehicle that is worked on.
    settings : PlanSettings
        Shop's figures.
    """

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
    """Let a policy work on a vehicle to the end.

    Parameters
    ----------
    world : World
        Vehicle; changed by what is done to it.
    policy : Strategy
        Decides.
    settings : PlanSettings
        Shop's figures.
    pack : Pack, optional
        What the technician believes; the world's own by default.

    Returns
    -------
    Result
    """
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


def copy_world(world: World, seed: int) -> World:
    """Return the same vehicle, job and faults, its further luck decided by a seed."""
    return World(
        world.pack,
        world.opening,
        dict(world.faults),
        np.random.default_rng(seed),
        list(world.events),
    )
