"""What an outcome of a test is worth, and which numbers of the priors move decisions most."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from typing import Annotated, Any, ClassVar

import numpy as np
import typer
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.commands.app import Fuel, Ignition, command
from swapinfer.commands.causes import Belief, believe
from swapinfer.commands.page import Facts, Page, money, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import watched
from swapinfer.errors import InputError, SwapinferError, known_word
from swapinfer.evidence.arrays import BoolArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.levels import expected_level
from swapinfer.evidence.looks import look
from swapinfer.evidence.profiles import band_median
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.engine import Engine, is_fitted
from swapinfer.pack.model import Pack, Test
from swapinfer.pack.money import OwnMoney
from swapinfer.pack.provenance import numbers_under
from swapinfer.pack.tables import pack_from_json, pack_to_json
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, next_steps
from swapinfer.posterior import infer
from swapinfer.units import NORMAL_90, format_quantity

DOUBT = {"published": 1.3, "learned": 1.3, "common": 1.7, "memory": 2.5}
"""Factor to either side that a number of each grade is moved by, where it states no spread of its
own: odds of chances, else the number itself. Our choice; decisions of a pack are not moved."""

SHOWN = 30

PLANNED = 45
"""Numbers whose effect on the plan is computed: those that move belief most."""

LOOKED_AT = 3
"""Leading steps of each job whose tests' chances are tried as well."""

CAUSES = ("element", "severity", "running", "code", "feeling")
"""Tables whose numbers bear on what is believed."""


class WeightLine(Struct, frozen=True):
    """What one outcome of one test, or a reading taken for one band of it, is worth.

    `factor` is a Bayes factor: of the odds that anything in `of` is at fault, after to before;
    `grade` the class that it falls into, `stated` the one that the pack states, and `why`.
    """

    test: str
    title: str
    result: str
    meaning: str
    of: tuple[str, ...]
    factor: float
    before: float
    after: float
    grade: str
    stated: str
    why: str


class WeightsView(Facts, frozen=True):
    """What findings are worth, the weightiest first; classes with the factor they begin at."""

    shape: ClassVar[str] = "weights/1"

    case: str
    classes: dict[str, float]
    lines: tuple[WeightLine, ...]


class InfluenceLine(Struct, frozen=True):
    """What moving one number over its interval does.

    `path` is its dotted keys as in the files, `grade` that of its source. `steps_changed` counts
    the jobs in which either end makes another step the first; `cost_moved` is the largest change of
    the expected cost, the mean over the jobs, `belief_moved` that of any element's probability in
    any of them.
    """

    path: str
    value: float
    low: float
    high: float
    grade: str
    steps_changed: int = 0
    cost_moved: float = 0.0
    belief_moved: float = 0.0


class InfluenceView(Facts, frozen=True):
    """Numbers by how much they move decisions, and the jobs that were tried."""

    shape: ClassVar[str] = "influence/1"

    numbers: tuple[InfluenceLine, ...]
    jobs: tuple[str, ...]
    tried: int
    currency: str


def weigh_tests(pack: Pack, test_id: str = "") -> WeightsView:
    """Weigh every outcome of every test of a pack, or of one test, in the pack's base case."""
    case = pack.weighing
    if case.layout not in pack.layouts:
        raise InputError("these priors do not say in which case to weigh: [weighing] layout")
    chosen = list(pack.tests.values())
    if test_id.strip():
        chosen = [pack.tests[known_word(test_id, pack.tests, f'no test "{test_id}"')]]
    lines = [line for test in chosen if test.weights for line in _weigh(pack, test)]
    when = f" ({', '.join(case.conditions)})" if case.conditions else ""
    return WeightsView(
        case=(
            f"{case.layout}, {case.minutes:g} min{when}, {case.code}; {case.common} for tests of "
            "what more than a cylinder shares"
        ),
        classes={one.id: one.least for one in pack.classes.values()},
        lines=tuple(sorted(lines, key=lambda line: -line.factor)),
    )


