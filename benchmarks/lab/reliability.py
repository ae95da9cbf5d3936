"""Whether stated probabilities come true: simulated jobs with arbitrary findings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger.replay import replay
from swapinfer.pack.model import Kind, Pack, Uncertain
from swapinfer.plan.actions import Action, Suspicion
from swapinfer.posterior import infer
from swapinfer.simulate.world import World

STATED = 0.01
"""Smaller probabilities are not stated, so not judged."""


@dataclass(frozen=True, slots=True)
class Reliability:
    """Stated probabilities beside what came true, in bins of equal width.

    Attributes
    ----------
    count_b : ndarray of float, shape (bin,)
        Statements.
    stated_b, true_b : ndarray of float, shape (bin,)
        Mean stated probability, and share that came true; 0 in empty bins.
    """

    count_b: FloatArray
    stated_b: FloatArray
    true_b: FloatArray

    @property
    def error(self) -> float:
        """Expected calibration error: mean distance of the two, weighted by statements."""
        return float(self.count_b @ abs(self.stated_b - self.true_b) / self.count_b.sum())


def judge(stated_n: FloatArray, came_true_n: FloatArray, bins: int = 10) -> Reliability:
    """Compare stated probabilities with what came true.

    Parameters
    ----------
    stated_n : ndarray of float, shape (statement,)
        Between 0 and 1.
    came_true_n : ndarray of float, shape (statement,)
        1 where it did, else 0.
    bins : int, optional
        Number of bins.

    Returns
    -------
    Reliability

    References
    ----------
    Naeini, Cooper & Hauskrecht (2015), "Obtaining well calibrated probabilities using Bayesian
    binning", AAAI, for the expected calibration error.
    """
    bin_n = np.minimum((stated_n * bins).astype(np.int64), bins - 1)
    count_b = np.bincount(bin_n, minlength=bins).astype(np.float64)
    divisor_b = np.maximum(count_b, 1.0)
    stated_b = np.bincount(bin_n, stated_n, bins) / divisor_b
    true_b = np.bincount(bin_n, came_true_n, bins) / divisor_b
    return Reliability(count_b, stated_b, true_b)


def wander(world: World, steps: int) -> None:
    """Do arbitrary sensible things to a vehicle: tests, swaps, drives, a repair.

    Parameters
    ----------
    world : World
        Changed by what is done.
    steps : int
        How many things.
    """
    for _ in range(steps):
        world.do(_anything(world))


def _anything(world: World) -> Action:
    engine, rng = world.job.engine, world.rng
    kind = str(rng.choice(["test", "test", "swap", "replace", "drive"]))
    minutes = float(rng.choice(world.pack.costs.drive_minutes))
    if kind == "test":
        tests = list(engine.tests.values())
        test = tests[int(rng.integers(len(tests)))]
        targets = engine.target_places(test.target)
        return Action("test", test.id, (targets[int(rng.integers(len(targets)))],))
    movable = [p for p in engine.places.values() if engine.kinds[p.kind].movable]
    place = movable[int(rng.integers(len(movable)))]
    if kind == "swap":
        quiet = Suspicion(world.job, dict.fromkeys(engine.places, 0.0), {})
        donors = quiet.donors(place)
        if donors:
            pair = (place.id, donors[int(rng.integers(len(donors)))].id)
            return Action("swap", swaps=(pair,), drive_minutes=minutes)
    if kind == "replace":
        return Action("replace", replaced=(place.id,), drive_minutes=minutes)
    return Action("drive", drive_minutes=minutes)


def statements(world: World, pack: Pack | None = None) -> tuple[FloatArray, FloatArray]:
    """Stated probabilities of a job's elements to be, or have been, at fault; and the truth.

    Parameters
    ----------
    world : World
        Vehicle.
    pack : Pack, optional
        What the technician believes; the world's own by default.

    Returns
    -------
    stated_n, came_true_n : ndarray of float, shape (statement,)
        Of every element with a stated probability of at least `STATED`.
    """
    job = world.job if pack is None else replay(enumerate(world.events), pack)
    evidence = gather_evidence(job)
    fault_e = infer(evidence.arrays).fault_e
    stated = np.flatnonzero(fault_e >= STATED)
    elements = [evidence.space.elements[e].id for e in stated]
    return fault_e[stated], np.array([float(e in world.ever_faulty) for e in elements])


def perturb(pack: Pack, factor: float, rng: np.random.Generator) -> Pack:
    """Return a pack whose rates are wrong, those of each kind by a factor of their own.

    Parameters
    ----------
    pack : Pack
        Right.
    factor : float
        Largest factor, up or down; drawn evenly on the log scale.
    rng : numpy.random.Generator
        Draws one factor a kind.
    """
    spread = float(np.log(factor))
    wrong = {name: float(np.exp(rng.uniform(-spread, spread))) for name in pack.kinds}
    kinds = {name: _faster(kind, wrong[name]) for name, kind in pack.kinds.items()}
    return replace(pack, kinds=kinds)


def perturb_tests(pack: Pack, factor: float, rng: np.random.Generator) -> Pack:
    """Return a pack whose chances of outcomes are wrong: their odds by factors of their own.

    Parameters
    ----------
    pack : Pack
        Right.
    factor : float
        Largest factor, up or down; drawn evenly on the log scale. Chances beside each other are
        made to add up again.
    rng : numpy.random.Generator
        Draws a factor for every miss, coincidence and outcome.
    """
    spread = float(np.log(factor))

    def off(chance: float) -> float:
        odds = chance / max(1.0 - chance, 1e-12) * float(np.exp(rng.uniform(-spread, spread)))
        return odds / (1.0 + odds)

    def off_all(profile: dict[str, float]) -> dict[str, float]:
        wrong = {name: off(chance) for name, chance in profile.items()}
        return {name: chance / sum(wrong.values()) for name, chance in wrong.items()}

    tests = {
        name: replace(
            test,
            miss={severity: off(chance) for severity, chance in test.miss.items()},
            coincidence=off(test.coincidence),
            chances={profile: off_all(chances) for profile, chances in test.chances.items()},
        )
        for name, test in pack.tests.items()
    }
    return replace(pack, tests=tests)


def _faster(kind: Kind, factor: float) -> Kind:
    """Multiply the hazard of all of a kind's modes."""
    modes = {}
    for name, mode in kind.modes.items():
        ratio = Uncertain(mode.hazard_ratio.median * factor, mode.hazard_ratio.spread)
        modes[name] = replace(mode, hazard_ratio=ratio)
    return replace(kind, modes=modes)
