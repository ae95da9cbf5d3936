"""A whole job over the bus: from the first scan to a verified repair, two units in the vehicle."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable

import pytest

from swapinfer.bus import watch as watching
from swapinfer.commands.scan import WORD
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
    written, told = bay.folder / "claim.json", bay.folder / "claim.md"
    bay.must(f"claim --json-file {written} --md {told}")
    bay.must(f"claim verify {written}")
    proof = told.read_text(encoding="utf-8")
    assert "read over the bus: unit 7E8: stored none, pending P0303, permanent none" in proof
    assert "erased in unit 7E8 and 7E9" in proof
    bay.must(f"erase --word {WORD}")
    events = [event["event"] for event in bay.must("show --json").facts["events"]]
    assert events[-3:] == ["closed", "stated", "erased"], "a closed job keeps what is on record"


def test_a_code_from_before_a_drive_is_not_the_drives(bay: Bay, engine: Engine) -> None:
    """Repaired without erasing: P0303 stays stored, and no longer pending, for many drives."""
    for _ in range(2):
        engine.drive(15)
    assert "codes P0303, pending P0303" in bay.must("scan").out
    engine.fit_new(3)
    bay.must("replace coil3")
    engine.drive(20)
    engine.unit.counters = {}
    doubted = bay.must("scan --after 20 --when warm,load --what-if --json").facts["warnings"]
    assert any("P0303: pending before as well" in doubt for doubt in doubted)
    engine.drive(20)
    engine.unit.counters = {}
    told = bay.must("scan --after 40 --when warm,load --json").facts
    assert "codes P0303, none pending" in told["said"][0], "what was read is kept as it was"
    assert told["meaning"][0] == "no cylinder misfired in this run"
    assert "P0303: not weighed, was stored before, and not pending" in told["warnings"]


def test_what_was_erased_is_not_taken_for_what_never_was(bay: Bay, engine: Engine) -> None:
    engine.drive(15)
    bay.must("drive 15 --when warm,load --counts 3=45")
    bay.must(f"erase --word {WORD}")
    events = [event["said"] for event in bay.must("show --json").facts["events"]]
    assert "none stored" not in events[2]
    assert "pending P0303" in events[2], "read before it was erased, it belongs to the drive"
    told = bay("codes --no-codes")
    assert told.code == 9
    assert "emptied" in told.err
    assert bay.must("scan --json").facts["recorded"] is None


def test_an_arrival_tells_what_the_freeze_frame_and_the_monitors_say(
    bay: Bay, engine: Engine
) -> None:
    unit = engine.unit
    for _ in range(2):
        engine.drive(15)
    unit.frame = {0x02: b"\x03\x03", 0x04: b"\xe6", 0x05: b"\x7b", 0x0D: b"\x48"}
    told = bay.must("scan --what-if --json").facts["recorded"]
    assert "set in warm, load" in told["said"][0]
    unit.frame[0x02] = b"\x04\x20"
    assert "set in" not in bay.must("scan --what-if --json").facts["recorded"]["said"][0]
    unit.now[0x01] = bytes.fromhex("00 17 00 00")
    unit.counters = dict.fromkeys(unit.counters, (0, 0))
    told = bay.must("scan --what-if --json").facts["recorded"]
    assert "monitor has not run" in told["said"][0]


def test_the_guide_reads_the_vehicle_wherever_it_asks_for_codes(
    bay: Bay, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def walk(*answers: str) -> str:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{one}\n" for one in answers)))
        return " ".join(bay.must("guide").out.split())

    engine.drive(15)
    told = walk("x", "5", "r", "1", "q")
    assert "read it now, ignition on, over virtual:" in told
    assert "read what is stored: no stored codes, pending P0303, none permanent, misfire" in told
    assert "misfire counts 1: 0, 2: 0, 3: 45, 4: 0; read from" in told
    engine.drive(15)
    told = walk("x", "1", "r", "15 warm load", "q")
    assert "ran 15 min (warm, load), misfire counts 1: 0, 2: 0, 3: 45, 4: 0, codes P0303" in told
    bay.must("settings --set adapter=virtual:nobody-there")
    told = walk("x", "1", "r", "q")
    assert "! no control unit answers on virtual:nobody-there" in told
    bay.must("settings --set adapter=")
    assert "read it now" not in walk("x", "1", "q")


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
