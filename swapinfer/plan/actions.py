"""What could be done next in a job: its name, words and work, and the job as it then stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import chain, combinations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.evidence.levels import expected_level
from swapinfer.evidence.profiles import band_median, chances_of
from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, carry_on
from swapinfer.ledger.words import listed, target_label
from swapinfer.pack.engine import Engine, format_code
from swapinfer.pack.model import GOOD, Fix, Test
from swapinfer.plan.costing import Costing, PlanSettings, RepairTask, WorkSum
from swapinfer.plan.repair_policy import LOOK_MINUTES

READ = "codes"  # kind of the action that reads what is stored, without a drive for it
SCAN_TOOL = "scan-tool"  # tool of the pack that it takes
QUIET = "quiet"  # outcome of a drive without a misfire
ELSEWHERE = "elsewhere"  # outcome of a drive: the first misfire is in several, or another
ALL_GOOD = "all-good"  # outcome of a test of several targets
SUSPECT = 0.003  # elements less likely than this to be at fault are not acted on
SUSPECT_CYLINDER = 0.02  # cylinders whose own elements are less likely are not tested alone
MOST_SUSPECTS = 14  # elements acted on, the likeliest
SWAPPED = 4  # elements swapped alone, the likeliest
REPAIRED = 4  # elements replaced, singly and in twos, the likeliest
COMBINED = 4  # movable elements of one cylinder that are swapped in the same go, in twos and threes
_MISFIRE_CODE = 300  # P0300 and the cylinder's number make its misfire code (SAE J2012)


class Action(Struct, frozen=True):
    """Something to do, and what is done with the vehicle afterwards."""

    kind: str  # "test", "codes", "drive", "swap", "reseat", "replace" or "put-back"
    test: str = ""
    targets: tuple[str, ...] = ()  # of the test; several for a sweep
    swaps: tuple[tuple[str, str], ...] = ()  # parts that change places
    replaced: tuple[str, ...] = ()
    reseated: tuple[str, ...] = ()
    drive_minutes: float = 0.0  # of the drive that follows; 0 for none
    conditions: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        """Name to be typed: ``swap-coil1-coil3-drive20``."""
        swapped = [f"{first}-{second}" for first, second in self.swaps]
        work = [
            (self.test, self.targets),
            ("put-back" if self.kind == "put-back" else "swap", swapped),
            ("reseat", self.reseated),
            ("replace", self.replaced),
        ]
        parts = [f"{head}-{'+'.join(what)}" for head, what in work if what]
        if self.kind == READ:
            parts = [READ]
        drive = [f"drive{self.drive_minutes:g}", *self.conditions] if self.drive_minutes else []
        return "-".join([*parts, *drive])

    @property
    def without_drive(self) -> Action:
        """What is done, whatever drive follows."""
        return replace(self, drive_minutes=0.0, conditions=())

    @property
    def things(self) -> int:
        """Count what is done at once: exchanges, reseatings and repairs."""
        return len(self.swaps) + len(self.reseated) + len(self.replaced)

    @property
    def is_told_by_cylinder(self) -> bool:
        """Whether its outcomes are cylinders that misfire, or misfired."""
        return self.drive_minutes > 0.0 or self.kind == READ

    @property
    def moved(self) -> tuple[str, ...]:
        """Places whose parts change places."""
        return tuple(place for swap in self.swaps for place in swap)

    @property
    def handled(self) -> tuple[str, ...]:
        """Places where something is moved, replaced or reseated."""
        return (*self.moved, *self.replaced, *self.reseated)


def after_swaps(action: Action, swaps: Iterable[tuple[str, str]]) -> Action:
    """Turn an action on parts as they sit now into the same one after they have moved."""
    moved: dict[str, str] = {}
    for first, second in swaps:
        moved |= {first: second, second: first}
    return replace(
        action,
        replaced=tuple(moved.get(place, place) for place in action.replaced),
        reseated=tuple(moved.get(place, place) for place in action.reseated),
        targets=tuple(moved.get(target, target) for target in action.targets),
    )


def work_of(costing: Costing, action: Action, repair: Callable[[str], RepairTask]) -> WorkSum:
    """Work that an action takes as the job stands, its drive not counted."""
    job = costing.job
    if action.test:
        test = job.engine.tests[action.test]
        tasks = [costing.testing(test, is_further=n > 0) for n in range(len(action.targets))]
        disturbs = [job.disturbed_by_test(test, target) for target in action.targets]
        return costing.work(tasks, chain(*disturbs))
    tasks = [costing.reading(), costing.waiting(action.conditions)]
    tasks += [costing.moving(job.engine.kind_of(first)) for first, _ in action.swaps]
    tasks += [repair(place) for place in action.replaced]
    tasks += [costing.reseating(job.engine.kind_of(place)) for place in action.reseated]
    return costing.work(tasks, job.disturbed_by(action.handled))


def title_action(engine: Engine, action: Action, fix_at: Callable[[str], Fix]) -> str:
    """Put an action in the imperative."""
    work = _work_title(engine, action, fix_at)
    parts = [work] if work else []
    if action.drive_minutes:
        tags = f" ({', '.join(action.conditions)})" if action.conditions else ""
        verb = "run" if "idle" in action.conditions else "drive"
        parts.append(f"{verb} {action.drive_minutes:g} min{tags}")
    return "; ".join(parts)


def title_outcome(engine: Engine, action: Action, outcome: str) -> str:
    """Put an outcome of an action in words."""
    if outcome == QUIET:
        return "no misfire stored" if action.kind == READ else "no misfire"
    if outcome == ELSEWHERE:
        return "misfire in several cylinders, or in another"
    if outcome == ALL_GOOD:
        return "nothing unusual"
    if action.is_told_by_cylinder:
        return f"misfire in {_name_target(engine, outcome)}"
    if outcome in action.targets:
        return f"{_name_target(engine, outcome)} stands out"
    return engine.tests[action.test].outcomes.get(outcome, outcome.replace("-", " "))


def name_place(engine: Engine, name: str) -> str:
    """Name a place: "ignition coil 3", "engine earth"."""
    place = engine.places[name]
    return " ".join(filter(None, [engine.kinds[place.kind].title, _where(place)]))


def _name_target(engine: Engine, target: str) -> str:
    """Name a target of a test: "cylinder 3", "bank 1", or the place."""
    return name_place(engine, target) if target in engine.places else target_label(target)


def _where(place: Place) -> str:
    return f"bank {place.bank}" if place.pattern == "bank" else place.where


def _work_title(engine: Engine, action: Action, fix_at: Callable[[str], Fix]) -> str:
    match action.kind:
        case "test":
            where = listed([_name_target(engine, target) for target in action.targets])
            return f"{engine.tests[action.test].title}: {where}"
        case "codes":
            return "read what is stored: codes, pending codes, freeze frame"
        case "put-back":
            return "put every part back where it belongs"
        case _:
            name = partial(name_place, engine)
            work = [
                ("swap ", [f"{name(a)} with {_where(engine.places[b])}" for a, b in action.swaps]),
                ("unplug and reseat ", [name(place) for place in action.reseated]),
                ("", [_repair(engine, place, fix_at(place)) for place in action.replaced]),
            ]
            return "; ".join(f"{verb}{listed(items)}" for verb, items in work if items)


def _repair(engine: Engine, name: str, fix: Fix) -> str:
    where = _where(engine.places[name])
    return " ".join(filter(None, [fix.title, where and f"({where})"]))


class Suspicion(Struct, frozen=True):
    """How likely each place of an engine is to hold a fault."""

    job: Job
    fault_p: dict[str, float]  # by place
    cured_p: dict[str, float]  # of a fault there that a disturbance would cure
    carried: tuple[str, ...] = ()  # places of parts that a misfire went along with

    def suspects(self, least: float = SUSPECT) -> list[str]:
        """Places by falling probability."""
        likely = [place for place, p in self.fault_p.items() if p >= least]
        return sorted(likely, key=lambda place: -round(self.fault_p[place], 9))[:MOST_SUSPECTS]

    def proof(self, places: Iterable[str]) -> float:
        """Least probability that a place holds a fault; what a misfire went along with is sure."""
        return min((1.0 if p in self.carried else self.fault_p[p] for p in places), default=1.0)

    def cylinder_p(self) -> dict[int, float]:
        """Probability, roughly, that something of a cylinder's own is at fault."""
        total = dict.fromkeys(self.job.engine.layout.cylinders, 0.0)
        for name, p in self.fault_p.items():
            place = self.job.engine.places[name]
            if place.pattern not in ("engine", "bank"):
                for cylinder in place.cylinders:
                    total[cylinder] += p
        return total

    def donors(self, place: Place, taken: Iterable[int] = ()) -> list[Place]:
        """Places of the same kind to swap with, the best first.

        A good donor is sound itself, sits on a quiet cylinder, and does not fire next to the
        suspect, where a misfire might be booked on the wrong one.
        """
        engine, cylinder_p = self.job.engine, self.cylinder_p()
        near = {n for c in place.cylinders for n in engine.layout.firing_neighbours(c)}
        shunned = {*place.cylinders, *taken}
        bank = next(bank for bank in engine.layout.banks if place.cylinders[0] in bank)

        def rank(other: Place) -> tuple[float, bool, bool, tuple[int, ...]]:
            busy = self.fault_p[other.id] + sum(cylinder_p[c] for c in other.cylinders)
            is_near = bool(near & set(other.cylinders))
            is_across = other.cylinders[0] not in bank
            return (round(busy, 2), is_near, is_across, other.cylinders)

        options = [o for o in engine.places_for(place.kind) if shunned.isdisjoint(o.cylinders)]
        return sorted(options, key=rank)


