"""A technician scans a vehicle at the shell: a simulated one on a virtual bus, and a recording."""

from __future__ import annotations

import io
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from swapinfer.bus import link as linking
from swapinfer.bus import watch as watching
from tests.bus.conftest import drive_in
from tests.bus.vehicle import ENGINE_NUMBER, Driver, Unit, Vehicle, engine_unit, gearbox_unit
from tests.cli.conftest import Bay

__all__ = ["drive_in"]

LOADED = {0x04: b"\xe6", 0x0C: bytes.fromhex("1AF8"), 0x0D: b"\x48"}
"""Nine tenths of the load, 1,726 rpm, 72 km/h."""


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("EVERY", 0.02), ("SILENT", 0.5), ("STOPPED", 0.5)):
        monkeypatch.setattr(watching, name, seconds)


def test_a_scan_after_a_drive_is_the_drive_as_typed(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    vehicle, log = drive_in(engine_unit(), gearbox_unit()), bay.folder / "bay.log"
    bay.must("open RO-1 --layout inline-4")
    bay.must("codes --no-codes")
    shown = bay.must(f"scan --bus virtual:{vehicle.channel} --record {log} --json").facts
    assert [unit["unit"] for unit in shown["units"]] == ["7E8", "7E9"]
    typed = shown["command"].removeprefix("swapinfer ").replace("MINUTES", "15 --when warm,load")
    assert typed == (
        "drive 15 --when warm,load --codes P0300,P0303 --pending P0303 --permanent none "
        "--counts 1=0,2=1,3=28,4=0"
    )
    supposed = bay.must(f"{typed} --what-if --json").facts
    for source in (f"--bus virtual:{vehicle.channel}", f"--replay {log}"):
        scanned = bay.must(f"scan {source} --after 15 --when warm,load --what-if --json").facts
        (said,) = scanned["said"]
        found, _, units = said.partition("; read from unit ")
        assert [found] == supposed["said"]
        assert units.startswith("7E8 and 7E9; freeze frame P0303 (load 80 %, coolant 83 degC")
        assert scanned["after"] == supposed["after"]


def test_what_a_vehicle_came_in_with_is_recorded_once(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    vehicle = drive_in(engine_unit(), gearbox_unit())
    assert bay.must(f"scan --bus virtual:{vehicle.channel} --json").facts["recorded"] is None
    bay.must("open RO-1 --layout inline-4")
    first = bay.must(f"scan --bus virtual:{vehicle.channel} --json").facts
    assert first["recorded"]["event"] == "scanned"
    assert "misfire counts 1: 0, 2: 1, 3: 28, 4: 0" in first["recorded"]["said"][0]
    again = bay.must(f"scan --bus virtual:{vehicle.channel} --json").facts
    assert (again["recorded"], again["command"][:21]) == (None, "swapinfer drive MINUT")


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


@pytest.mark.usefixtures("hurried")
def test_a_watched_drive_is_recorded_with_what_the_counters_gained(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    engine = engine_unit()
    engine.now |= LOADED
    vehicle, log = drive_in(engine, gearbox_unit()), bay.folder / "drive.log"
    bay.must("open RO-1 --layout inline-4")
    line = f"scan --bus virtual:{vehicle.channel} --watch --minutes 0.05 --record {log} --when wet"
    with Driver(engine, [(2.0, {}, {3: 9}), (0.5, {}, {3: 5})]):
        told = bay.must(f"{line} --json")
    arrived, said = told.facts["said"]
    assert arrived.startswith("read what is stored: codes P0300 P0303, pending P0303")
    assert said.startswith("ran 0.1 min (warm, load, wet), misfire counts 1: 0, 2: 0, 3: 14, 4: 0")
    assert "P0300 P0303" in said
    assert told.facts["meaning"] == ["cylinder 3 misfired, the others were quiet"]
    news = [line for line in told.err.splitlines() if "cylinder 3" in line]
    assert [line.rpartition(": ")[2] for line in news] == ["9", "14"]
    assert "the driver only drives" in " ".join(told.err.split())
    again = bay.must(f"scan --watch --replay {log} --when wet --what-if --json")
    assert again.facts["said"] == [said]


@pytest.mark.usefixtures("hurried")
def test_at_a_terminal_a_table_changes_in_place(
    bay: Bay, drive_in: Callable[..., Vehicle], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = engine_unit()
    engine.now |= LOADED
    bay.must("open RO-1 --layout inline-4")
    screen = io.StringIO()
    screen.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", screen)
    vehicle = drive_in(engine)
    with Driver(engine, [(2.0, {}, {3: 9}), (0.5, {}, {3: 5})]):
        bay.must(f"scan --bus virtual:{vehicle.channel} --watch --minutes 0.05")
    drawn = screen.getvalue()
    assert "load 90 %, coolant 83 degC, speed 72 km/h, engine speed 1726 rpm" in drawn
    for row in ("cylinder 1  0", "cylinder 3  9", "cylinder 3  14"):
        assert row in drawn
    assert "\033[1A" in drawn, "the table is drawn over itself"


def test_a_list_that_was_lost_is_told_and_calls_no_drive_clean(bay: Bay) -> None:
    """Stored codes were read, none of them; the answer on pending ones broke off."""
    log = bay.folder / "bay.log"
    log.write_text("(1.0) can0 7E8#1008470303000303\n(2.0) can0 7E8#0243000000000000\n")
    bay.must("open RO-1 --layout inline-4")
    told = bay(f"scan --replay {log} --after 15")
    assert told.code == 2
    assert "unit 7E8: an answer that broke off" in told.err
    assert "say what was found" in told.err.splitlines()[-1]
    assert len(bay.must("show --json").facts["events"]) == 1
    with log.open("a") as file:
        file.write("(3.0) can0 7E8#100A46A40C24001C\n(4.0) can0 7E8#210000FFFF000000\n")
    told = bay.must(f"scan --replay {log} --after 15 --json").facts
    assert "cylinder 3 misfired" in told["meaning"][0]
    assert "unit 7E8: an answer that broke off" in told["warnings"]


class Fading(Unit):
    """A unit that falls silent for good after so many answers."""

    left: int = 0

    def respond(self, request: bytes) -> bytes | None:
        self.left -= 1
        self.is_silent = self.left < 0
        return super().respond(request)


@pytest.mark.parametrize("answers", [0, 4, 7, 8, 9])
def test_a_unit_that_falls_silent_in_a_scan_leaves_nothing_by_half(
    bay: Bay, drive_in: Callable[..., Vehicle], monkeypatch: pytest.MonkeyPatch, answers: int
) -> None:
    """Pending codes come first: without them nothing is recorded, and what is lost then is told."""
    monkeypatch.setattr(linking, "FIRST_WAIT", 0.1)
    engine = Fading(**{f.name: getattr(engine_unit(), f.name) for f in fields(Unit)})
    engine.stored, engine.pending, engine.counters = b"\0", b"\0", {}
    engine.left = answers
    vehicle = drive_in(engine)
    bay.must("open RO-1 --layout inline-4")
    told = bay(f"scan --bus virtual:{vehicle.channel} --after 15 --json")
    events = bay.must("show --json").facts["events"]
    assert len(events) == 1 + (told.code == 0)
    if told.code:
        assert told.code in (2, 13)
        assert answers < 8
    else:
        assert "none pending" in told.facts["said"][0] or "no codes" in told.facts["said"][0]
        assert any("answers no more" in line for line in told.facts["warnings"])


def test_minutes_since_the_start_come_with_the_counters(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    """Identifier 1F, in seconds (SAE J1979)."""
    engine = engine_unit()
    engine.now[0x1F] = (720).to_bytes(2)
    vehicle = drive_in(engine)
    bay.must("open RO-1 --layout inline-4")
    told = bay.must(f"scan --bus virtual:{vehicle.channel} --json").facts["recorded"]
    assert "misfire counts 1: 0, 2: 1, 3: 28, 4: 0 in 12 min" in told["said"][0]


@pytest.mark.usefixtures("hurried")
def test_a_drive_that_is_stopped_or_falls_silent_is_recorded_as_far_as_it_was_seen(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    def steps(ends: Callable[[], None]) -> Iterator[tuple[float, dict, dict]]:
        yield 1.8, {}, {3: 9}
        yield 0.6, {}, {}
        ends()

    bay.must("open RO-1 --layout inline-4")
    engine = engine_unit()
    engine.now |= LOADED
    bay.must(f"settings --set adapter=virtual:{drive_in(engine).channel}")
    main = threading.main_thread().ident
    with Driver(engine, steps(lambda: signal.pthread_kill(main, signal.SIGINT))):
        told = bay.must("scan --watch")
    assert "stopped by hand" in told.err
    assert "misfire counts 1: 0, 2: 0, 3: 9, 4: 0, codes P0300 P0303" in " ".join(told.out.split())
    with Driver(engine, steps(lambda: setattr(engine, "is_silent", True))):
        told = bay.must("scan --watch")
    assert "the bus fell silent" in told.err
    assert "misfire counts 1: 0, 2: 0, 3: 9, 4: 0 " in " ".join(told.out.split())


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("scan --watch --when wett", 'did you mean "wet"'),
        ("scan --watch --after 15", "over"),
        ("scan --minutes 15", "--watch --minutes"),
        ("scan --watch --record drive.txt", "accepted endings"),
        ("scan --watch --replay parked.log", "did not run"),
    ],
)
def test_a_watch_that_cannot_be_is_refused_before_the_drive(bay: Bay, line: str, said: str) -> None:
    parked = bay.folder / "parked.log"
    parked.write_text("(1.0) can0 7E8#04410C0000000000\n")
    bay.must("open RO-1 --layout inline-4")
    bay.must("settings --set adapter=virtual:nobody-there")
    told = bay(line.replace("parked.log", str(parked)))
    assert told.code in (2, 13)
    assert said in told.err
    assert len(told.err.splitlines()) == 1
    assert len(bay.must("show --json").facts["events"]) == 1
