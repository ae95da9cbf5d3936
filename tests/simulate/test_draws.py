"""Vehicles drawn behave as the evidence says: one drive, one look, the truth being known."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.stats import chisquare

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.states import State
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import Action
from swapinfer.plan.repair_policy import LOOK_MINUTES
from swapinfer.simulate.world import World
from tests.evidence.test_outcomes import chance

LEADS = {"ignition": "coil-near-plug", "fuel": "port"}
OPENING = ev.Opened("2001", "inline-4", LEADS)
LEAST = 1e-3
"""Smallest chance of so bad a fit that still passes; seeds are fixed."""


@pytest.fixture(scope="module")
def pack() -> Pack:
    """Return the base pack, without codes for anything but misfires."""
    base = load_pack()
    codes = {name: code for name, code in base.codes.items() if code.role != "fault"}
    return replace(base, codes=codes)


def world_of(pack: Pack, faults: dict[str, str], seed: int) -> World:
    drawn = {}
    for element, state in faults.items():
        mode, severity = state.split("/")
        kind = pack.kinds[element.rstrip("0123456789")]
        drawn[element] = State(kind.modes[mode], pack.severities[severity])
    return World(pack, OPENING, drawn, np.random.default_rng([11, seed]))


def said(pack: Pack, faults: dict[str, str], event: Event) -> float:
    """Chance, or density on the scale, that the evidence gives to an event."""
    return chance(gather_evidence(replay(enumerate([OPENING, event]), pack)).arrays, faults)


def fits(seen: Counter[object], expected: dict[object, float], n: int, lost: float = 2e-3) -> None:
    """Chi-square; what is expected less than five times is taken together.

    Readings beyond a test's range count as its end, so that a little is missing of their densities;
    of what two faults show together more is, where one reads nearer the middle than good.
    """
    assert sum(expected.values()) == pytest.approx(1.0, abs=lost)
    often = [key for key, p in expected.items() if n * p >= 5.0]
    counts = np.array([*(seen[key] for key in often), n - sum(seen[key] for key in often)])
    means = np.array([*(n * expected[key] for key in often)])
    means = np.append(means, max(n - means.sum(), 0.0))
    if means[-1] < 5.0:
        assert counts[-1] <= 5.0 * max(means[-1], 1.0) + 5.0
        counts, means = counts[:-1], means[:-1]
    assert chisquare(counts, means * counts.sum() / means.sum()).pvalue > LEAST


@pytest.mark.parametrize(
    "faults",
    [
        {"plug2": "tracked/intermittent"},
        {"fuel-pressure": "filter/intermittent"},
        {"fuel-pressure": "filter/intermittent", "coil3": "breakdown/intermittent"},
    ],
)
def test_sets_of_cylinders_in_one_drive(pack: Pack, faults: dict[str, str]) -> None:
    expected: dict[object, float] = {}
    for n in range(5):
        for named in itertools.combinations((1, 2, 3, 4), n):
            codes = tuple(f"P030{c}" for c in named)
            run = ev.Ran(LOOK_MINUTES, (), codes, pending=codes)
            expected[codes] = said(pack, faults, run)
    seen: Counter[object] = Counter()
    for seed in range(400):
        world = world_of(pack, faults, seed)
        world.drive(LOOK_MINUTES)
        seen[world.events[-1].codes] += 1  # type: ignore[attr-defined]
    fits(seen, expected, 400)


@pytest.mark.parametrize(
    ("test", "target", "faults"),
    [
        ("spark-tester", "cylinder2", {}),
        ("spark-tester", "cylinder2", {"coil-wiring2": "loose/intermittent"}),
        ("coil-connector-look", "cylinder2", {"coil-wiring2": "loose/hard"}),
        ("cut-out", "cylinder3", {"plug3": "worn/hard", "injector3": "clogged/hard"}),
        ("plug-look", "cylinder1", {"plug1": "worn/hard"}),
    ],
)
def test_outcomes_of_one_look(pack: Pack, test: str, target: str, faults: dict[str, str]) -> None:
    expected: dict[object, float] = {
        name: said(pack, faults, ev.Inspected(test, target, name))
        for name in pack.tests[test].outcomes
    }
    seen: Counter[object] = Counter()
    for seed in range(400):
        world = world_of(pack, faults, seed)
        world.do(Action("test", test=test, targets=(target,)))
        seen[world.events[-1].outcome] += 1  # type: ignore[attr-defined]
    fits(seen, expected, 400)


@pytest.mark.parametrize(
    ("test", "target", "faults"),
    [
        ("lead-resistance", "lead2", {}),
        ("lead-resistance", "lead2", {"lead2": "resistance/intermittent"}),
        ("leak-down", "cylinder2", {"sealing2": "rings/hard"}),
        ("leak-down", "cylinder2", {"sealing2": "rings/hard", "coolant-seal2": "weeps/hard"}),
        ("compression", "cylinder2", {"sealing2": "rings/intermittent"}),
    ],
)
def test_stretches_into_which_one_reading_falls(
    pack: Pack, test: str, target: str, faults: dict[str, str]
) -> None:
    """Eight stretches alike in chance, by the trapezoid rule over the evidence's density."""
    about = pack.tests[test]
    is_log = about.scale == "log"
    points = np.linspace(*(np.log(about.range) if is_log else about.range), 241)
    readings = (np.exp(points) if is_log else points).tolist()
    density = np.array([said(pack, faults, ev.Measured(test, target, x)) for x in readings])
    steps = (density[1:] + density[:-1]) * np.diff(points) / 2.0
    below = np.concatenate([[0.0], np.cumsum(steps)])
    edges = np.interp(np.linspace(0.0, below[-1], 9)[1:-1], below, points)
    expected: dict[object, float] = dict.fromkeys(range(8), below[-1] / 8.0)
    expected["over"] = 0.0
    if about.slip.get("over-limit"):
        expected["over"] = said(pack, faults, ev.Measured(test, target, math.inf))
    seen: Counter[object] = Counter()
    for seed in range(400):
        world = world_of(pack, faults, seed)
        world.do(Action("test", test=test, targets=(target,)))
        value = world.events[-1].value  # type: ignore[attr-defined]
        on_scale = math.log(value) if is_log else value
        seen[int(np.searchsorted(edges, on_scale)) if value < math.inf else "over"] += 1
    fits(seen, expected, 400, lost=2e-3 if len(faults) < 2 else 0.03)