def list_work(suspicion: Suspicion, first_repair: str) -> list[Action]:
    """List everything worth doing before a drive, the drive still to be chosen."""
    work = [
        *_swaps(suspicion),
        *_combined(suspicion),
        *_reseats(suspicion),
        *_repairs(suspicion, first_repair),
        Action("drive"),
    ]
    if suspicion.job.away_from_home():
        work.append(Action("put-back", swaps=tuple(suspicion.job.moves_home())))
    return list(dict.fromkeys(work))


def _swaps(suspicion: Suspicion) -> Iterator[Action]:
    engine, seen = suspicion.job.engine, set()
    for name in suspicion.suspects()[:SWAPPED]:
        donors = suspicion.donors(engine.places[name]) if engine.kind_of(name).movable else []
        pair = frozenset((name, donors[0].id)) if donors else None
        if pair and pair not in seen:
            seen.add(pair)
            yield Action("swap", swaps=((name, donors[0].id),))


def _combined(suspicion: Suspicion) -> Iterator[Action]:
    """Several things in one go on the likeliest cylinder: parts move, a contact is reseated.

    One drive tells them apart: the misfire moves with what moved, stays, or ends.
    """
    cylinder_p = suspicion.cylinder_p()
    worst = max(cylinder_p, key=cylinder_p.__getitem__)
    for swaps in _swaps_from(suspicion, worst):
        alone = Action("swap", swaps=swaps)
        if len(swaps) > 1:
            yield alone
        for place in _left_to_reseat(suspicion, worst, alone):
            yield replace(alone, reseated=(place,))


