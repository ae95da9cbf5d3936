"""Whole scans of simulated vehicles: what is read, what is not, and what is never sent.

The units answer through can-isotp, another's implementation of the transport that is tested here.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.bus import link as linking
from swapinfer.bus.adapter import connect, read_frames, recording
from swapinfer.bus.link import LONG, Link
from swapinfer.bus.scan import GIVEN_UP, Frame, read_answers, read_recording, scan
from swapinfer.bus.services import read_answer
from swapinfer.errors import BusError, InputError
from tests.bus.vehicle import ENGINE_NUMBER, Vehicle, engine_unit, gearbox_unit

can = pytest.importorskip("can")

DriveIn = Callable[..., Vehicle]


def test_all_that_two_units_have_is_read(drive_in: DriveIn) -> None:
    engine, gearbox = engine_unit(), gearbox_unit()
    vehicle = drive_in(engine, gearbox)
    with connect(f"virtual:{vehicle.channel}") as link:
        reading = scan(link)
    first, second = reading.units
    assert (first.unit, second.unit) == ("7E8", "7E9")
    assert first.stored == ("P0300", "P0303")
    assert first.pending == ("P0303",)
    assert first.permanent == ()
    assert second.stored == ()
    assert second.permanent is None
    assert first.counts == {1: 0, 2: 1, 3: 28, 4: 0}
    assert first.averages == {1: 0, 2: 0, 3: 5, 4: 0}
    assert first.lamp
    assert first.has_run
    assert first.frame == Frame(
        "P0303", {"load": 80.0, "coolant": 83.0, "engine speed": 1726.0, "speed": 72.0}
    )
    assert first.values["driven since codes were erased"] == 64.0
    assert not reading.troubles


def test_a_scan_erases_nothing_and_leaves_the_vehicles_number_alone(drive_in: DriveIn) -> None:
    engine = engine_unit()
    vehicle = drive_in(engine)
    with connect(f"virtual:{vehicle.channel}") as link:
        assert not scan(link).units[0].number
        assert {request[0] for request in engine.asked} <= {1, 2, 3, 6, 7, 10}
        assert scan(link, with_number=True).units[0].number == ENGINE_NUMBER.decode()
    assert {request[0] for request in engine.asked} <= {1, 2, 3, 6, 7, 9, 10}


def test_pending_codes_and_counters_are_read_before_stored_codes(drive_in: DriveIn) -> None:
    engine = engine_unit()
    vehicle = drive_in(engine)
    with connect(f"virtual:{vehicle.channel}") as link:
        scan(link)
    services = [request[0] for request in engine.asked]
    assert services.index(6) < services.index(7) < services.index(3)


def test_a_refusal_that_may_pass_is_told_and_one_that_does_not_is_not(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bay.log"
    path.write_text(
        "(1.0) can0 7E8#0643020300030300\n(2.0) can0 7E8#037F072200000000\n"
        "(3.0) can0 7E8#037F0A1100000000\n"
    )
    reading = read_recording(read_frames(path))
    assert reading.troubles == ("unit 7E8: refuses service 07: conditions not right",)
    assert reading.units[0].pending is None


def test_long_addresses_are_found(drive_in: DriveIn) -> None:
    vehicle = drive_in(engine_unit(0x18DAF110), is_extended=True)
    with connect(f"virtual:{vehicle.channel}") as link:
        assert link.addressing is LONG
        assert scan(link).units[0].stored == ("P0300", "P0303")


@pytest.mark.parametrize("ending", [".log", ".asc", ".csv", ".trc"])
def test_a_recording_reads_to_the_same_facts(
    drive_in: DriveIn, tmp_path: Path, ending: str
) -> None:
    vehicle = drive_in(engine_unit(), gearbox_unit())
    path = tmp_path / f"drive{ending}"
    frames: list[can.Message] = []
    with connect(f"virtual:{vehicle.channel}", frames.append) as link:
        live = scan(link)
    with recording(path, frames):
        pass
    assert read_recording(read_frames(path)) == live


def test_a_recording_in_the_plain_form_of_another_program_is_read(tmp_path: Path) -> None:
    """The worked example of three codes in two frames, as a bus log prints it."""
    path = tmp_path / "bay.log"
    path.write_text(
        "(1700000000.000000) can0 7DF#0103000000000000\n"
        "(1700000000.010000) can0 7E8#100843030300030\n".replace("030\n", "0303\n")
        + "(1700000000.011000) can0 7E0#3000000000000000\n"
        "(1700000000.020000) can0 7E8#2103510000000000\n"
        "(1700000000.021000) can0 7E9#0243000000000000\n"
        "(1700000000.030000) can0 123#DEADBEEF\n"
    )
    first, second = read_recording(read_frames(path)).units
    assert first.stored == ("P0300", "P0303", "P0351")
    assert second.stored == ()


def test_a_recording_in_which_codes_were_erased_says_so(tmp_path: Path) -> None:
    path = tmp_path / "bay.log"
    path.write_text(
        "(1.0) can0 7E8#0643020300030300\n(2.0) can0 7E8#0144000000000000\n"
        "(3.0) can0 7E8#0243000000000000\n"
    )
    reading = read_recording(read_frames(path))
    assert reading.units[0].stored == ()
    (trouble,) = reading.troubles
    assert "erased" in trouble


def test_of_many_answers_to_one_request_the_last_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "drive.log"
    lines = [f"({n}.0) can0 7E8#04410C{n:04X}000000\n" for n in range(100)]
    path.write_text("".join(lines) + "(200.0) can0 7E8#0243000000000000\n")
    (unit,) = read_recording(read_frames(path)).units
    assert unit.raw == ("410c0063", "4300")
    assert read_answers({unit.unit: unit.raw}).units == (unit,)


@given(st.dictionaries(st.text(max_size=4), st.lists(st.text("0f4 z", max_size=12), max_size=3)))
def test_what_is_no_kept_answer_is_refused(heard: dict[str, list[str]]) -> None:
    with pytest.raises(BusError, match='"7E8: zz" is no answer of a control unit'):
        read_answers({"7E8": ["zz"]})
    with suppress(BusError):
        assert len(read_answers(heard).units) <= len(heard)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.txt", b"", "accepted endings"),
        ("a.log", b"hello", "no recording"),
        ("a.log", b"(1.0) can0 123#00\n", "no control unit states anything"),
        ("a.asc", b"\0" * 200, "states anything"),
    ],
)
def test_what_is_no_recording_is_refused(
    tmp_path: Path, name: str, content: bytes, message: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises((InputError, BusError), match=message):
        read_recording(read_frames(tmp_path / name))


def test_a_bus_without_a_vehicle_is_said_to_be_one() -> None:
    with pytest.raises(BusError, match="no control unit answers"):
        connect("virtual:empty")
    with pytest.raises(InputError, match='did you mean "virtual"'):
        connect("virtul:empty")
    with pytest.raises(InputError, match="names no channel"):
        connect("virtual")


class Puppet:
    """A unit whose frames are written out one by one, right or wrong."""

    def __init__(self, channel: str, script: Callable[[bytes], list[bytes | float]]) -> None:
        self.bus = can.Bus(interface="virtual", channel=channel)
        self.script = script
        self.requests: list[bytes] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._stop.is_set():
            message = self.bus.recv(0.01)
            if message is None or message.arbitration_id not in (0x7DF, 0x7E0):
                continue
            data = bytes(message.data)
            if data[0] >> 4 == 3:
                continue
            self.requests.append(data)
            for step in self.script(data[1 : 1 + data[0]]):
                if isinstance(step, float):
                    time.sleep(step)
                else:
                    self.bus.send(
                        can.Message(arbitration_id=0x7E8, is_extended_id=False, data=step)
                    )

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.bus.shutdown()


LONG_ANSWER = [bytes.fromhex("1008430303000303"), bytes.fromhex("2103510000000000")]
WAIT = bytes.fromhex("037F037800000000")
FULL = ("P0300", "P0303", "P0351")

WRONG = {
    "doubled": ([*LONG_ANSWER[:1], *LONG_ANSWER[1:], *LONG_ANSWER[1:]], FULL),
    "swapped": ([LONG_ANSWER[1], LONG_ANSWER[0]], None),
    "dropped": ([LONG_ANSWER[0]], None),
    "without a beginning": ([LONG_ANSWER[1]], None),
    "begun twice": ([LONG_ANSWER[0], *LONG_ANSWER], FULL),
    "late": ([WAIT, 0.4, *LONG_ANSWER], FULL),
    "silent": ([], None),
    "cut in the list": ([bytes.fromhex("0343030300000000")], None),
    "empty": ([b""], None),
    "too short": ([b"\x05\x43"], None),
    "noise": ([bytes([n, *range(7)]) for n in (0xFF, 0x93, 0x4A)], None),
    "answer to something else": ([bytes.fromhex("04410C1AF8000000")], None),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_broken_answer_is_an_outcome(name: str) -> None:
    steps, wanted = WRONG[name]
    puppet = Puppet(f"broken {name}", lambda request: steps if request[0] == 3 else [])
    start = time.monotonic()
    try:
        with Link(can.Bus(interface="virtual", channel=f"broken {name}")) as link:
            heard = link.ask(b"\x03", 0x7E8)
    finally:
        puppet.close()
    read = [a.message for a in heard.answers]
    if wanted:
        assert bytes.fromhex("4303030003030351") in read
    elif name == "cut in the list":
        with pytest.raises(BusError, match="cut off"):
            read_answer(read[0])
    else:
        assert not read
        assert heard.troubles
        assert len(puppet.requests) == 2, "asked once more"
    assert all("\n" not in trouble.what for trouble in heard.troubles)
    assert time.monotonic() - start < 15.0, "no answer is waited for without end"


def test_a_unit_that_only_says_wait_is_given_up() -> None:
    puppet = Puppet("wait", lambda _: [WAIT])
    try:
        with Link(can.Bus(interface="virtual", channel="wait")) as link:
            heard = link.ask(b"\x03", 0x7E8)
    finally:
        puppet.close()
    assert [trouble.what for trouble in heard.troubles] == ["nothing but requests to wait"]


@pytest.mark.parametrize("says", [[], [WAIT]])
def test_a_unit_that_falls_silent_or_only_waits_is_asked_no_further(
    monkeypatch: pytest.MonkeyPatch, says: list[bytes | float]
) -> None:
    monkeypatch.setattr(linking, "MOST_WAIT", 0.3)
    there = bytes.fromhex("064100FFFFFFFF00")
    puppet = Puppet(f"gone {len(says)}", lambda asked: [there] if asked == b"\x01\0" else says)
    try:
        with Link(can.Bus(interface="virtual", channel=f"gone {len(says)}")) as link:
            reading = scan(link)
    finally:
        puppet.close()
    assert reading.troubles[-1] == "unit 7E8: answers no more, and was asked no further"
    assert len({tuple(request) for request in puppet.requests}) <= 1 + GIVEN_UP
    assert reading.units[0].stored is None


def test_others_talk_on_the_bus_does_not_disturb(drive_in: DriveIn) -> None:
    vehicle = drive_in(engine_unit())
    noise = can.Bus(interface="virtual", channel=vehicle.channel)
    stop = threading.Event()

    def talk() -> None:
        number = 0
        while not stop.wait(0.0005):
            number += 1
            noise.send(
                can.Message(arbitration_id=number % 0x700, is_extended_id=False, data=bytes(8))
            )

    thread = threading.Thread(target=talk, daemon=True)
    thread.start()
    try:
        with connect(f"virtual:{vehicle.channel}") as link:
            assert scan(link).units[0].stored == ("P0300", "P0303")
    finally:
        stop.set()
        thread.join()
        noise.shutdown()


def test_an_adapter_is_given_back_and_can_be_opened_again(drive_in: DriveIn) -> None:
    vehicle = drive_in(engine_unit())
    for _ in range(2):
        with connect(f"virtual:{vehicle.channel}") as link:
            assert link.ask(b"\x03").answers
        link.bus.shutdown()
