"""Codes as windows set them, against the share of episodes that inference takes to set one."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.evidence.monitor import share_that_sets
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Monitor, Severity
from swapinfer.simulate.cycle import Source, draw_cycle

PACK = load_pack()
CYCLES = 1500


def monitor() -> Monitor:
    assert PACK.monitor
    return PACK.monitor


def share(name: str, rate: float, cylinders: int, rpm: float) -> float:
    one = PACK.severities[name]
    return share_that_sets(monitor(), one, rate, cylinders, rpm, at_once=False)


@pytest.mark.parametrize("name", ["hard", "intermittent", "rare"])
@pytest.mark.parametrize(("cylinders", "rpm"), [(4, 2000.0), (4, 700.0), (8, 2000.0)])
def test_the_share_is_what_windows_come_to(name: str, cylinders: int, rpm: float) -> None:
    """As often as 1,500 cycles drawn firing by firing set a code, to a tenth."""
    rng = np.random.default_rng(20)
    severity, minutes = PACK.severities[name], monitor().cycle_minutes
    rate = max(severity.rate_per_min, 0.05)
    booked_c = np.eye(cylinders)[0]
    source = Source(severity, rate, booked_c)
    drawn = [
        draw_cycle(monitor(), [source], minutes, rpm, cylinders, rng).first() is not None
        for _ in range(CYCLES)
    ]
    expected = -np.expm1(-share(name, rate, cylinders, rpm) * rate * minutes)
    assert np.mean(drawn) == pytest.approx(expected, abs=0.1)


def test_what_stays_below_every_threshold_sets_nothing() -> None:
    faint = Severity("faint", "faint", 1.0, 1.0, 1.0, 0.001, 1.1, 5.0)
    source = Source(faint, 1.0, np.eye(4)[0])
    cycle = draw_cycle(monitor(), [source], 60.0, 2000.0, 4, np.random.default_rng(1))
    assert cycle.first() is None
    assert share_that_sets(monitor(), faint, 1.0, 4, 2000.0, at_once=False) < 1e-6


def test_a_dead_cylinder_sets_its_own_code_in_the_first_window_of_200_revolutions() -> None:
    dead = Severity("dead", "dead", 1.0, 1.0, 1.0, 1.0, 1.0, 1e6)
    source = Source(dead, 60.0, np.eye(4)[2])
    cycle = draw_cycle(monitor(), [source], 10.0, 2000.0, 4, np.random.default_rng(1))
    first = cycle.first()
    assert first is not None
    assert first < 1.0
    assert cycle.coded(5.0) == {3}
    assert not cycle.coded(first - 0.15)


def test_more_cylinders_and_slower_running_let_more_pass() -> None:
    for name in ("intermittent", "rare"):
        assert share(name, 0.02, 4, 2000.0) > share(name, 0.02, 8, 2000.0)
        assert share(name, 0.02, 4, 2000.0) > share(name, 0.02, 4, 700.0)


def test_few_are_confirmed_in_their_first_cycle() -> None:
    for severity in PACK.severities.values():
        both = [
            share_that_sets(monitor(), severity, severity.rate_per_min, 4, 2000.0, at_once=once)
            for once in (True, False)
        ]
        assert 0.0 <= both[0] < 0.6 * both[1] <= 0.6


def test_a_single_window_is_enough_right_after_the_start() -> None:
    """Four windows of 1,000 revolutions, and one in the first of them (service texts of makers)."""
    cold = replace(monitor(), catalyst_share=1.0)
    short = Severity("short", "short", 1.0, 1.0, 1.0, 0.3, 1.0, 1e-9 + 0.5)
    early = [
        draw_cycle(cold, [Source(short, 2.0, np.eye(4)[0])], 0.5, 2000.0, 4, rng).first()
        for rng in map(np.random.default_rng, range(40))
    ]
    assert {first for first in early if first} == {0.5}