def _swaps_from(suspicion: Suspicion, worst: int) -> Iterator[tuple[tuple[str, str], ...]]:
    """Move one to three kinds of part from a cylinder to others."""
    engine = suspicion.job.engine
    movable = [
        engine.places[name]
        for name in suspicion.suspects()
        if engine.kind_of(name).movable and worst in engine.places[name].cylinders
    ]
    for count in (1, 2, 3):
        for chosen in combinations(movable[:COMBINED], count):
            swaps, taken = [], set[int]()
            for place in chosen:
                free = suspicion.donors(place, taken)
                if free:
                    swaps.append((place.id, free[0].id))
                    taken.update(free[0].cylinders)
            # One cylinder keeps all its parts: the one to compare with.
            is_controlled = len(taken) + 1 < len(engine.layout.cylinders)
            if len(swaps) == count and is_controlled:
                yield tuple(swaps)


def _left_to_reseat(suspicion: Suspicion, worst: int, alone: Action) -> list[str]:
    """Find the likeliest contact of a cylinder that other work does not disturb."""
    job = suspicion.job
    at = {element: place for place, element in job.fitted.items()}
    done = {at[element] for element, _ in job.disturbed_by(alone.handled)}
    left = {
        name: suspicion.cured_p[name]
        for name, place in job.engine.places.items()
        if worst in place.cylinders and name not in done and suspicion.cured_p[name] >= SUSPECT
    }
    return sorted(left, key=lambda name: -round(left[name], 9))[:1]


def _reseats(suspicion: Suspicion) -> Iterator[Action]:
    """One place for each set of curable contacts that handling it would disturb."""
    job, done = suspicion.job, set[frozenset[str]]()
    at = {element: place for place, element in job.fitted.items()}
    by_work = sorted(job.engine.places, key=lambda p: job.engine.kind_of(p).swap_minutes)
    for name in by_work:
        touched = {at[element] for element, _ in job.disturbed_by([name])}
        curable = frozenset(p for p in touched if suspicion.cured_p[p] >= SUSPECT)
        if curable and curable not in done:
            done.add(curable)
            yield Action("reseat", reseated=(name,))


