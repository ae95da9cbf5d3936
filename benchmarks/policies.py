"""What each way of deciding costs, on the same simulated jobs for all of them.

SWAPINFER_BENCHMARK_JOBS sets the number of jobs.
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
    from swapinfer.simulate.play import Result, Situation, Strategy

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

HEADS = (
    "jobs", "cost", "+-", "bare", "minutes", "needless", "unproven", "at once", "plain", "back",
    "given up", "s/step",
)  # fmt: skip
"""`bare` is the cost without the penalty of needless parts; `plain`, how many first steps are one
thing."""

CLAIRVOYANT, EASIEST = "clairvoyant", "easiest first"
BY_P, BY_PC, BY_INFO = "by probability", "by probability/cost", "information/cost"
ONE, TWO = "ours, one step", "ours, two steps"
CHEAPEST, TASTE, PROOF = "two steps, the cheapest", "two steps, plainest", "two steps, proven"
WRONG = " (priors wrong)"

EVERY = {BY_P: 4, BY_PC: 8, ONE: 8, CHEAPEST: 8, TASTE: 8, PROOF: 8, BY_INFO: 32}
"""Slow ones, and those that nothing is to be measured against, play one job in so many."""

EVERY_WRONG = 32
"""One job in so many is played with wrong priors too."""


@dataclass(frozen=True)
class Played:
    """One job under one policy."""

    job: int
    policy: str
    result: Result
    promised: float = math.nan


def main(*, quick: bool) -> dict[str, float]:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    jobs = int(os.environ.get("SWAPINFER_BENCHMARK_JOBS", QUICK_JOBS if quick else JOBS))
    chunk = 1 if quick else CHUNK
    starts = range(0, jobs, chunk)
    played = list(_spread(play_jobs, [range(s, min(s + chunk, jobs)) for s in starts], "jobs"))
    print(f"\n{jobs} jobs over {len(ENGINES)} engines, the same for every policy\n")
    figures = _table(played, wrong="")
    figures |= {f"{key}_priors_wrong": saving for key, saving in _table(played, WRONG).items()}
    figures |= _promises(played)
    reduced = QUICK_REDUCED if quick else REDUCED
    pairs = list(_spread(play_reduced, [range(n, n + 1) for n in range(reduced)], "reduced jobs"))
    figures |= _optimum(pairs)
    return {**figures, "jobs": jobs}


def play_jobs(numbers: Iterable[int]) -> list[Played]:
    """Play some jobs under every policy, with the right priors and with wrong ones."""
    import numpy as np
    from lab.reliability import perturb
    from lab.strategies import clairvoyant

    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.simulate.play import Situation, play
    from swapinfer.simulate.world import draw_job

    pack = load_pack()
    settings = PlanSettings(pack.costs)
    played = []
    for number in numbers:
        layout, fitment = ENGINES[number % len(ENGINES)]
        rng = np.random.default_rng([SEED, number])
        world = draw_job(pack, layout, fitment, rng)
        wrong = perturb(pack, WRONG_BY, rng)
        played.append(Played(number, CLAIRVOYANT, clairvoyant(world.copy(number), settings)))
        for name, policy in policies().items():
            if _is_played(number, EVERY.get(name, 1)):
                result = play(world.copy(number), remembered(name), settings)
                promised = _promised(Situation(world.job, settings)) if name == TWO else math.nan
                played.append(Played(number, name, result, promised))
            if name in (EASIEST, TWO) and _is_played(number, EVERY_WRONG):
                result = play(world.copy(number), policy, settings, wrong)
                played.append(Played(number, name + WRONG, result))
    return played


def _promised(situation: Situation) -> float:
    """Expected total of the first step, as it is printed."""
    from swapinfer.plan.next import make_plan

    return make_plan(situation.outlook, situation.outlook.rank()).best.expected_total


def _is_played(number: int, every: int) -> bool:
    """Whether a policy that is played on some of the jobs only is played on this one."""
    return number // len(ENGINES) % every == 0


def policies() -> dict[str, Strategy]:
    """Ways of deciding, by name."""
    from lab.strategies import InformationPerCost, ReplaceBy, by_probability_over_cost

    from swapinfer.simulate.play import CustomaryOrder, Planner, by_probability

    return {
        EASIEST: CustomaryOrder(),
        BY_P: ReplaceBy(by_probability),
        BY_PC: ReplaceBy(by_probability_over_cost),
        BY_INFO: InformationPerCost(),
        ONE: Planner(1),
        TWO: Planner(2),
        CHEAPEST: Planner(2, {"resolution": 0.0, "proof": 0.0}),
        TASTE: Planner(2, {"proof": 0.0}),
        PROOF: Planner(2, {"resolution": 0.0}),
    }


@cache
def remembered(name: str) -> Strategy:
    """Return a policy that recalls, as long as the process lives, what it decided before."""
    from lab.strategies import Remembered

    return Remembered(policies()[name])


def play_reduced(numbers: Iterable[int]) -> list[tuple[float, float, float]]:
    """Exact expected cost of the optimum, of one step and of two steps, on jobs cut down."""
    import numpy as np
    from lab.reduced import optimal_cost, planned_cost, reduce_job

    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.simulate.play import Situation
    from swapinfer.simulate.world import draw_job

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
    """Do the parts in processes of their own, and show how far it is."""
    from rich.progress import track

    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(work, part) for part in parts]
        for future in track(as_completed(futures), what, total=len(parts)):
            yield from future.result()


def _table(played: list[Played], wrong: str) -> dict[str, float]:
    """Print a table and return the savings, each on the jobs that both policies played."""
    results: dict[str, dict[int, Result]] = defaultdict(dict)
    for one in sorted(played, key=lambda p: p.job):
        results[one.policy][one.job] = one.result
    if wrong:
        print(f"\nthe technician's priors each wrong by up to a factor of {WRONG_BY:g}\n")
    print(f"{'policy':32}" + "".join(f"{head:>10}" for head in HEADS))
    for name, by_job in results.items():
        if name.endswith(WRONG) == bool(wrong):
            _print_row(name, list(by_job.values()))

    def saving(other: str, floor: str = "") -> float:
        jobs = results[TWO + wrong].keys() & results[other].keys()
        ours, theirs, least = (
            sum(results[name][job].cost for job in jobs) if name else 0.0
            for name in (TWO + wrong, other, floor)
        )
        return 1 - (ours - least) / (theirs - least)

    easiest = EASIEST + wrong
    figures = {
        "saving_vs_easiest_first": saving(easiest),
        "avoidable_saving_vs_easiest_first": saving(easiest, CLAIRVOYANT),
    }
    if not wrong:
        figures["saving_vs_cheapest"] = saving(CHEAPEST)
        figures["saving_vs_replace_by_probability"] = saving(BY_P)
        figures["saving_vs_information_per_cost"] = saving(BY_INFO)
        figures["saving_vs_one_step"] = saving(ONE)
    print()
    for key, share in figures.items():
        print(f"{key.replace('_', ' ')}: {share:.1%}")
    return figures


def _print_row(name: str, results: list[Result]) -> None:
    count = len(results)
    cost = _mean(results, "cost")
    spread = math.sqrt(sum((r.cost - cost) ** 2 for r in results) / max(count - 1, 1) / count)
    minutes = _mean(results, "minutes") + _mean(results, "drive_minutes")
    seconds = sum(r.seconds for r in results) / max(sum(r.steps for r in results), 1)
    amounts = (cost, spread, cost - _mean(results, "needless"), minutes)
    counts = ("wrong_parts", "unproven", "at_once", "begins_plainly", "comebacks")
    rates = (*(_mean(results, field) for field in counts), 1 - _mean(results, "resolved"), seconds)
    print(
        f"{name:32}{count:10}"
        + "".join(f"{amount:10.1f}" for amount in amounts)
        + "".join(f"{rate:10.3f}" for rate in rates)
    )


def _promises(played: list[Played]) -> dict[str, float]:
    """Print what the first step of each job was expected to cost in all beside what it did."""
    pairs = [(one.promised, one.result.cost) for one in played if not math.isnan(one.promised)]
    over = [promised - cost for promised, cost in pairs]
    mean = sum(over) / len(over)
    spread = math.sqrt(sum((o - mean) ** 2 for o in over) / max(len(over) - 1, 1) / len(over))
    promised, cost = (sum(column) / len(pairs) for column in zip(*pairs, strict=True))
    print(f"\npromised {promised:.1f}, cost {cost:.1f}: too much by {mean:.1f} +- {spread:.1f}")
    return {"promised_too_much": mean, "promised_too_much_error": spread}


def _mean(results: list[Result], field: str) -> float:
    return sum(float(getattr(result, field)) for result in results) / len(results)


def _optimum(costs: list[tuple[float, float, float]]) -> dict[str, float]:
    best, one, two = (sum(column) for column in zip(*costs, strict=True))
    worst = max(c / b for b, _, c in costs)
    print(f"\n{len(costs)} reduced jobs: exact expected cost over the optimum")
    print(f"one step {one / best:.4f}, two steps {two / best:.4f} (worst job {worst:.4f})")
    return {"ratio_to_optimum": two / best}
