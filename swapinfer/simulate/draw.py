"""Jobs drawn from a pack: somebody complained, and the shop saw the misfire too."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.evidence.assemble import COMPLAINT_WORD
from swapinfer.evidence.running import Drive, expected_episodes, feel
from swapinfer.evidence.states import StateSpace, build_states
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.model import Pack
from swapinfer.simulate.world import World, draw_states, space_faults

FIRST_DRIVE = 20.0
"""Minutes in which the shop tries to see the misfire."""

_BATCH = 2000


def draw_job(
    pack: Pack, layout: str, fitment: Mapping[str, str], rng: np.random.Generator
) -> World:
    """Draw a vehicle that came in with a misfire which the shop then saw.

    Parameters
    ----------
    pack : Pack
        Priors.
    layout : str
        Id of the layout.
    fitment : mapping of str to str
        Fitment of the engine.
    rng : numpy.random.Generator
        Decides everything, now and later.

    Returns
    -------
    World
        With the first drive recorded. Rejection sampling: faults are drawn from the prior until
        someone complains of them and they show in the first drive.
    """
    opening = ev.Opened("simulated", layout, dict(fitment))
    job = replay(enumerate([opening]), pack)
    space = build_states(job)
    while True:
        state_de = draw_states(space, _BATCH, rng)
        chance_d = _complaint_chances(job, space, state_de)
        for d in np.flatnonzero(rng.random(_BATCH) < chance_d):
            world = World(pack, opening, space_faults(space, state_de[d]), rng)
            if world.drive(FIRST_DRIVE):
                return world


def _complaint_chances(job: Job, space: StateSpace, state_de: IntArray) -> FloatArray:
    """Chance that somebody complains, shape (draw,)."""
    running = job.pack.running
    drive = Drive(running.complaint_minutes, (), job.fitted, time=0)
    episodes = expected_episodes(job.engine, running, space, drive)
    mean_es = episodes.in_any(job.engine.layout.cylinders)
    term = feel(mean_es, job.pack.feelings[COMPLAINT_WORD])
    quiet_d = term.open_es[np.arange(state_de.shape[1]), state_de].prod(axis=1)
    chance_d: FloatArray = quiet_d * term.close_q2[0, 0] + (1.0 - quiet_d) * term.close_q2[0, 1]
    return chance_d
