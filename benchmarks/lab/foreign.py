"""A vehicle of another world, written from how engines behave, not from how they are modelled.

Faults come in spells and fail a part of the firings; a control unit counts them revolution by
revolution and sets a code when a window holds too many; contacts cured by handling may come back;
meters are off for the day; and now and then a finding is written down wrongly.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.model import Mode, Pack, Test
from swapinfer.plan.actions import Action

WORLD = tomllib.loads((Path(__file__).parent / "foreign.toml").read_text(encoding="utf-8"))

REVOLUTIONS = {"idle": 750, "load": 3000, "tip-in": 2200}
"""Engine speeds by condition; 1,800 otherwise."""

EMISSIONS, CATALYST = 0.012, 0.12
"""Part of the firings in a window of 1,000 revolutions, and of 200, above which a code is set."""

EXCEEDED = 4
"""Windows of 1,000 revolutions that must be above, unless it is the first after a start."""

NAMED = 0.25
"""A cylinder with this part of the misfires in a window is named."""

WARM_AFTER, HOT_AFTER = 6, 25
"""Minutes after which a cold engine is warm, and one under load is heat-soaked."""

SECOND_CAUSE, DEPENDENT = 0.08, 0.03
"""Chance of a second fault, and of one that the first brought about in the same cylinder."""

MISTAKEN = 0.02
"""Chance that a finding is written down as another."""

WRONG_CYLINDER = 0.02
"""Chance that the control unit names the cylinder that fires next."""

OWNER_MINUTES, OWNER_BLOCK, OWNER_NOTICES = 3000, 15, 0.06
"""How long the owner drives on, in stretches of a kind; and what is felt without a code."""

OWNER_DRIVES = (
    ((), 0.3), (("cold",), 0.2), (("load",), 0.15), (("idle",), 0.15), (("hot", "load"), 0.08),
    (("wet",), 0.07), (("tip-in",), 0.05),
)  # fmt: skip

LOOK_MINUTES = 5
"""A drive ends after so many minutes when the lamp blinks."""

OPPOSED = {"loose", "corroded"}
"""Modes that handling cures, for a time."""


class Cause(NamedTuple):
    """Mode of a fault, as a repair asks for it."""

    mode: Mode


@dataclass
class Fault:
    """Something wrong.

    Attributes
    ----------
    entry : mapping
        Of the catalogue.
    mode : Mode
        Of the pack, for what its repair costs.
    misses : float
        Part of the firings that fail in a spell.
    is_on : bool
        Whether a spell is on.
    driven : float
        Hours it has been driven.
    asleep : float
        Minutes for which handling has cured it; infinite for good.
    weak : tuple of int
        Cylinders that suffer, where the fault reaches more than its own.
    """

    entry: Mapping[str, Any]
    mode: Mode
    misses: float
    is_on: bool = False
    driven: float = 0.0
    asleep: float = 0.0
    weak: tuple[int, ...] = ()

    def pass_minute(self, rng: np.random.Generator) -> None:
        """Let a minute pass: spells begin and end."""
        self.driven += 1 / 60
        if self.asleep > 0.0:
            self.asleep -= 1.0
            self.is_on = False
            return
        longer = 1.0 + self.entry.get("grows", 0.0) * self.driven
        mean = self.entry["on"] * longer if self.is_on else max(self.entry["off"] / longer, 1e-9)
        if rng.random() < -math.expm1(-1.0 / mean):
            self.is_on = not self.is_on

    def fails_in(self, conditions: frozenset[str]) -> bool:
        """Whether anything fails in these conditions."""
        only = self.entry.get("only", ())
        return self.is_on and (not only or not conditions.isdisjoint(only))


@dataclass
class ForeignWorld:
    """One vehicle and its job.

    Attributes
    ----------
    pack : Pack
        Names of places, tests and outcomes; none of its chances.
    opening : Opened
        Its job.
    rng : numpy.random.Generator
        Decides what chance decides.
    truth : dict of str to Fault
        Element to what is wrong with it.
    events : list of Event
        As the technician records them.
    """

    pack: Pack
    opening: ev.Opened
    rng: np.random.Generator
    truth: dict[str, Fault] = field(default_factory=dict)
    events: list[ev.Event] = field(default_factory=list)
    _meters: dict[str, float] = field(default_factory=dict)
    _shown: dict[tuple[str, str, str], str | float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Open the job."""
        self.events.append(self.opening)
        self._replay()

    def _replay(self) -> None:
        self.job: Job = replay(enumerate(self.events), self.pack)

    def _record(self, event: ev.Event) -> None:
        self.events.append(event)
        self._replay()

    @property
    def faults(self) -> dict[str, Cause]:
        """Faulty elements that are fitted."""
        return {element: Cause(fault.mode) for element, fault in self._present()}

    @property
    def has_fault(self) -> bool:
        """Whether something that is fitted is still wrong."""
        return any(not math.isinf(fault.asleep) for _, fault in self._present())

    def _present(self) -> Iterator[tuple[str, Fault]]:
        fitted = set(self.job.fitted.values())
        return ((e, fault) for e, fault in self.truth.items() if e in fitted)

    def do(self, action: Action) -> None:
        """Do an action and record what it shows."""
        if action.test:
            for target in action.targets:
                self._record(self._look(self.job.engine.tests[action.test], target))
            return
        if action.swaps:
            self._handle(place for swap in action.swaps for place in swap)
            self._record(ev.Swapped(action.swaps))
        for place in action.replaced:
            self._handle([place])
            self.truth.pop(self.job.fitted[place], None)
            self._record(ev.Replaced(place))
        for place in action.reseated:
            self._handle([place])
            self._record(ev.Reseated(place))
        if action.drive_minutes:
            self.drive(action.drive_minutes, action.conditions)

    def _handle(self, places: Iterable[str]) -> None:
        """Let handling cure contacts, for a time or for good."""
        for element, _ in self.job.disturbed_by(list(places)):
            fault = self.truth.get(element)
            if fault is not None and fault.mode.id in OPPOSED:
                comes_back = self.rng.random() < fault.entry["back"]
                fault.asleep = float(self.rng.exponential(60.0)) if comes_back else math.inf

    def drive(self, minutes: float, conditions: tuple[str, ...] = ()) -> bool:
        """Drive, read codes afterwards and record both; say whether a misfire was read."""
        unit = _ControlUnit(self.job, self.rng)
        driven = 0
        for driven in range(1, math.ceil(minutes) + 1):
            unit.count_minute(*self._minute(driven, conditions))
            if unit.blinks and driven % LOOK_MINUTES == 0:
                break
        codes = (*unit.codes(), *self._other_codes())
        self._record(ev.Ran(float(driven), conditions, tuple(dict.fromkeys(codes))))
        return bool(unit.named)

    def _minute(self, minute: int, conditions: tuple[str, ...]) -> tuple[dict[int, float], int]:
        """Part of each cylinder's firings that fails in a minute, and the engine's revolutions."""
        now = set(conditions)
        if minute > WARM_AFTER:
            now.discard("cold")
        if minute > HOT_AFTER and "load" in now:
            now.add("hot")
        failing = dict.fromkeys(self.job.engine.layout.cylinders, 0.0)
        for element, fault in self._present():
            fault.pass_minute(self.rng)
            if fault.fails_in(frozenset(now)):
                for cylinder in self._suffering(element, fault):
                    failing[cylinder] = 1 - (1 - failing[cylinder]) * (1 - fault.misses)
        speed = next((REVOLUTIONS[tag] for tag in conditions if tag in REVOLUTIONS), 1800)
        return failing, speed

    def _suffering(self, element: str, fault: Fault) -> tuple[int, ...]:
        place = self.job.place_of(element)
        return fault.weak or (place.cylinders if place else ())

    def _other_codes(self) -> Iterator[str]:
        for element, fault in self._present():
            code, place = fault.entry.get("code"), self.job.place_of(element)
            if code is None or place is None or math.isinf(fault.asleep):
                continue
            if self.rng.random() < code["chance"]:
                first = place.cylinders[0]
                yield {
                    "coil": f"P{350 + first:04d}", "injector": f"P{200 + first:04d}",
                    "lean": "P0171", "cam": "P0016", "crank": "P0335",
                }[code["family"]]  # fmt: skip

    def come_back(self) -> bool:
        """Let the owner drive on; say whether the vehicle misfires and comes back."""
        ways, shares = zip(*OWNER_DRIVES, strict=True)
        unit, felt, driven = _ControlUnit(self.job, self.rng), 0, 0
        while driven < OWNER_MINUTES:
            conditions = ways[int(self.rng.choice(len(ways), p=shares))]
            for minute in range(1, OWNER_BLOCK + 1):
                failing, speed = self._minute(minute, conditions)
                unit.count_minute(failing, speed)
                felt += max(failing.values()) > OWNER_NOTICES
            driven += OWNER_BLOCK
            if unit.named or felt > OWNER_BLOCK:
                self._record(ev.Closed())
                self._record(ev.Reopened(driven_km=driven * self.pack.running.km_per_min))
                self._record(ev.Scanned(unit.codes()))
                return True
        return False

    def _look(self, test: Test, target: str) -> ev.Event:
        shown = self._shows(test, target)
        if test.form == "inspection":
            outcome = str(shown)
            if self.rng.random() < MISTAKEN:
                outcome = str(self.rng.choice(list(test.outcomes)))
            return ev.Inspected(test.id, target, outcome)
        return ev.Measured(test.id, target, float(shown), reference=0.0 if test.reference else None)

    def _shows(self, test: Test, target: str) -> str | float:
        """What a look shows: a fault that is on or shows between spells; else what is healthy."""
        if test.id in ("freeze-frame", "driver-when"):
            return self._circumstances(test)
        for element, fault in self._present():
            place = self.job.place_of(element)
            entry = fault.entry["shows"].get(test.id) if "shows" in fault.entry else None
            if entry is None or place is None or not self._meets(place.cylinders, fault, target):
                continue
            is_shown = fault.is_on or test.id in fault.entry.get("still", ())
            if not is_shown or fault.asleep > 0.0:
                continue
            key = (test.id, target, element)
            if key not in self._shown:
                self._shown[key] = self._sign(test, entry)
            if self._shown[key] != "":
                return self._shown[key]
        return self._healthy(test, target)

    def _circumstances(self, test: Test) -> str:
        """When it fails: as the control unit kept it, or as the driver tells it."""
        if (test.id, "", "") in self._shown:
            return str(self._shown[test.id, "", ""])
        fault = next((fault for _, fault in self._present()), None)
        only = fault.entry.get("only", ()) if fault else ()
        when = str(self.rng.choice(only)) if only else ""
        if test.id == "freeze-frame":
            is_cold = when == "cold" or self.rng.random() < 0.15
            is_pulling = when in ("load", "tip-in") or (when == "" and self.rng.random() < 0.4)
            shown = f"{'cold' if is_cold else 'warm'}-{'pulling' if is_pulling else 'light'}"
        elif fault and fault.entry["off"] == 0:
            shown = "always"
        else:
            told = "load" if when == "tip-in" else when or "varies"
            shown = told if self.rng.random() < 0.7 else "varies"
        self._shown[test.id, "", ""] = shown
        return shown

    def _meets(self, cylinders: tuple[int, ...], fault: Fault, target: str) -> bool:
        seen = set(self.job.engine.target_cylinders(target))
        return bool(seen & set(fault.weak or cylinders))

    def _sign(self, test: Test, entry: Mapping[str, float]) -> str | float:
        if test.form == "inspection":
            names = [*entry, ""]
            chances = [*entry.values(), 1 - sum(entry.values())]
            return str(self.rng.choice(names, p=np.array(chances) / sum(chances)))
        if self.rng.random() >= entry["chance"]:
            return ""
        if "value" in entry:
            return self._read(test, entry["value"])
        healthy = self._healthy(test, "")
        return float(healthy) * entry.get("factor", 1.0) + entry.get("shift", 0.0)

    def _healthy(self, test: Test, target: str) -> str | float:
        if test.form == "reading":
            return self._read(test, self._usual(test))
        key = (test.id, target, "")
        if key not in self._shown:
            others = WORLD["healthy"].get(test.id)
            if others is None:
                rest = list(test.outcomes)[1:]
                others = dict.fromkeys(rest, WORLD["healthy"]["otherwise"] / len(rest))
            names = [next(iter(test.outcomes)), *others]
            chances = [1 - sum(others.values()), *others.values()]
            self._shown[key] = str(self.rng.choice(names, p=chances))
        return self._shown[key]

    def _usual(self, test: Test) -> float:
        """What a healthy one reads on this vehicle."""
        if test.level is None or test.reference:
            return test.nominal
        name = f"level {test.level.name}"
        if name not in self._meters:
            middle = {"cranking": 165.0, "coil-primary": 0.8, "coil-secondary": 9000.0}
            self._meters[name] = middle.get(test.level.name, 13.0) * float(
                np.exp(self.rng.normal(0.0, 0.1))
            )
        return self._meters[name] * test.nominal

    def _read(self, test: Test, value: float) -> float:
        """Read a value on a meter that is off for the day."""
        if math.isinf(value):
            return value
        scatter = WORLD["scatter"]
        if test.id in scatter["unit"]:
            sd, meter = scatter["unit"][test.id]
            return value + self._bias(test.id, meter) + float(self.rng.normal(0.0, sd))
        off = self._bias(test.id, scatter["meter"]) + self.rng.normal(0.0, scatter["share"])
        return value * math.exp(off)

    def _bias(self, name: str, sd: float) -> float:
        return self._meters.setdefault(f"meter {name}", float(self.rng.normal(0.0, sd)))


