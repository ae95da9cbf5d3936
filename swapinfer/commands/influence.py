"""Which numbers of the priors move decisions most: where a shop should look first."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Annotated, Any, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, money, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import watched
from swapinfer.errors import SwapinferError
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Pack
from swapinfer.pack.money import OwnMoney
from swapinfer.pack.provenance import numbers_under
from swapinfer.pack.tables import pack_from_json, pack_to_json
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, next_steps
from swapinfer.posterior import infer
from swapinfer.units import NORMAL_90

DOUBT = {"published": 1.3, "learned": 1.3, "common": 1.7, "memory": 2.5}
"""Factor to either side that a number of each grade is moved by, where it states no spread of its
own: odds of chances, else the number itself. Our choice; decisions of a pack are not moved."""

SHOWN = 30
"""Numbers shown."""

PLANNED = 45
"""Numbers whose effect on the plan is computed: those that move belief most."""

LOOKED_AT = 3
"""Leading steps of each job whose tests' chances are tried as well."""

CAUSES = ("element", "severity", "running", "code", "feeling")
"""Tables whose numbers bear on what is believed."""


class InfluenceLine(Struct, frozen=True):
    """What moving one number over its interval does.

    Attributes
    ----------
    path : str
        Dotted keys as in the files.
    value, low, high : float
        As it is, and the ends of its interval.
    grade : str
        Of its source.
    steps_changed : int
        Jobs in which either end makes another step the first.
    cost_moved : float
        Largest change of the expected cost, the mean over the jobs.
    belief_moved : float
        Largest change of any element's probability in any of the jobs.
    """

    path: str
    value: float
    low: float
    high: float
    grade: str
    steps_changed: int
    cost_moved: float
    belief_moved: float


class InfluenceView(Facts, frozen=True):
    """Numbers by how much they move decisions, and the jobs that were tried."""

    shape: ClassVar[str] = "influence/1"

    numbers: tuple[InfluenceLine, ...]
    jobs: tuple[str, ...]
    tried: int
    currency: str


class _Interval(Struct, frozen=True):
    """A number of the priors, the ends of its interval, and the grade of its source."""

    value: float
    low: float
    high: float
    grade: str


class _Trial(Struct, frozen=True):
    """One job under one pack."""

    plan: Plan
    fault: dict[str, float]


class _Trials:
    """A few jobs under the pack as it is, to be compared with them under changed ones."""

    def __init__(self, pack: Pack, jobs: Iterable[list[Event]], own: OwnMoney) -> None:
        self.own = own
        self.table: dict[str, Any] = json.loads(pack_to_json(pack))
        self.jobs = list(jobs)
        self.as_is = [_try(replay(enumerate(events), pack), own) for events in self.jobs]

    def belief_moved(self, path: str, value: float) -> float:
        """Largest change of an element's probability if one number is another."""
        pack = changed_pack(self.table, path, value)
        moved = 0.0
        for events, trial in zip(self.jobs, self.as_is, strict=True):
            arrays = gather_evidence(replay(enumerate(events), pack)).arrays
            pairs = zip(arrays.elements, infer(arrays).fault_e, strict=True)
            moved = max(moved, *(abs(float(p) - trial.fault[name]) for name, p in pairs))
        return moved

    def plan_moved(self, path: str, value: float) -> tuple[set[int], float]:
        """Jobs that get another first step, and the mean change of their expected cost."""
        pack = changed_pack(self.table, path, value)
        others, moved = set[int](), 0.0
        for n, (events, trial) in enumerate(zip(self.jobs, self.as_is, strict=True)):
            best = _try(replay(enumerate(events), pack), self.own).plan.best
            before = trial.plan.best
            moved += abs(best.expected_total - before.expected_total) / len(self.jobs)
            others |= {n} if best.id != before.id else set()
        return others, moved

    def line(self, path: str, one: _Interval, belief_moved: float) -> InfluenceLine:
        """Say what moving one number to either end of its interval does."""
        ends = [self.plan_moved(path, value) for value in (one.low, one.high)]
        return InfluenceLine(
            path,
            one.value,
            one.low,
            one.high,
            one.grade,
            len(set[int]().union(*(others for others, _ in ends))),
            max(moved for _, moved in ends),
            belief_moved,
        )


@command("priors weight", "priors weight")
def weigh_numbers(
    shop: Shop,
    layout: Annotated[str, typer.Option(help="Engine of the jobs tried.")] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
) -> InfluenceView:
    """Move every number over its interval and see what that does to a few plain jobs.

    Parameters
    ----------
    shop : Shop
        Whose pack is tried.
    layout, ignition, fuel : str
        Engine of the jobs.
    """
    pack = shop.pack
    opened = ev.Opened("plain", layout, {"ignition": ignition, "fuel": fuel})
    jobs = _plain_jobs(pack, opened)
    trials = _Trials(pack, jobs.values(), shop.settings.money)
    numbers = dict(_movable(pack, replay([(0, opened)], pack).engine, trials.as_is))
    moved = {
        path: trials.belief_moved(path, one.high)
        for path, one in watched(numbers.items(), "belief")
    }
    tested = sorted(path for path in numbers if path.startswith("test."))
    causes = sorted(numbers.keys() - tested, key=lambda path: -moved[path])[:PLANNED]
    lines = [
        trials.line(path, numbers[path], moved[path])
        for path in watched([*causes, *tested], "plans")
    ]
    lines.sort(key=lambda one: (-one.steps_changed, -one.cost_moved, one.path))
    costs = shop.settings.costs(pack)
    return InfluenceView(tuple(lines[:SHOWN]), tuple(jobs), len(numbers), costs.currency)


