"""A technician scans a vehicle at the shell: a simulated one on a virtual bus, and a recording."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bus.conftest import drive_in
from tests.bus.vehicle import ENGINE_NUMBER, Vehicle, engine_unit, gearbox_unit
from tests.cli.conftest import Bay

__all__ = ["drive_in"]


def test_a_scan_after_a_drive_is_the_drive_as_typed(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    vehicle, log = drive_in(engine_unit(), gearbox_unit()), bay.folder / "bay.log"
    bay.must("open RO-1 --layout inline-4")
    shown = bay.must(f"scan --bus virtual:{vehicle.channel} --record {log} --json").facts
    assert [unit["unit"] for unit in shown["units"]] == ["7E8", "7E9"]
    typed = shown["command"].removeprefix("swapinfer ").replace("MINUTES", "15 --when warm,load")
    assert typed == ("drive 15 --when warm,load --codes P0300,P0303 --counts 1=0,2=1,3=28,4=0")
    supposed = bay.must(f"{typed} --what-if --json").facts
    for source in (f"--bus virtual:{vehicle.channel}", f"--replay {log}"):
        scanned = bay.must(f"scan {source} --after 15 --when warm,load --what-if --json").facts
        assert scanned["said"] == supposed["said"]
        assert scanned["after"] == supposed["after"]


def test_a_number_is_shown_only_to_whoever_asks(bay: Bay, drive_in: Callable[..., Vehicle]) -> None:
    vehicle = drive_in(engine_unit())
    number = ENGINE_NUMBER.decode()
    assert number not in bay.must(f"scan --bus virtual:{vehicle.channel}").out
    assert number in bay.must(f"scan --bus virtual:{vehicle.channel} --vin").out


@pytest.mark.parametrize(
    ("line", "code", "said"),
    [
        ("scan", 2, "name the adapter"),
        ("scan --bus virtual:nobody-there", 13, "no control unit answers"),
        ("scan --bus virtul:x", 2, 'did you mean "virtual"'),
        ("scan --replay none.log", 2, "cannot be read"),
        ("scan --replay none.log --when warm", 2, "--after 15"),
        ("scan --replay none.txt", 2, "accepted endings"),
    ],
)
def test_what_cannot_be_scanned_is_said_in_one_line(
    bay: Bay, line: str, code: int, said: str
) -> None:
    told = bay(line)
    assert told.code == code
    assert said in told.err
    assert len(told.err.splitlines()) == 1
    assert not list(Path(bay.folder).iterdir())


def test_the_adapter_of_the_settings_is_used(bay: Bay, drive_in: Callable[..., Vehicle]) -> None:
    vehicle = drive_in(engine_unit())
    bay.must(f"settings --set adapter=virtual:{vehicle.channel}")
    assert "P0303" in bay.must("scan").out
