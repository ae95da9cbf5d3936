"""What each way of deciding costs, on the same simulated jobs for all of them.

A Dask cluster that runs already does the work instead when its address is in
SWAPINFER_BENCHMARK_CLUSTER and swapinfer is installed there; SWAPINFER_BENCHMARK_JOBS sets the
number of jobs.
"""

from __future__ import annotations

import math
import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from swapinfer.simulate.play import Result
    from swapinfer.simulate.policies import Policy

SEED = 20_31
JOBS, QUICK_JOBS = 5_000, 8
REDUCED, QUICK_REDUCED = 100, 4
CHUNK = 10
WRONG_BY = 3.0

ENGINES = (
    ("inline-4", {"ignition": "coil-on-plug", "fuel": "port"}),
    ("inline-4", {"ignition": "waste-spark", "fuel": "port"}),
    ("v6", {"ignition": "coil-near-plug", "fuel": "port"}),
    ("v8", {"ignition": "coil-on-plug", "fuel": "direct"}),
)

HEADS = ("cost", "+-", "minutes", "wrong", "back", "given up", "s/step")
CLAIRVOYANT, EASIEST = "clairvoyant", "easiest first"
BY_P, BY_PC, BY_INFO = "by probability", "by probability/cost", "information/cost"
ONE, TWO = "ours, one step", "ours, two steps"


@dataclass(frozen=True)
class Played:
    """One job under one policy."""

    job: int
    policy: str
    result: Result


def main(*, quick: bool) -> dict[str, float]:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    jobs = int(os.environ.get("SWAPINFER_BENCHMARK_JOBS", QUICK_JOBS if quick else JOBS))
    chunk = 1 if quick else CHUNK
    starts = range(0, jobs, chunk)
    played = list(_spread(play_jobs, [range(s, min(s + chunk, jobs)) for s in starts], "jobs"))
    print(f"\n{jobs} jobs over {len(ENGINES)} engines, the same for every policy\n")
    figures = _table(played, wrong="")
    _table(played, wrong=" (priors wrong)")
    reduced = QUICK_REDUCED if quick else REDUCED
    pairs = list(_spread(play_reduced, [range(n, n + 1) for n in range(reduced)], "reduced jobs"))
    figures |= _optimum(pairs)
    return {**figures, "jobs": jobs}


def play_jobs(numbers: Iterable[int]) -> list[Played]:
    """Play some jobs under every policy, with the right priors and with wrong ones."""
    import numpy as np

    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.simulate.calibration import perturb
    from swapinfer.simulate.draw import draw_job
    from swapinfer.simulate.play import clairvoyant, copy_world, play

    pack = load_pack()
    settings = PlanSettings(pack.costs)
    played = []
    for number in numbers:
        layout, fitment = ENGINES[number % len(ENGINES)]
        rng = np.random.default_rng([SEED, number])
        world = draw_job(pack, layout, fitment, rng)
        wrong = perturb(pack, WRONG_BY, rng)
        played.append(Played(number, CLAIRVOYANT, clairvoyant(copy_world(world, number), settings)))
        for name, policy in policies().items():
            result = play(copy_world(world, number), remembered(name), settings)
            played.append(Played(number, name, result))
            if name in (EASIEST, TWO):
                result = play(copy_world(world, number), policy, settings, wrong)
                played.append(Played(number, f"{name} (priors wrong)", result))
    return played


def policies() -> dict[str, Policy]:
    """Ways of deciding, by name."""
    from swapinfer.simulate import policies as ways

    return {
        EASIEST: ways.CustomaryOrder(),
        BY_P: ways.ReplaceBy(ways.by_probability),
        BY_PC: ways.ReplaceBy(ways.by_probability_over_cost),
        BY_INFO: ways.InformationPerCost(),
        ONE: ways.Planner(1),
        TWO: ways.Planner(2),
    }


@cache
def remembered(name: str) -> Policy:
    """Return a policy that recalls, as long as the process lives, what it decided before."""
    from swapinfer.simulate.policies import Remembered

    return Remembered(policies()[name])


