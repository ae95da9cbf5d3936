"""Answers that come damaged: nothing false is stated, nothing hangs, and a lost answer is told."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from swapinfer.bus import link as linking
from swapinfer.bus.adapter import connect
from swapinfer.bus.link import SHORT, Link
from swapinfer.bus.scan import Reading, read_recording, scan
from swapinfer.commands.vehicle import run_found
from swapinfer.errors import BusError
from tests.bus.vehicle import Unit, Vehicle, engine_unit, gearbox_unit

can = pytest.importorskip("can")

NOISE = bytes.fromhex("93FF00A71C42E805")


def scan_of(engine: Unit) -> list[can.Message]:
    """Every frame of a scan of two units."""
    vehicle = Vehicle(engine, gearbox_unit())
    frames: list[can.Message] = []
    try:
        with connect(f"virtual:{vehicle.channel}", frames.append) as link:
            scan(link)
    finally:
        vehicle.close()
    return frames


@pytest.fixture(scope="module")
def recorded() -> list[can.Message]:
    return scan_of(engine_unit())


def facts(reading: Reading) -> set[tuple[str, str, str]]:
    """All that is stated, piece by piece; a list of codes is one piece."""
    found = set()
    for unit in reading.units:
        for name, value in structs.asdict(unit).items():
            if name in ("unit", "raw") or value in (None, "", {}):
                continue
            pieces = structs.asdict(value) if name == "frame" else {"": value}
            for key, piece in pieces.items():
                inner = piece.items() if isinstance(piece, dict) else [("", piece)]
                found |= {(unit.unit, f"{name} {key} {k}", repr(v)) for k, v in inner if v != ""}
    return found


def with_data(message: can.Message, data: bytes) -> can.Message:
    return can.Message(
        arbitration_id=message.arbitration_id,
        is_extended_id=message.is_extended_id,
        data=data,
        timestamp=message.timestamp,
    )


def damaged(frames: list[can.Message]) -> Iterator[tuple[str, list[can.Message]]]:
    """One scan after another, each with one answer's frame damaged in one way."""
    for n, frame in enumerate(frames):
        if frame.arbitration_id not in SHORT.answers:
            continue
        before, after = frames[:n], frames[n + 1 :]
        yield f"frame {n} dropped", [*before, *after]
        yield f"frame {n} doubled", [*before, frame, frame, *after]
        yield f"frame {n} later", [*before, *after[:2], frame, *after[2:]]
        yield f"noise before {n}", [*before, with_data(frame, NOISE), frame, *after]
        for size in range(len(frame.data)):
            yield f"frame {n} cut at {size}", [*before, with_data(frame, frame.data[:size]), *after]


def test_a_recording_damaged_anywhere_states_nothing_false(recorded: list[can.Message]) -> None:
    whole = read_recording(recorded)
    known, tried = facts(whole), 0
    for what, frames in damaged(recorded):
        tried += 1
        reading = read_recording(frames)
        assert facts(reading) <= known, what
        assert all("\n" not in trouble for trouble in reading.troubles), what
        if "cut" in what and facts(reading) != known:
            assert reading.troubles, f"{what}: what was lost is told"
    assert tried > 500


def test_no_damage_makes_a_clean_drive_of_a_misfire() -> None:
    """A unit that counts nothing, after the first drive with a misfire: it is pending alone."""
    engine = engine_unit()
    engine.stored, engine.counters = b"\0", {}
    frames = scan_of(engine)
    assert run_found(read_recording(frames), 15, ()).pending == ("P0303",)
    for what, some in damaged(frames):
        run = run_found(read_recording(some), 15, ())
        assert run.present == ("P0303",) or not run.is_read, what


def test_the_middle_of_a_message_that_is_lost_is_told(recorded: list[can.Message]) -> None:
    followers = [n for n, frame in enumerate(recorded) if frame.data[0] >> 4 == 2]
    for n in followers:
        reading = read_recording([*recorded[:n], *recorded[n + 1 :]])
        assert reading.troubles, n


@given(st.data())
def test_two_units_that_answer_at_once_are_kept_apart(
    recorded: list[can.Message], data: st.DataObject
) -> None:
    """Frames of two units in any order that keeps each unit's own."""
    own = deque(frame for frame in recorded if frame.arbitration_id == 0x7E8)
    as_second = [can.Message(arbitration_id=0x7EA, is_extended_id=False, data=f.data) for f in own]
    other, mixed = deque(as_second), []
    while own or other:
        takes_own = own and (not other or data.draw(st.booleans()))
        mixed.append((own if takes_own else other).popleft())
    first, second = read_recording(mixed).units
    assert structs.replace(second, unit=first.unit) == first


class Flawed:
    """A bus on which one answer's frame comes damaged."""

    def __init__(self, channel: str, flaw: str, which: int) -> None:
        self.bus = can.Bus(interface="virtual", channel=channel)
        self.flaw, self.left = flaw, which
        self.waiting: deque[can.Message] = deque()

    def send(self, message: can.Message, timeout: float | None = None) -> None:
        self.bus.send(message, timeout)

    def shutdown(self) -> None:
        self.bus.shutdown()

    def recv(self, timeout: float | None) -> can.Message | None:
        if self.waiting:
            return self.waiting.popleft()
        message = self.bus.recv(timeout)
        if message is None or message.arbitration_id not in SHORT.answers:
            return message
        self.left -= 1
        return message if self.left else self._damage(message)

    def _damage(self, message: can.Message) -> can.Message | None:
        match self.flaw:
            case "dropped":
                return self.bus.recv(0.0)
            case "doubled":
                self.waiting.append(message)
            case "late":
                self.waiting += [m for m in (self.bus.recv(0.05), message) if m]
                return with_data(message, NOISE)
            case "cut":
                return with_data(message, message.data[:4])
        return message


@pytest.mark.parametrize("flaw", ["dropped", "doubled", "late", "cut"])
@pytest.mark.parametrize("which", [1, 2, 6, 9, 15, 24])
def test_a_scan_asks_again_for_what_came_damaged(
    drive_in: Callable[..., Vehicle], monkeypatch: pytest.MonkeyPatch, flaw: str, which: int
) -> None:
    monkeypatch.setattr(linking, "NEXT_WAIT", 0.3)
    vehicle = drive_in(engine_unit(), gearbox_unit())
    with Link(can.Bus(interface="virtual", channel=vehicle.channel)) as link:
        whole = facts(scan(link))
    bus: Any = Flawed(vehicle.channel, flaw, which)
    with Link(bus) as link:
        reading = scan(link)
    assert facts(reading) <= whole
    if facts(reading) != whole:
        assert reading.troubles


def test_a_bus_that_takes_nothing_is_said_to_be_full() -> None:
    deaf = can.Bus(interface="virtual", channel="full", rx_queue_size=1)
    try:
        deaf_fills = can.Bus(interface="virtual", channel="full")
        deaf_fills.send(can.Message(arbitration_id=1, is_extended_id=False))
        with pytest.raises(BusError, match=r"no control unit answers.*nothing can be sent") as told:
            connect("virtual:full")
        deaf_fills.shutdown()
    finally:
        deaf.shutdown()
    assert "\n" not in str(told.value)
