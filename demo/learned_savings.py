"""Shows what a fleet saves by learning its priors from its own history.

    python demo/learned_savings.py [--jobs 600] [--held-out 260] [--seed 7]

An invented fleet (see fleet_history.py) keeps a history. Priors are learned from it, at the shell
command's settings. Then vehicles of that fleet that are not in the history come in, and the planner
works on the very same vehicles, with the same luck, under the base priors, under the learned ones,
and under the fleet's true ones, which no shop can know. What differs is what the technician
believes; how the vehicles behave does not.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from fleet_history import FAMILIES, invented_fleet, write_history
from msgspec.structs import replace
from rich.progress import track

from swapinfer.learn.counts import History
from swapinfer.learn.learn import OVERLAY, learn_overlay
from swapinfer.learn.prior import vocabulary
from swapinfer.learn.sampling import Sampling
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack, Uncertain
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.play import Planner, play
from swapinfer.simulate.world import draw_job

DEPTH = 1


def true_packs(base: Pack, seed: int) -> dict[str, Pack]:
    """Give each family of the fleet the rates that its history was drawn with."""
    words = vocabulary(base)
    fleet = invented_fleet(words, seed)
    return {
        family: _with_ratios(base, dict(zip(words.causes, np.exp(row), strict=True)))
        for family, row in zip(FAMILIES, fleet.log_ratio_lc, strict=True)
    }


def _with_ratios(base: Pack, ratios: dict[str, float]) -> Pack:
    """Multiply hazards, and leave nothing uncertain about them."""
    kinds = {}
    for kind in base.kinds.values():
        modes = {
            mode.id: replace(
                mode,
                life_km=Uncertain(mode.life_km.median, 1.0),
                hazard_ratio=Uncertain(ratios[f"{kind.id}.{mode.id}"], 1.0),
            )
            if mode.misfire > 0
            else mode
            for mode in kind.modes.values()
        }
        kinds[kind.id] = replace(kind, modes=modes)
    return replace(base, kinds=kinds)


def learn(base: Pack, folder: Path, jobs: int, seed: int) -> Pack:
    """Learn from a history, as ``swapinfer priors learn`` does."""
    write_history(folder, jobs, seed)
    history = History(folder / "jobs.csv", folder / "findings.csv")
    learn_overlay(history, base, folder / "learned", Sampling(seed=seed, progress=True))
    return load_pack([folder / "learned" / OVERLAY])


def play_held_out(
    base: Pack, learned: Pack, true: dict[str, Pack], count: int, seed: int
) -> np.ndarray:
    """Costs of each held-out job under base, learned and true priors; shape (job, 3)."""
    settings, planner = PlanSettings(base.costs), Planner(DEPTH)
    names = list(FAMILIES)
    rows = []
    for number in track(range(count), "held-out jobs"):
        rng = np.random.default_rng([seed, 1, number])
        family = names[number % len(names)]
        layout, ignition, fuel = FAMILIES[family]
        world = draw_job(true[family], layout, {"ignition": ignition, "fuel": fuel}, rng)
        beliefs = (base, learned, true[family])
        rows.append([play(world.copy(number), planner, settings, pack).cost for pack in beliefs])
    return np.array(rows)


def report(cost_jp: np.ndarray) -> None:
    """Print mean costs, and mean savings over the base priors with their standard errors."""
    print(f"{len(cost_jp)} held-out jobs, mean cost:")
    for name, cost_j in zip(("base", "learned", "true"), cost_jp.T, strict=True):
        saved_j = cost_jp[:, 0] - cost_j
        error = saved_j.std(ddof=1) / np.sqrt(len(saved_j))
        print(f"  {name:8} {cost_j.mean():6.1f}   saved {saved_j.mean():5.1f} +- {error:.1f}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="What learning saves on held-out jobs.")
    parser.add_argument("--jobs", type=int, default=600)
    parser.add_argument("--held-out", type=int, default=260)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    base = load_pack()
    with tempfile.TemporaryDirectory() as folder:
        learned = learn(base, Path(folder), asked.jobs, asked.seed)
    true = true_packs(base, asked.seed)
    report(play_held_out(base, learned, true, asked.held_out, asked.seed))


if __name__ == "__main__":
    main()