def _weigh(pack: Pack, test: Test) -> Iterator[WeightLine]:
    case = pack.weighing
    fitment = next((fit for fit in case.fitments if is_fitted(test.fitted, fit)), None)
    if fitment is None:
        return
    opening = ev.Opened("weights", case.layout, dict(fitment))
    target, *others = replay([(0, opening)], pack).engine.target_places(test.target)
    is_shared = test.target in ("bank", "engine") or not others
    run = ev.Ran(case.minutes, case.conditions, (case.common if is_shared else case.code,))
    level = expected_level(test, opening)
    compared = others if test.level else ()
    sound = [_measured(test, other, test.as_shown(test.nominal, level)) for other in compared]
    base = replay(enumerate([opening, run, *sound]), pack)
    evidence = gather_evidence(base)
    for result, weight in test.weights.items():
        of_e = np.array([one.home.kind in weight.of for one in evidence.space.elements])
        aimed_e = look(evidence.space, test.id, target).seen_e & of_e
        finding, meaning = _finding(test, target, result, level)
        before = _odds(evidence, aimed_e)
        found = replay([*base.standing, (base.time, finding)], pack)
        after = _odds(gather_evidence(found), aimed_e)
        yield WeightLine(
            test=test.id,
            title=test.title,
            result=result,
            meaning=meaning,
            of=tuple(pack.kinds[kind].title for kind in weight.of if kind in base.engine.kinds),
            factor=after / before,
            before=before / (1.0 + before),
            after=after / (1.0 + after),
            grade=class_of(pack, after / before),
            stated=weight.grade,
            why=weight.why,
        )


def class_of(pack: Pack, factor: float) -> str:
    """Class that a Bayes factor falls into."""
    return next(one.id for one in pack.classes.values() if factor >= one.least)


def _finding(
    test: Test, target: str, result: str, level: float | None
) -> tuple[ev.Measured | ev.Inspected, str]:
    """Make the event of an outcome, or of a reading that is usual for a band, and say it."""
    if test.form == "inspection":
        return ev.Inspected(test.id, target, result), test.outcomes[result]
    value = test.as_shown(band_median(test, result), level)
    shown = format_quantity(value, test.unit, 2)
    if level is not None:
        shown += f" beside {format_quantity(test.as_shown(test.nominal, level), test.unit, 2)}"
    return _measured(test, target, value), shown


def _measured(test: Test, target: str, value: float) -> ev.Measured:
    return ev.Measured(test.id, target, value, reference=0.0 if test.reference else None)


def _odds(evidence: Evidence, aimed_e: BoolArray) -> float:
    """Odds that any of some elements is at fault, told by how much their being sound explains."""
    arrays = evidence.arrays
    prior_es = arrays.prior_es.copy()
    prior_es[aimed_e, 1:] = 0.0
    sound = infer(arrays.with_prior(prior_es)).log_evidence
    return math.expm1(infer(arrays).log_evidence - sound)


class _Trials:
    """A few jobs under the pack as it is, to be compared with them under changed ones."""

    def __init__(self, pack: Pack, jobs: Iterable[list[Event]], own: OwnMoney) -> None:
        self.jobs, self.own = list(jobs), own
        self.table: dict[str, Any] = json.loads(pack_to_json(pack))
        as_is = self._beliefs(pack)
        self.faults = list(map(_faults, as_is))
        self.plans = list(map(self._plan, as_is))

    def _beliefs(self, pack: Pack) -> list[Belief]:
        return [believe(replay(enumerate(events), pack)) for events in self.jobs]

    def _plan(self, belief: Belief) -> Plan:
        settings = PlanSettings.of_shop(belief.evidence.job.pack, self.own)
        return next_steps(belief.evidence, belief.posterior, settings, detailed=0)

    def belief_moved(self, path: str, value: float) -> float:
        """Largest change of an element's probability if one number is another."""
        after = map(_faults, self._beliefs(changed_pack(self.table, path, value)))
        return max(
            abs(fault[name] - was)
            for before, fault in zip(self.faults, after, strict=True)
            for name, was in before.items()
        )

    def plan_moved(self, path: str, value: float) -> tuple[set[int], float]:
        """Jobs that get another first step, and the mean change of their expected cost."""
        after = map(self._plan, self._beliefs(changed_pack(self.table, path, value)))
        pairs = [(old.best, new.best) for old, new in zip(self.plans, after, strict=True)]
        moved = sum(abs(new.expected_total - old.expected_total) / len(pairs) for old, new in pairs)
        return {n for n, (old, new) in enumerate(pairs) if old.id != new.id}, moved