def _repairs(suspicion: Suspicion, first_repair: str) -> Iterator[Action]:
    suspects = list(dict.fromkeys([*filter(None, [first_repair]), *suspicion.suspects()]))
    together = set(suspicion.carried)
    if len(together) > 1:
        yield Action("replace", replaced=suspicion.carried)
    for count in (1, 2):
        for places in combinations(suspects[:REPAIRED], count):
            # What a misfire went along with in one go is put right in one go.
            if len(together) < 2 or together.isdisjoint(places):
                yield Action("replace", replaced=places)


def list_tests(suspicion: Suspicion, settings: PlanSettings) -> Iterator[tuple[str, list[str]]]:
    """Yield the tests that can be made, each with the targets worth making it on."""
    engine = suspicion.job.engine
    cylinder_p = suspicion.cylinder_p()
    suspected = {c for c, p in cylinder_p.items() if p >= SUSPECT_CYLINDER}
    order = sorted(suspected, key=lambda c: (-round(cylinder_p[c], 9), c))
    for test in engine.tests.values():
        if test.id in settings.avoided or settings.missing_tools.intersection(test.tools):
            continue
        reached = {t: engine.target_cylinders(t) for t in engine.target_places(test.target)}
        shared = [t for t, cylinders in reached.items() if len(cylinders) == len(cylinder_p)]
        own = [t for c in order for t, near in reached.items() if c in near and t not in shared]
        targets = list(dict.fromkeys([*own, *shared]))
        if targets:
            yield test.id, targets


def best_conditions(
    choices: Iterable[tuple[str, ...]], rates: Iterable[FloatArray], belief_h: FloatArray
) -> tuple[str, ...]:
    """Conditions under which a short drive would most likely misfire."""
    shown = [float(belief_h @ -np.expm1(-10.0 * rate_h)) for rate_h in rates]
    options = list(choices)
    return options[int(np.argmax(np.round(shown, 3)))]


def suppose(job: Job, action: Action, outcome: str) -> Job:
    """Carry a job on as if an action had been done with a given outcome."""
    return carry_on(job, *work_events(action), *_found(job, action, outcome))


def work_events(action: Action) -> list[Event]:
    """Events of an action's work, before anything is found."""
    work: list[Event] = [ev.Swapped(action.swaps)] if action.swaps else []
    work += [ev.Replaced(place) for place in action.replaced]
    work += [ev.Reseated(place) for place in action.reseated]
    return work


def _found(job: Job, action: Action, outcome: str) -> Iterator[Event]:
    if action.test:
        test = job.engine.tests[action.test]
        for target in action.targets:
            yield _finding(job, test, target, _shown(test, action, target, outcome))
    else:
        number = "0" if outcome == ELSEWHERE else outcome.removeprefix("cylinder")
        codes = () if outcome == QUIET else (format_code(_MISFIRE_CODE + int(number)),)
        minutes = LOOK_MINUTES if codes else action.drive_minutes
        if action.kind == READ:
            yield ev.Scanned(codes, pending=codes)
        else:
            yield ev.Ran(minutes, action.conditions, codes, pending=codes)


def _shown(test: Test, action: Action, target: str, outcome: str) -> str:
    """Outcome that one target of a test shows."""
    normal = normal_outcome(test)
    if outcome == ALL_GOOD:
        return normal
    if outcome in action.targets:
        if target != outcome:
            return normal
        # What speaks loudest against a thing in order.
        good = chances_of(test, GOOD)
        others = [chances_of(test, profile) for profile in test.profiles if profile != GOOD]
        return max(good, key=lambda name: sum(c[name] for c in others) / good[name])
    return outcome if target == action.targets[0] else normal


def normal_outcome(test: Test) -> str:
    """Likeliest outcome on a thing in order."""
    chances = chances_of(test, GOOD)
    return max(chances, key=lambda name: chances[name])


def _finding(job: Job, test: Test, target: str, shown: str) -> Event:
    if test.form == "inspection":
        return ev.Inspected(test.id, target, shown)
    level = expected_level(test, job.opening)
    value = test.as_shown(band_median(test, shown), level)
    reference = 0.0 if test.reference else None
    return ev.Measured(test.id, target, value, reference=reference)