class _ControlUnit:
    """Counts misfires in windows and sets codes."""

    def __init__(self, job: Job, rng: np.random.Generator) -> None:
        self.layout, self.rng = job.engine.layout, rng
        self.exceeded, self.is_first, self.blinks = 0, True, False
        self.named: dict[int, None] = {}
        self._pending: dict[int, None] = {}

    def count_minute(self, failing: dict[int, float], speed: int) -> None:
        """Count the misfires of a minute in windows of 200 and 1,000 revolutions."""
        windows = max(round(speed / 1000), 1)
        for _ in range(windows):
            misses = {c: int(self.rng.binomial(500, min(part, 1.0))) for c, part in failing.items()}
            total, firings = sum(misses.values()), 500 * len(failing)
            if total > EMISSIONS * firings:
                self.exceeded += 1
                self._pending |= dict.fromkeys(self._blamed(misses, total))
                if total > CATALYST * firings:
                    self.blinks = True
                if self.is_first or self.blinks or self.exceeded >= EXCEEDED:
                    self.named |= self._pending
            self.is_first = False

    def _blamed(self, misses: dict[int, int], total: int) -> Iterator[int]:
        order = self.layout.firing_order
        for cylinder, count in misses.items():
            if count >= NAMED * total:
                is_wrong = self.rng.random() < WRONG_CYLINDER
                at = (order.index(cylinder) + 1) % len(order)
                yield order[at] if is_wrong else cylinder

    def codes(self) -> tuple[str, ...]:
        """Codes that are set."""
        several = ("P0300",) if len(self.named) > 1 else ()
        return (*several, *(f"P{300 + c:04d}" for c in sorted(self.named)))


