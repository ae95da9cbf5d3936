"""What could be done next in a job: its name, the words for it, the work it takes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, combinations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.layout import Place
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import listed, target_label
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Fix
from swapinfer.plan.costing import Costing, PlanSettings, RepairTask, WorkSum

READ = "codes"
"""Kind of the action that reads what is stored, without a drive for it."""

SCAN_TOOL = "scan-tool"
"""Tool of the pack that it takes."""

QUIET = "quiet"
"""Outcome of a drive without a misfire."""

ELSEWHERE = "elsewhere"
"""Outcome of a drive: the first misfire is in several cylinders, or in one not expected."""

ALL_GOOD = "all-good"
"""Outcome of a test of several targets."""

SUSPECT = 0.003
"""Elements less likely than this to be at fault are not acted on."""

SUSPECT_CYLINDER = 0.02
"""Cylinders whose own elements are less likely than this to be at fault are not tested alone."""

MOST_SUSPECTS = 14
"""Elements acted on, the likeliest."""

SWAPPED = 4
"""Elements swapped alone, the likeliest."""

REPAIRED = 4
"""Elements replaced, singly and in twos, the likeliest."""

COMBINED = 4
"""Movable elements of one cylinder that are swapped in the same go, in twos and threes."""


class Action(Struct, frozen=True):
    """Something to do, and what is done with the vehicle afterwards.

    Attributes
    ----------
    kind : str
        ``"test"``, ``"codes"``, ``"drive"``, ``"swap"`` (with or without reseating),
        ``"reseat"``, ``"replace"`` or ``"put-back"``.
    test : str
        Test that is made; empty otherwise.
    targets : tuple of str
        On what; several for a sweep.
    swaps : tuple of (place, place)
        Parts that change places.
    replaced, reseated : tuple of str
        Places where that is done.
    drive_minutes : float
        Length of the drive that follows; 0 for none.
    conditions : tuple of str
        Conditions of that drive.
    """

    kind: str
    test: str = ""
    targets: tuple[str, ...] = ()
    swaps: tuple[tuple[str, str], ...] = ()
    replaced: tuple[str, ...] = ()
    reseated: tuple[str, ...] = ()
    drive_minutes: float = 0.0
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
    """Turn an action on parts as they sit now into the same one after they have moved.

    Parameters
    ----------
    action : Action
        Repairs and tests of parts follow the parts.
    swaps : iterable of (place, place)
        Exchanges made meanwhile.
    """
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
    """Work that an action takes as the job stands, its drive not counted.

    Parameters
    ----------
    costing : Costing
        Prices and the job.
    action : Action
        What is done.
    repair : callable
        Place to what putting right what sits there takes.
    """
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
    """Put an action in the imperative.

    Parameters
    ----------
    engine : Engine
        Whose places it names.
    action : Action
        What is done.
    fix_at : callable
        Place to the repair that it most likely needs.

    Returns
    -------
    str
        ``"swap ignition coils 3 and 1; drive 20 min (load)"``.
    """
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
            work = [
                _with("swap", [_pair(engine, a, b) for a, b in action.swaps]),
                _with("unplug and reseat", [name_place(engine, p) for p in action.reseated]),
                listed([_repair(engine, place, fix_at(place)) for place in action.replaced]),
            ]
            return "; ".join(filter(None, work))


def _with(verb: str, items: Sequence[str]) -> str:
    return f"{verb} {listed(items)}" if items else ""


def _repair(engine: Engine, name: str, fix: Fix) -> str:
    where = _where(engine.places[name])
    return " ".join(filter(None, [fix.title, where and f"({where})"]))


def _pair(engine: Engine, first: str, second: str) -> str:
    title = engine.kind_of(first).title
    return f"{title} {_where(engine.places[first])} with {_where(engine.places[second])}"


class Suspicion(Struct, frozen=True):
    """How likely each place of an engine is to hold a fault.

    Attributes
    ----------
    job : Job
        As it stands.
    fault_p : dict of str to float
        Place to probability that what sits there is at fault.
    cured_p : dict of str to float
        Place to probability of a fault there that a disturbance would cure.
    carried : tuple of str
        Places of parts that a misfire went along with when they were moved.
    """

    job: Job
    fault_p: dict[str, float]
    cured_p: dict[str, float]
    carried: tuple[str, ...] = ()

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
    """List everything worth doing before a drive, the drive still to be chosen.

    Parameters
    ----------
    suspicion : Suspicion
        Where faults may be.
    first_repair : str
        Place that the repair policy would repair first; empty when it would not repair.

    Returns
    -------
    list of Action
        Without repetition; plain driving is one of them.
    """
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
    """Several things in one go on the likeliest cylinder.

    Parts of several kinds move, each to a cylinder of its own; at the same time a contact that
    they leave alone may be reseated. One drive tells them apart: the misfire moves with what moved,
    stays, or ends.
    """
    cylinder_p = suspicion.cylinder_p()
    worst = max(cylinder_p, key=lambda c: cylinder_p[c])
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
        own = [
            t
            for c in order
            for t, cylinders in reached.items()
            if c in cylinders and t not in shared
        ]
        targets = list(dict.fromkeys([*own, *shared]))
        if targets:
            yield test.id, targets


def best_conditions(
    choices: Iterable[tuple[str, ...]], rates: Iterable[FloatArray], belief_h: FloatArray
) -> tuple[str, ...]:
    """Conditions under which a short drive would most likely misfire.

    Parameters
    ----------
    choices : iterable of tuple of str
        Conditions to choose from, the plainest first.
    rates : iterable of ndarray of float, shape (hypothesis,)
        Episodes a minute under each choice.
    belief_h : ndarray of float, shape (hypothesis,)
        Adds up to 1.
    """
    shown = [float(belief_h @ -np.expm1(-10.0 * rate_h)) for rate_h in rates]
    options = list(choices)
    return options[int(np.argmax(np.round(shown, 3)))]