def _plain_jobs(pack: Pack, opened: ev.Opened) -> dict[str, list[Event]]:
    """Jobs as they begin everywhere: what was found, in words, and its events."""
    tags = max(pack.costs.drive_conditions, key=len)
    one = ev.Ran(15.0, tags, ("P0301",))
    moved = _swap_of_the_likeliest(replay(enumerate([opened, one]), pack))
    return {
        "one cylinder has a code": [opened, one],
        "the likeliest part was moved, the code stayed": [opened, one, moved, one],
        "two cylinders have a code": [opened, ev.Ran(15.0, tags, ("P0301", "P0303"))],
        "it runs rough, nothing was read": [opened, ev.Ran(15.0, tags, felt="rough")],
    }


def _swap_of_the_likeliest(job: Job) -> ev.Swapped:
    arrays = gather_evidence(job).arrays
    fault_e = infer(arrays).fault_e
    for e in sorted(range(len(fault_e)), key=lambda e: -fault_e[e]):
        place = job.place_of(arrays.elements[e])
        others = job.engine.places_for(place.kind) if place else ()
        if place and job.engine.kinds[place.kind].movable and len(others) > 1:
            other = next(p for p in reversed(others) if not set(p.cylinders) & set(place.cylinders))
            return ev.Swapped(((place.id, other.id),))
    raise SwapinferError("nothing of this engine can be moved")


def _try(job: Job, own: OwnMoney) -> _Trial:
    evidence = gather_evidence(job)
    posterior = infer(evidence.arrays)
    plan = next_steps(evidence, posterior, PlanSettings.of_shop(job.pack, own), detailed=0)
    return _Trial(plan, dict(zip(evidence.arrays.elements, posterior.fault_e, strict=True)))


def _movable(
    pack: Pack, engine: Engine, as_is: Sequence[_Trial]
) -> Iterator[tuple[str, _Interval]]:
    """Numbers that bear on these jobs, each with the ends of its interval and its grade."""
    leading = {s.action.test for trial in as_is for s in trial.plan.steps[:LOOKED_AT] if s.action}
    numbers = numbers_under(pack)
    for path, (value, source) in numbers.items():
        table, name, *rest = path.split(".")
        bears = table in CAUSES if table != "test" else name in leading
        if table == "element" and name not in engine.kinds:
            bears = False
        if table == "code" and "sets" not in rest and rest != ["false_chance"]:
            bears = False
        if not bears or not isinstance(value, int | float) or not value or "fix" in rest:
            continue
        factor = DOUBT.get(source.grade, 1.0)
        beside = path.removesuffix("median") + "spread"
        if rest[-1:] == ["median"] and beside in numbers:
            spread = float(numbers[beside][0])
            factor = spread**NORMAL_90 if spread > 1.0 else factor
        if factor > 1.0 and rest[-1:] != ["spread"]:
            yield path, _Interval(float(value), *ends_of(path, float(value), factor), source.grade)


def ends_of(path: str, value: float, factor: float) -> tuple[float, float]:
    """Move a number by a factor to either side, and a chance by its odds; no spread is below 1."""
    if path.endswith("spread"):
        return max(value / factor, 1.0), value * factor
    is_chance = value < 1.0 and "life_km" not in path and "per_min" not in path
    if not is_chance:
        return value / factor, value * factor
    odds = value / (1.0 - value)
    return odds / factor / (1.0 + odds / factor), odds * factor / (1.0 + odds * factor)


def changed_pack(table: dict[str, Any], path: str, value: float) -> Pack:
    """Return the pack of a table with one number changed; chances beside it give way in proportion.

    Parameters
    ----------
    table : dict
        Of the pack as it is.
    path : str
        Dotted keys of the number.
    value : float
        That it is to have.
    """
    fresh = json.loads(json.dumps(table))
    *outer, last = path.split(".")
    inner = fresh
    for key in outer:
        inner = inner[key]
    if isinstance(inner[last], dict):
        inner, last = inner[last], "*"
    others = [k for k, v in inner.items() if k != last and isinstance(v, float | int)]
    if math.isclose(sum(inner[k] for k in others) + inner[last], 1.0) and others:
        rest = sum(inner[k] for k in others)
        for key in others:
            inner[key] *= (1.0 - value) / rest
    inner[last] = value
    return pack_from_json(json.dumps(fresh))


@show.register
def _(facts: InfluenceView, page: Page) -> str:
    lines = page.wrap(
        f"{facts.tried} numbers moved over their intervals in {len(facts.jobs)} jobs: "
        + "; ".join(facts.jobs),
        hang=2,
    )
    lines += page.wrap(
        "steps: jobs that get another first step; cost: change of the expected cost; belief: "
        "largest change of a probability",
        hang=2,
    )
    rows = [["steps", "cost", "belief", "interval", "number"]]
    rows += [
        [
            str(one.steps_changed),
            money(one.cost_moved, facts.currency),
            percent(one.belief_moved),
            f"{one.low:.3g} to {one.high:.3g}",
            f"{one.path} ({one.grade})",
        ]
        for one in facts.numbers
    ]
    return "\n".join([*lines, *page.table(rows, right=[0, 1, 2])])
