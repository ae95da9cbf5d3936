"""What following the advice costs in a world that the model did not make, beside the custom.

SWAPINFER_BENCHMARK_JOBS sets the number of vehicles.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import get_context
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lab.foreign import ForeignWorld

    from swapinfer.simulate.play import Decision, Result, Situation, Strategy

JOBS, QUICK_JOBS = 400, 8

ENGINES = (
    ("inline-4", {"ignition": "coil-on-plug", "fuel": "port"}),
    ("inline-4", {"ignition": "waste-spark", "fuel": "port"}),
    ("v6", {"ignition": "coil-on-plug", "fuel": "port"}),
    ("inline-4", {"ignition": "coil-on-plug", "fuel": "direct"}),
)

CUSTOM, OURS, CLAIRVOYANT = "customary order", "the advice", "clairvoyant"
HEADS = ("cost", "+-", "needless", "back", "given up", "unrepaired")
WIDTH = 16

BINS = (0.0, 0.5, 0.7, 0.9, 0.97, 1.0)
"""Of the probability stated at the first purchase."""


@dataclass(frozen=True)
class Played:
    """One vehicle under one way of deciding."""

    name: str
    engine: str
    trouble: str
    cost: float
    needless: int
    comebacks: int
    resolved: bool
    hand_overs: int
    unrepaired: int
    stated: float
    was_right: bool


@dataclass
class Watched:
    """A way of deciding, and what it stated when it first bought something."""

    decide: Strategy
    truth: Callable[[], Iterable[str]]
    stated: float = math.nan
    was_right: bool = False

    def __call__(self, situation: Situation) -> Decision:
        """Decide, and note the first purchase."""
        decision = self.decide(situation)
        bought = () if isinstance(decision, str) else decision.replaced
        if bought and math.isnan(self.stated):
            first = max(bought, key=lambda place: situation.place_p[place])
            self.stated = situation.place_p[first]
            self.was_right = situation.job.fitted[first] in set(self.truth())
        return decision


def main(*, quick: bool) -> dict[str, float]:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from rich.progress import track

    jobs = int(os.environ.get("SWAPINFER_BENCHMARK_JOBS", QUICK_JOBS if quick else JOBS))
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        found = list(track(pool.map(play_vehicle, range(jobs)), "vehicles", total=jobs))
    by_name: dict[str, list[Played]] = {}
    for played in (one for several in found for one in several):
        by_name.setdefault(played.name, []).append(played)
    print(f"\n{jobs} vehicles of another world\n")
    print(f"{'':{WIDTH}}" + "".join(f"{head:>12}" for head in HEADS))
    for name, results in by_name.items():
        _print_row(name, results)
    _print_parts(by_name)
    ours, custom, floor = (by_name[name] for name in (OURS, CUSTOM, CLAIRVOYANT))
    saving = _mean(custom, "cost") - _mean(ours, "cost")
    avoidable = _mean(custom, "cost") - _mean(floor, "cost")
    error = _print_stated(ours)
    return {
        "jobs": jobs,
        "saving_vs_customary_order": saving / _mean(custom, "cost"),
        "avoidable_saving": saving / avoidable,
        "needless_parts": _mean(ours, "needless"),
        "unrepaired": _unrepaired(ours),
        "error_at_first_purchase": error,
    }


def play_vehicle(number: int) -> list[Played]:
    """Play one vehicle under every way of deciding."""
    from lab.foreign import draw_foreign
    from lab.strategies import clairvoyant

    from swapinfer.pack.load import load_pack
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.simulate.play import CustomaryOrder, Planner, play

    pack = load_pack()
    settings = PlanSettings(pack.costs)
    layout, fitment = ENGINES[number % len(ENGINES)]
    engine = f"{layout} {fitment['ignition'].partition('-')[0]} {fitment['fuel']}"
    trouble = _trouble(draw_foreign(pack, layout, fitment, number))
    played = []
    for name, strategy in ((CUSTOM, CustomaryOrder()), (OURS, Planner(2))):
        world = draw_foreign(pack, layout, fitment, number)
        watched = Watched(strategy, lambda world=world: world.faults)
        result = play(world, watched, settings)
        played.append(_played(name, engine, trouble, result, world, watched))
    world = draw_foreign(pack, layout, fitment, number)
    best = clairvoyant(world, settings)
    nobody = Watched(Planner(2), tuple)
    played.append(_played(CLAIRVOYANT, engine, trouble, best, None, nobody))
    return played


def _trouble(world: ForeignWorld) -> str:
    """What is hard about a vehicle, in words."""
    kinds = [fault.entry["of"][0] for fault in world.truth.values()]
    if len(kinds) > 1:
        return "two faults"
    if kinds[0].startswith("unlisted"):
        return "not in the pack"
    if any(word in kinds[0] for word in ("wiring", "ground", "feed")):
        return "contacts"
    return "one part"


def _played(
    name: str,
    engine: str,
    trouble: str,
    result: Result,
    world: ForeignWorld | None,
    watched: Watched,
) -> Played:
    return Played(
        name=name,
        engine=engine,
        trouble=trouble,
        cost=result.cost,
        needless=result.wrong_parts,
        comebacks=result.comebacks,
        resolved=result.resolved,
        hand_overs=result.comebacks + result.resolved,
        unrepaired=result.comebacks + (result.resolved and world is not None and world.has_fault),
        stated=watched.stated,
        was_right=watched.was_right,
    )


def _mean(results: list[Played], field: str) -> float:
    return sum(float(getattr(one, field)) for one in results) / len(results)


def _unrepaired(results: list[Played]) -> float:
    """Part of the hand-overs after which the fault was still there."""
    return sum(one.unrepaired for one in results) / max(sum(one.hand_overs for one in results), 1)


def _print_row(name: str, results: list[Played]) -> None:
    mean = _mean(results, "cost")
    spread = math.sqrt(sum((one.cost - mean) ** 2 for one in results)) / max(len(results) - 1, 1)
    given_up = 1.0 - _mean(results, "resolved")
    print(
        f"{name:{WIDTH}}{mean:12.0f}{spread:12.0f}{_mean(results, 'needless'):12.2f}"
        f"{_mean(results, 'comebacks'):12.2f}{given_up:12.0%}{_unrepaired(results):12.0%}"
    )


def _print_parts(by_name: dict[str, list[Played]]) -> None:
    """Print means by engine and by what is hard, for whoever reads the totals."""
    for part in ("engine", "trouble"):
        print(f"\n{'':24}{'vehicles':>9}{'given up':>10}{'needless':>10}", end="")
        print("".join(f"{name:>17}" for name in by_name))
        for value in sorted({getattr(one, part) for one in by_name[OURS]}):
            inside = {
                name: [one for one in results if getattr(one, part) == value]
                for name, results in by_name.items()
            }
            ours = inside[OURS]
            print(f"{value:24}{len(ours):9}{1.0 - _mean(ours, 'resolved'):10.0%}", end="")
            print(f"{_mean(ours, 'needless'):10.2f}", end="")
            print("".join(f"{_mean(results, 'cost'):17.0f}" for results in inside.values()))


def _print_stated(results: list[Played]) -> float:
    """Print stated against true at the first purchase; return the mean distance of the bins."""
    bought = [one for one in results if not math.isnan(one.stated)]
    print(f"\n{'stated':>8}{'true':>8}{'purchases':>11}")
    error = 0.0
    for low, high in pairwise(BINS):
        inside = [one for one in bought if low < one.stated <= high]
        if inside:
            stated, true = _mean(inside, "stated"), _mean(inside, "was_right")
            error += abs(stated - true) * len(inside) / len(bought)
            print(f"{stated:8.3f}{true:8.3f}{len(inside):11}")
    return error
