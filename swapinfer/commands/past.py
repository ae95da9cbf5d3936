"""Past jobs worked again under two packs, to see what the other priors would have cost."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from msgspec import Struct

from swapinfer.commands.visits import Visit
from swapinfer.evidence.states import State
from swapinfer.learn.compare import Replay, replay_jobs
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.draw import FIRST_DRIVE, draw_job
from swapinfer.simulate.play import copy_world, play
from swapinfer.simulate.policies import Decision, Planner, Situation
from swapinfer.simulate.world import World

TRIES = 200
"""Attempts to let a fault show in the first drive."""


class Again(Struct, frozen=True):
    """A vehicle, and the number that decides its further luck."""

    world: World
    luck: int


class _Noting(Struct):
    """A policy that notes what it decided first."""

    policy: Planner
    first: list[Decision] = []

    def __call__(self, situation: Situation) -> Decision:
        decision = self.policy(situation)
        self.first = self.first or [decision]
        return decision


def past_vehicles(visits: Iterable[Visit], pack: Pack, count: int, seed: int) -> list[Again]:
    """Rebuild the vehicles of past jobs whose one cause is known and was verified.

    Parameters
    ----------
    visits : iterable of Visit
        In order of time; the latest are taken.
    pack : Pack
        By which they behave; how severe the fault was is drawn from it.
    count : int
        At most.
    seed : int
        Of everything that is drawn.

    Returns
    -------
    list of Again
        With the first drive, in which the misfire was seen, recorded.
    """
    every = list(visits)
    returned = {visit.comeback_of for visit in every}
    plain = [v for v in every if not v.comeback_of and v.name not in returned]
    found: list[Again] = []
    for number, visit in enumerate(reversed(plain)):
        if len(found) == count:
            break
        rng = np.random.default_rng([seed, number])
        world = _seen_again(visit, pack, rng)
        if world is not None:
            found.append(Again(world, number))
    return found


def _seen_again(visit: Visit, pack: Pack, rng: np.random.Generator) -> World | None:
    closing, job = visit.closing, visit.job
    if closing is None or not closing.verified or len(closing.causes) != 1:
        return None
    kind = pack.kinds.get(job.elements[closing.causes[0]].home.kind)
    mode = kind.modes.get(closing.modes[0]) if kind else None
    if mode is None or job.elements[closing.causes[0]].is_new:
        return None
    names = [name for name, share in mode.severity.items() if share > 0]
    shares = np.array([mode.severity[name] for name in names])
    for _ in range(TRIES):
        severity = pack.severities[names[int(rng.choice(len(names), p=shares / shares.sum()))]]
        world = World(pack, job.opening, {closing.causes[0]: State(mode, severity)}, rng)
        if world.drive(FIRST_DRIVE):
            return world
    return None


def drawn_vehicles(pack: Pack, engine: tuple[str, str, str], count: int, seed: int) -> list[Again]:
    """Draw vehicles from a pack, for a shop that has no past yet.

    Parameters
    ----------
    pack : Pack
        Priors.
    engine : (str, str, str)
        Layout, ignition and fuel kind.
    count, seed : int
        How many, and of what seed.
    """
    layout, ignition, fuel = engine
    fitment = {"ignition": ignition, "fuel": fuel}
    return [
        Again(draw_job(pack, layout, fitment, np.random.default_rng([seed, number])), number)
        for number in range(count)
    ]


def work_again(
    vehicles: Iterable[Again], before: Pack, after: Pack, settings: PlanSettings, seed: int
) -> Replay:
    """Let the planner work on the same vehicles under either pack.

    Parameters
    ----------
    vehicles : iterable of Again
        Gone through once.
    before, after : Pack
        What the technician believes.
    settings : PlanSettings
        Shop's figures.
    seed : int
        Of the interval.

    Returns
    -------
    Replay
    """

    def under(pack: Pack) -> Callable[[Again], tuple[str, float]]:
        def work(again: Again) -> tuple[str, float]:
            policy = _Noting(Planner(settings.depth))
            result = play(copy_world(again.world, again.luck), policy, settings, pack)
            return str(policy.first[0]), result.cost

        return work

    return replay_jobs(vehicles, under(before), under(after), seed=seed)