FIRST_DRIVE = 20
"""Minutes in which the shop tries to see the misfire of a vehicle that came in."""


def draw_foreign(pack: Pack, layout: str, fitment: Mapping[str, str], seed: int) -> ForeignWorld:
    """Draw a vehicle whose misfire the shop saw in its first drive.

    Parameters
    ----------
    pack : Pack
        For names.
    layout : str
        Id of the layout.
    fitment : mapping of str to str
        Fitment of the engine.
    seed : int
        Decides everything.
    """
    rng = np.random.default_rng([404, seed])
    while True:
        world = ForeignWorld(pack, ev.Opened("foreign", layout, dict(fitment)), rng)
        _break(world, rng)
        if world.drive(FIRST_DRIVE, ("warm", "load") if rng.random() < 0.7 else ("cold", "idle")):
            return world


def _break(world: ForeignWorld, rng: np.random.Generator) -> None:
    first = _add(world, rng)
    if rng.random() < SECOND_CAUSE:
        _add(world, rng)
    place = world.job.place_of(first)
    if place is not None and place.kind == "plug" and rng.random() < DEPENDENT / 0.2:
        _add(world, rng, at=place.cylinders[0], of=("coil", "coil-pack"))


def _add(
    world: ForeignWorld, rng: np.random.Generator, at: int = 0, of: tuple[str, ...] = ()
) -> str:
    engine = world.job.engine
    entries = [
        (entry, kind)
        for entry in WORLD["fault"]
        for kind in entry["of"]
        if engine.places_for(kind) and entry["mode"] in engine.kinds[kind].modes
        if not of or kind in of
    ]
    shares = np.array([entry["share"] / len(entry["of"]) for entry, _ in entries])
    entry, kind = entries[int(rng.choice(len(entries), p=shares / shares.sum()))]
    places = [p for p in engine.places_for(kind) if not at or at in p.cylinders]
    place = places[int(rng.integers(len(places)))]
    cylinders = np.array(engine.layout.cylinders)
    reach = entry.get("reach", "own")
    weak = () if reach == "own" else tuple(cylinders.tolist())
    if reach == "weak":
        weak = tuple(sorted(rng.choice(cylinders, 2, replace=False).tolist()))
    low, high = entry["misses"]
    on = entry["on"] / (entry["on"] + entry["off"])
    world.truth[world.job.fitted[place.id]] = Fault(
        entry,
        engine.kinds[kind].modes[entry["mode"]],
        float(rng.uniform(low, high)),
        is_on=bool(rng.random() < on),
        weak=weak,
    )
    return world.job.fitted[place.id]
