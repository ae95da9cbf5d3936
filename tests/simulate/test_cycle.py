"""Codes as windows set them, against the share of episodes that inference takes to set one."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.evidence.monitor import (
    Share,
    share_confirmed_at_once,
    share_that_blinks,
    share_that_sets,
)
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Monitor, Severity
from swapinfer.simulate.cycle import MisfireSource, draw_cycle

PACK = load_pack()
CYCLES = 800


def monitor() -> Monitor:
    assert PACK.monitor
    return PACK.monitor


def share(
    name: str,
    rate: float,
    cylinders: int,
    rpm: float,
    minutes: float = 20.0,
    of: Share = share_that_sets,
) -> float:
    return of(monitor(), PACK.severities[name], rate, cylinders, rpm, minutes)


@pytest.mark.parametrize("name", ["hard", "intermittent", "rare"])
@pytest.mark.parametrize(("cylinders", "rpm"), [(4, 2000.0), (4, 700.0), (8, 2000.0)])
@pytest.mark.parametrize("minutes", [5.0, 20.0, 60.0])
def test_shares_are_what_windows_come_to(
    name: str, cylinders: int, rpm: float, minutes: float
) -> None:
    """As often as 800 cycles drawn firing by firing set a code, and make the lamp blink."""
    rng = np.random.default_rng(20)
    severity, booked_c = PACK.severities[name], np.eye(cylinders)[0]
    rate = severity.rate_per_min
    source = MisfireSource(severity, rate, booked_c)
    drawn = [draw_cycle(monitor(), [source], minutes, rpm, cylinders, rng) for _ in range(CYCLES)]
    for of, share_drawn in (
        (share_that_sets, np.mean([cycle.first() is not None for cycle in drawn])),
        (share_that_blinks, np.mean([cycle.blinked_w.any() for cycle in drawn])),
    ):
        said = -np.expm1(-share(name, rate, cylinders, rpm, minutes, of) * rate * minutes)
        assert share_drawn == pytest.approx(said, abs=0.1)


def test_one_dead_cylinder_of_eight_makes_the_lamp_blink_or_not() -> None:
    """An eighth of all firings: above some thresholds, below others (5 % are the least allowed)."""
    dead = Severity("dead", "dead", 1.0, 1.0, 1.0, 1.0, 1.0, 1e6)
    sure, never = (
        share_that_blinks(replace(monitor(), catalyst_share=at, catalyst_spread=1.0), dead, 1.0, 8,
        2000.0, 20.0)
        for at in (0.05, 0.13)
    )  # fmt: skip
    assert (sure, never) == (pytest.approx(1.0), 0.0)
    assert 0.0 < share_that_blinks(monitor(), dead, 1.0, 8, 2000.0, 20.0) < 0.2


def test_what_stays_below_every_threshold_sets_nothing() -> None:
    faint = Severity("faint", "faint", 1.0, 1.0, 1.0, 0.001, 1.1, 5.0)
    source = MisfireSource(faint, 1.0, np.eye(4)[0])
    cycle = draw_cycle(monitor(), [source], 60.0, 2000.0, 4, np.random.default_rng(1))
    assert cycle.first() is None
    assert share_that_sets(monitor(), faint, 1.0, 4, 2000.0, 60.0) < 1e-6


def test_a_dead_cylinder_sets_its_own_code_in_the_first_window_of_200_revolutions() -> None:
    dead = Severity("dead", "dead", 1.0, 1.0, 1.0, 1.0, 1.0, 1e6)
    source = MisfireSource(dead, 60.0, np.eye(4)[2])
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
            of(monitor(), severity, severity.rate_per_min, 4, 2000.0, 20.0)
            for of in (share_confirmed_at_once, share_that_sets)
        ]
        assert 0.0 <= both[0] < 0.6 * both[1] <= 0.6


def test_a_single_window_is_enough_right_after_the_start() -> None:
    """Four windows of 1,000 revolutions, and one in the first of them (service texts of makers)."""
    cold = replace(monitor(), catalyst_share=1.0)
    short = Severity("short", "short", 1.0, 1.0, 1.0, 0.3, 1.0, 1e-9 + 0.5)
    early = [
        draw_cycle(cold, [MisfireSource(short, 2.0, np.eye(4)[0])], 0.5, 2000.0, 4, rng).first()
        for rng in map(np.random.default_rng, range(40))
    ]
    assert {first for first in early if first} == {0.5}