def play_reduced(numbers: Iterable[int]) -> list[tuple[float, float, float]]:
    """Exact expected cost of the optimum, of one step and of two steps, on jobs cut down."""
    import numpy as np

    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.simulate.draw import draw_job
    from swapinfer.simulate.policies import Situation
    from swapinfer.simulate.reduced import optimal_cost, planned_cost, reduce_job

    pack = load_pack()
    settings = PlanSettings(pack.costs)
    costs = []
    for number in numbers:
        layout, fitment = ENGINES[number % len(ENGINES)]
        world = draw_job(pack, layout, fitment, np.random.default_rng([SEED, 1, number]))
        small, belief_h = reduce_job(Situation(world.job, settings).outlook)
        one, two = (planned_cost(small, belief_h, depth) for depth in (1, 2))
        costs.append((optimal_cost(small, belief_h), one, two))
    return costs


def _spread(work: Callable[..., list], parts: list, what: str) -> Iterator:  # type: ignore[type-arg]
    """Do the parts in processes of this machine, or on a cluster, and show how far it is."""
    from rich.progress import track

    cluster = os.environ.get("SWAPINFER_BENCHMARK_CLUSTER", "")
    if cluster:
        from distributed import Client
        from distributed import as_completed as done

        with Client(cluster) as client:
            client.upload_file(__file__)
            futures = client.map(work, parts)
            for future in track(done(futures), what, total=len(parts)):
                yield from future.result()
        return
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(work, part) for part in parts]
        for future in track(as_completed(futures), what, total=len(parts)):
            yield from future.result()


def _table(played: list[Played], wrong: str) -> dict[str, float]:
    """Print a table and return the savings."""
    results: dict[str, list[Result]] = defaultdict(list)
    for one in sorted(played, key=lambda p: p.job):
        results[one.policy].append(one.result)
    names = [n for n in results if n.endswith(wrong) and (wrong or not n.endswith("wrong)"))]
    if wrong:
        print(f"\nthe technician's priors each wrong by up to a factor of {WRONG_BY:g}\n")
    print(f"{'policy':32}" + "".join(f"{head:>10}" for head in HEADS))
    for name in names:
        _print_row(name, results[name])
    mean = {n: _mean(results[n], "cost") for n in results}
    ours, easiest, floor = mean[TWO + wrong], mean[EASIEST + wrong], mean[CLAIRVOYANT]
    saving, avoidable = 1 - ours / easiest, 1 - (ours - floor) / (easiest - floor)
    print(f"\nsaving over {EASIEST}: {saving:.1%}; of what is avoidable: {avoidable:.1%}")
    return {
        "saving_vs_easiest_first": saving,
        "avoidable_saving_vs_easiest_first": avoidable,
        "saving_vs_replace_by_probability": 1 - ours / mean[BY_P],
        "saving_vs_information_per_cost": 1 - ours / mean[BY_INFO],
    }


def _print_row(name: str, results: list[Result]) -> None:
    count = len(results)
    cost = _mean(results, "cost")
    spread = math.sqrt(sum((r.cost - cost) ** 2 for r in results) / max(count - 1, 1) / count)
    minutes = _mean(results, "minutes") + _mean(results, "drive_minutes")
    seconds = sum(r.seconds for r in results) / max(sum(r.steps for r in results), 1)
    given_up = 1 - _mean(results, "resolved")
    wrong, comebacks = _mean(results, "wrong_parts"), _mean(results, "comebacks")
    row = (cost, spread, minutes, wrong, comebacks, given_up, seconds)
    print(
        f"{name:32}" + "".join(f"{figure:8.{1 + 2 * (at > 2)}f}" for at, figure in enumerate(row))
    )


def _mean(results: list[Result], field: str) -> float:
    return sum(float(getattr(result, field)) for result in results) / len(results)


def _optimum(costs: list[tuple[float, float, float]]) -> dict[str, float]:
    best, one, two = (sum(column) for column in zip(*costs, strict=True))
    worst = max(c / b for b, _, c in costs)
    print(f"\n{len(costs)} reduced jobs: exact expected cost over the optimum")
    print(f"one step {one / best:.4f}, two steps {two / best:.4f} (worst job {worst:.4f})")
    return {"ratio_to_optimum": two / best}
