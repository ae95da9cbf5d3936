"""What a job would have cost in the order in which the trade usually goes through one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec.structs import replace

from swapinfer.errors import InputError
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.states import BEFORE, State
from swapinfer.ledger.replay import Job, replay
from swapinfer.plan.costing import PlanSettings
from swapinfer.posterior import FaultSets, fault_sets, infer
from swapinfer.simulate.play import CustomaryOrder, Result, play
from swapinfer.simulate.world import FIRST_DRIVE, World

COVER = 0.99
"""Share of the posterior from which vehicles are drawn."""

MOST_DRIVES = 20
"""First drives in which the misfire may show; one that never does is left to the policy."""


def customary_results(
    job: Job, settings: PlanSettings, vehicles: int, seed: int
) -> Iterator[Result]:
    """Play the customary order on vehicles such as the job's, from the first misfire seen on.

    Parameters
    ----------
    job : Job
        With all that is known about it by now.
    settings : PlanSettings
        Shop's figures.
    vehicles : int
        How many.
    seed : int
        Of the random generator.

    Yields
    ------
    Result
        One a vehicle. Its faults are drawn from what the whole job says was wrong at the start;
        everything that is found out about them is left to chance anew.

    Raises
    ------
    InputError
        If the job does not say that anything was wrong, or its belief is not exact.
    """
    evidence = gather_evidence(job)
    posterior = infer(evidence.arrays)
    if not posterior.exact:
        raise InputError(f"{job.opening.ro} is too entangled for exact belief: no comparison")
    sets = fault_sets(evidence.arrays, posterior, cover=COVER)
    original = set(replay(enumerate([job.opening]), job.pack).elements)
    faulty = [_faults(evidence, sets, h, original) for h in range(len(sets.belief_h))]
    weight_h = sets.belief_h * [
        any(s.mode and s.mode.misfire > 0 for s in f.values()) for f in faulty
    ]
    if not weight_h.any():
        raise InputError(f"{job.opening.ro} does not say that anything was wrong")
    # Compared with what a job takes, to which nobody adds a penalty for needless parts.
    settings = replace(settings, costs=replace(settings.costs, needless_part=0.0))
    rng = np.random.default_rng(seed)
    for h in rng.choice(len(faulty), vehicles, p=weight_h / weight_h.sum()).tolist():
        world = World(job.pack, job.opening, dict(faulty[h]), rng)
        for _ in range(MOST_DRIVES):
            if world.drive(FIRST_DRIVE):
                break
        yield play(world, CustomaryOrder(), settings)


def _faults(evidence: Evidence, sets: FaultSets, h: int, original: set[str]) -> dict[str, State]:
    """Faults that a fault set says were there when the job was opened."""
    space = evidence.space
    pairs = zip(sets.element_hk[h].tolist(), sets.state_hk[h].tolist(), strict=True)
    return {
        space.elements[e].id: space.states[e][s]
        for e, s in pairs
        if s > 0 and space.elements[e].id in original and space.states[e][s].onset == BEFORE
    }
