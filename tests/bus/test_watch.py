"""Drives that are followed over the bus: what counters gained, how it was driven, how it ended."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.bus import watch as watching
from swapinfer.bus.adapter import connect
from swapinfer.bus.link import Answer
from swapinfer.bus.scan import scan
from swapinfer.bus.watch import Course, watch
from tests.bus.vehicle import Driver, Vehicle, engine_unit, gearbox_unit

pytest.importorskip("can")

DriveIn = Callable[..., Vehicle]
RUNNING, STANDING = {0x0C: bytes.fromhex("1AF8")}, {0x0C: b"\0\0"}


@pytest.fixture(autouse=True)
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rounds follow each other at once, and nobody is patient."""
    for name, seconds in (("EVERY", 0.02), ("SILENT", 0.5), ("STOPPED", 0.5), ("NOT_STARTED", 1.0)):
        monkeypatch.setattr(watching, name, seconds)


def stated(identifier: int, value: int, size: int = 1) -> Answer:
    return Answer(0x7E8, bytes([0x41, identifier]) + value.to_bytes(size))


def counted(cylinder: int, count: int) -> Answer:
    record = bytes([0xA1 + cylinder, 0x0C, 0x24]) + count.to_bytes(2) + b"\0\0\xff\xff"
    return Answer(0x7E8, b"\x46" + record)


def drive_seen(*minutes: tuple[int, int, int]) -> Course:
    """A drive of which speed, load (both raw) and coolant are told every ten seconds."""
    course, at = Course(), 0.0
    for speed, load, coolant in minutes:
        for _ in range(6):
            for identifier, value in ((0x0D, speed), (0x04, load), (0x05, coolant + 40)):
                course.take(at, stated(identifier, value))
            course.take(at, stated(0x0C, 4 * 1500, size=2))
            at += 10.0
    return course


def test_time_passes_while_the_engine_runs() -> None:
    course = Course()
    for at, speed in ((0, 0), (10, 800), (20, 800), (30, 0), (40, 800), (50, 800), (200, 800)):
        course.take(float(at), stated(0x0C, 4 * speed, size=2))
    assert course.minutes == pytest.approx(20 / 60), "neither standing nor an unseen while counts"


def test_shares_of_a_drive_are_those_of_its_time() -> None:
    course = drive_seen((0, 50, 20), (60, 230, 60), (60, 50, 80), (0, 50, 85))
    assert course.minutes == pytest.approx(23 * 10 / 60)
    assert course.share({"speed": (0, 0)}) == pytest.approx(11 / 23)
    assert course.share({"load": (70, 100)}) == pytest.approx(6 / 23)
    assert course.share({"speed": (0, 0), "coolant": (70, 103)}) == pytest.approx(6 / 23)
    assert course.share({"throttle": (0, 100)}) == 0, "what nobody stated was not seen"


@given(st.lists(st.tuples(st.integers(0, 500), st.booleans()), min_size=1, max_size=30))
def test_counters_give_what_they_gained_whatever_they_stood_at(
    steps: list[tuple[int, bool]],
) -> None:
    """A counter that falls has begun anew; one that begins anew and is higher cannot be told."""
    course, shown, wanted = Course(), 7, 0
    course.take(0.0, counted(3, shown))
    for more, is_new in steps:
        if is_new and more < shown:
            shown, wanted = more, wanted + more
        else:
            shown, wanted = shown + more, wanted + more
        course.take(0.0, counted(3, shown))
    assert course.counts == {3: wanted}


@given(st.binary(max_size=12))
def test_noise_does_not_end_a_watch(noise: bytes) -> None:
    course = Course()
    course.take(1.0, Answer(0x7E8, noise or b"\x7f"))
    assert not course.ending


def followed(vehicle: Vehicle, minutes: float = math.inf) -> Course:
    """Scan a vehicle, then follow it to its end."""
    course = Course()
    with connect(f"virtual:{vehicle.channel}") as link:
        units = scan(link).units
        for _ in watch(link, course, units, minutes):
            pass
    return course


def test_an_engine_that_is_stopped_ends_a_drive(drive_in: DriveIn) -> None:
    engine = engine_unit()
    vehicle = drive_in(engine, gearbox_unit())
    steps = [(1.0, RUNNING, {}), (0.5, {}, {3: 9}), (0.5, {}, {2: 1, 3: 2}), (0.5, STANDING, {})]
    with Driver(engine, steps):
        course = followed(vehicle)
    assert course.ending == "the engine stands"
    assert course.counts == {1: 0, 2: 1, 3: 11, 4: 0}
    assert 0 < course.minutes < 0.1


def test_a_bus_that_falls_silent_loses_nothing_that_was_seen(drive_in: DriveIn) -> None:
    engine = engine_unit()
    engine.now |= RUNNING
    vehicle = drive_in(engine)

    def steps() -> Iterator[tuple[float, dict[int, bytes], dict[int, int]]]:
        yield 1.5, {}, {3: 9}
        yield 0.7, {}, {}
        engine.is_silent = True

    with Driver(engine, steps()):
        course = followed(vehicle)
    assert course.ending == "the bus fell silent"
    assert course.counts == {1: 0, 2: 0, 3: 9, 4: 0}
    assert course.minutes > 0


def test_minutes_end_a_drive_and_an_engine_that_never_runs_ends_the_wait(drive_in: DriveIn) -> None:
    engine = engine_unit()
    vehicle = drive_in(engine)
    assert followed(vehicle, minutes=0.02).ending == "0.02 minutes are over"
    engine.now |= STANDING
    course = followed(vehicle)
    assert (course.ending, course.minutes) == ("the engine stands", 0)