def _faults(belief: Belief) -> dict[str, float]:
    elements = belief.evidence.arrays.elements
    return dict(zip(elements, belief.posterior.fault_e.tolist(), strict=True))


@command("priors weight", "priors weight")
def weigh_numbers(
    shop: Shop,
    layout: Annotated[str, typer.Option(help="Engine of the jobs tried.")] = "inline-4",
    ignition: Ignition = "coil-on-plug",
    fuel: Fuel = "port",
) -> InfluenceView:
    """Move every number over its interval and see what that does to a few plain jobs."""
    pack = shop.pack
    opened = ev.Opened("plain", layout, {"ignition": ignition, "fuel": fuel})
    jobs = _plain_jobs(pack, opened)
    trials = _Trials(pack, jobs.values(), shop.settings.money)
    engine = replay([(0, opened)], pack).engine
    numbers = [
        replace(one, belief_moved=trials.belief_moved(one.path, one.high))
        for one in watched(list(_movable(pack, engine, trials.plans)), "belief")
    ]
    numbers.sort(key=lambda one: -one.belief_moved)
    tested = [one for one in numbers if one.path.startswith("test.")]
    causes = [one for one in numbers if not one.path.startswith("test.")]
    lines = []
    for one in watched([*causes[:PLANNED], *tested], "plans"):
        low, high = (trials.plan_moved(one.path, end) for end in (one.low, one.high))
        changed, cost = len(low[0] | high[0]), max(low[1], high[1])
        lines.append(replace(one, steps_changed=changed, cost_moved=cost))
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
    faults = _faults(believe(job))
    for element in sorted(faults, key=lambda one: -faults[one]):
        place = job.place_of(element)
        others = job.engine.places_for(place.kind) if place else ()
        if place and job.engine.kinds[place.kind].movable and len(others) > 1:
            other = next(p for p in reversed(others) if not set(p.cylinders) & set(place.cylinders))
            return ev.Swapped(((place.id, other.id),))
    raise SwapinferError("nothing of this engine can be moved")


def _movable(pack: Pack, engine: Engine, plans: Iterable[Plan]) -> Iterator[InfluenceLine]:
    """Numbers that bear on these jobs, each with the ends of its interval and its grade."""
    leading = {step.action.test for one in plans for step in one.steps[:LOOKED_AT] if step.action}
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
            low, high = ends_of(path, float(value), factor)
            yield InfluenceLine(path, float(value), low, high, source.grade)


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
    """Return a pack with one number changed; chances beside it give way in proportion."""
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
        + "; ".join(facts.jobs)
    )
    lines += page.wrap(
        "steps: jobs that get another first step; cost: change of the expected cost; belief: "
        "largest change of a probability"
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


@show.register
def _(facts: WeightsView, page: Page) -> str:
    lines = page.wrap(f"what findings are worth, in the base case {facts.case}")
    lines += page.wrap(
        "Bayes factor of what each speaks of: the odds that it is at fault, after to before; "
        + ", ".join(f"{name} from {least:g}" for name, least in facts.classes.items())
    )
    rows = []
    for line in facts.lines:
        change = f"{', '.join(line.of)} {percent(line.before)} -> {percent(line.after)}"
        said = f"{line.meaning}: {change}; {line.why}"
        rows.append([odds_words(line.factor), line.stated, line.test, line.result, said])
    return "\n".join(lines + page.table(rows, right=[0]))


def odds_words(factor: float) -> str:
    """Write a Bayes factor: how many times the odds become, or a part of them."""
    return f"x {factor:,.0f}" if factor >= 9.5 else f"x {factor:.2g}"
