"""The other world of the benchmarks: what is done to a vehicle there has the effect it has."""

from __future__ import annotations

import numpy as np
import pytest
from lab.foreign import WORLD, Fault, ForeignWorld, draw_foreign

from swapinfer.ledger.events import Opened, Ran
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import Action


@pytest.fixture(scope="module")
def pack() -> Pack:
    """Base pack."""
    return load_pack()


FITMENT = {"ignition": "coil-on-plug", "fuel": "port"}


def with_open_coil(pack: Pack) -> ForeignWorld:
    """Return a vehicle whose coil 1 never fires."""
    world = ForeignWorld(pack, Opened("1", "inline-4", FITMENT), np.random.default_rng(5))
    entry = next(e for e in WORLD["fault"] if e["mode"] == "open" and "coil" in e["of"])
    mode = world.job.engine.kinds["coil"].modes["open"]
    world.truth["coil1"] = Fault(entry, mode, misses=1.0, is_on=True)
    return world


def misfires(world: ForeignWorld) -> set[str]:
    run = world.events[-1]
    assert isinstance(run, Ran)
    return {code for code in run.codes or () if code.startswith("P030")}


def test_the_misfire_goes_where_the_coil_goes(pack: Pack) -> None:
    world = with_open_coil(pack)
    assert world.drive(10)
    assert "P0301" in misfires(world)
    world.do(Action("swap", swaps=(("coil1", "coil3"),), drive_minutes=10))
    assert "P0303" in misfires(world)
    assert "P0301" not in misfires(world)


def test_a_new_coil_ends_it(pack: Pack) -> None:
    world = with_open_coil(pack)
    world.do(Action("replace", replaced=("coil1",), drive_minutes=20))
    assert not misfires(world)
    assert not world.has_fault
    assert not world.come_back()


@pytest.mark.parametrize("seed", range(4))
def test_a_vehicle_comes_in_misfiring_and_leaves_repaired(pack: Pack, seed: int) -> None:
    world = draw_foreign(pack, "inline-4", FITMENT, seed)
    assert misfires(world)
    assert world.events == draw_foreign(pack, "inline-4", FITMENT, seed).events
    places = [place for place, element in world.job.fitted.items() if element in world.faults]
    assert places
    world.do(Action("replace", replaced=tuple(places)))
    assert not world.come_back()
