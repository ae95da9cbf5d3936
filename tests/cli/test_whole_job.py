"""A whole job over the bus: from the first scan to a verified repair, two units in the vehicle."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from swapinfer.bus import watch as watching
from swapinfer.commands.erase import WORD
from tests.bus.conftest import drive_in
from tests.bus.engine import PULLING, Engine
from tests.bus.vehicle import Driver, Vehicle, gearbox_unit
from tests.cli.conftest import Bay

__all__ = ["drive_in"]

DriveIn = Callable[..., Vehicle]


@pytest.fixture
def engine(bay: Bay, drive_in: DriveIn) -> Engine:
    engine = Engine()
    vehicle = drive_in(engine.unit, gearbox_unit())
    bay.must(f"settings --set adapter=virtual:{vehicle.channel}")
    bay.must("open RO-1 --layout inline-4")
    return engine


def test_from_the_first_scan_to_a_verified_repair(bay: Bay, engine: Engine) -> None:
    engine.drive(15)
    told = bay.must("scan --after 15 --when warm,load --json").facts
    assert "cylinder 3 misfired, the others were quiet" in told["meaning"]
    assert "swap ignition coil 3" in bay.must("next").out
    bay.must("swap coil 3-2")
    engine.swap(3, 2)
    engine.drive(20)
    told = bay.must("scan --after 20 --when warm,load --json").facts
    assert "the fault followed the ignition coil from cylinder 3" in " ".join(told["meaning"])
    bay.must("replace coil2")
    engine.fit_new(2)
    bay.must(f"erase --word {WORD}")
    engine.drive(60)
    told = bay.must("scan --after 60 --when warm,load --json").facts
    assert told["meaning"][0] == "no cylinder misfired in this run"
    bay.must("close --cause coil3 --verified")
    assert bay.must("show --json").facts["status"] == "verified"
    written = bay.folder / "claim.json"
    bay.must(f"claim --json-file {written}")
    bay.must(f"claim verify {written}")


def test_a_repair_is_watched_while_it_is_driven(
    bay: Bay, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, seconds in (("EVERY", 0.02), ("SILENT", 0.5), ("STOPPED", 0.5)):
        monkeypatch.setattr(watching, name, seconds)
    unit = engine.unit
    with Driver(unit, [(1.5, PULLING, engine.misfires(5)), (1.0, {0x0C: b"\0\0"}, {})]):
        told = bay.must("scan --watch --json").facts
    assert "misfire counts 1: 0, 2: 0, 3: 15, 4: 0" in told["said"][-1]
    assert "(warm, load)" in told["said"][-1]
    engine.fit_new(3)
    with Driver(unit, [(1.5, PULLING, engine.misfires(5)), (1.0, {0x0C: b"\0\0"}, {})]):
        told = bay.must("scan --watch --json").facts
    assert "misfire counts 1: 0, 2: 0, 3: 0, 4: 0" in told["said"][-1]
