"""The customary order, played on vehicles such as a job's own."""

from __future__ import annotations

import pytest

from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.play import customary_results

OPENED = ev.Opened("RO-1", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
FOUND = [
    OPENED,
    ev.Ran(10.0, (), codes=("P0303",)),
    ev.Swapped((("coil3", "coil1"),)),
    ev.Ran(10.0, (), codes=("P0301",)),
    ev.Replaced("coil1"),
    ev.Ran(60.0, (), codes=(), pending=()),
]


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def test_a_coil_that_a_swap_gives_away_is_found_by_the_customary_order_too(pack: Pack) -> None:
    """Its first step is a coil swap, so most such jobs end with one new coil."""
    job = replay(enumerate(FOUND), pack)
    results = list(customary_results(job, PlanSettings(pack.costs), 20, seed=3))
    assert len(results) == 20
    cheap = [r for r in results if r.resolved and r.wrong_parts == 0 and r.comebacks == 0]
    assert len(cheap) > 10
    assert min(r.minutes for r in cheap) > 0.0


def test_the_same_seed_gives_the_same_vehicles(pack: Pack) -> None:
    job = replay(enumerate(FOUND), pack)
    settings = PlanSettings(pack.costs)
    once, again = ([r.cost for r in customary_results(job, settings, 4, seed=3)] for _ in range(2))
    assert once == again


def test_a_vehicle_with_nothing_wrong_has_nothing_to_compare(pack: Pack) -> None:
    quiet = replay(enumerate([OPENED, *[ev.Ran(6000.0, (), codes=(), pending=())] * 30]), pack)
    with pytest.raises(InputError, match="anything was wrong"):
        list(customary_results(quiet, PlanSettings(pack.costs), 1, seed=3))
