"""Follows a drive over the bus: what the misfire counters gained, and how the vehicle was driven.

A counter of this driving cycle begins anew at some start and may have counted before the watch
began, so only what it gains while it is watched is the drive's.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from msgspec import Struct

from swapinfer.bus import services as sv
from swapinfer.bus.link import NO_ANSWER, Answer, Link, replay
from swapinfer.bus.scan import UnitReading, ask_unit
from swapinfer.errors import BusError

if TYPE_CHECKING:
    import can

ENGINE_SPEED = 0x0C
WATCHED = (0x04, 0x05, 0x0D, ENGINE_SPEED)
"""What is asked in every round; the engine speed, by which time passes, comes last."""

EVERY = 3.0
"""Seconds from round to round."""

SILENT = 10.0
"""Seconds after which a bus on which nobody answers has fallen silent."""

STOPPED = 60.0
"""Seconds after which an engine that stands was stopped by somebody, not by itself at a light."""

NOT_STARTED = 300.0
"""Seconds in which an engine should have been started."""

GAP = 60.0
"""Seconds without a word, after which nobody can say whether the engine ran in between."""


class Stretch(Struct, frozen=True):
    """A time in which the engine ran, and what was stated at its end."""

    seconds: float
    values: dict[str, float]


def is_between(values: Mapping[str, float], between: Mapping[str, tuple[float, float]]) -> bool:
    """Whether all quantities were stated and lie between their limits."""
    return all(low <= values.get(name, math.nan) <= high for name, (low, high) in between.items())


class Course:
    """A drive, as far as it has been seen."""

    def __init__(self) -> None:
        self.stretches: list[Stretch] = []
        self.values: dict[str, float] = {}  # as stated last
        self.ending = ""  # why it is over
        self.is_running = False
        self._at = -math.inf
        self._last: dict[tuple[str, int], int] = {}
        self._gained: dict[tuple[str, int], int] = {}

    @property
    def minutes(self) -> float:
        """Running time."""
        return sum(stretch.seconds for stretch in self.stretches) / 60

    @property
    def counts(self) -> dict[int, int]:
        """Misfires of each cylinder; where two units count one, the larger number."""
        found: dict[int, int] = {}
        for (_, cylinder), gained in sorted(self._gained.items()):
            found[cylinder] = max(gained, found.get(cylinder, 0))
        return dict(sorted(found.items()))

    def take(self, at: float, answer: Answer) -> None:
        """Take an answer that came at a time in seconds; one that is not whole is passed over."""
        try:
            stated = sv.read_answer(answer.message)
        except BusError:
            return
        for one in stated:
            if isinstance(one, sv.Value) and one.service == sv.NOW:
                self.values[sv.QUANTITIES[one.identifier].name] = one.value
                if one.identifier == ENGINE_SPEED:
                    self._go_on(at, is_running=one.value > 0)
            elif isinstance(one, sv.Misfires) and one.count is not None:
                self.count(f"{answer.unit:X}", {one.cylinder: one.count})

    def count(self, unit: str, counts: Mapping[int, int]) -> None:
        """Take what a unit's counters show; one that shows less than before has begun anew."""
        for cylinder, count in counts.items():
            key = unit, cylinder
            last = self._last.get(key, count)
            gained = count - last if count >= last else count
            self._gained[key] = self._gained.get(key, 0) + gained
            self._last[key] = count

    def share(self, between: Mapping[str, tuple[float, float]]) -> float:
        """Return the share of its time in which all quantities lay between their limits."""
        whole = sum(stretch.seconds for stretch in self.stretches)
        seen = sum(one.seconds for one in self.stretches if is_between(one.values, between))
        return seen / whole if whole else 0.0

    def _go_on(self, at: float, *, is_running: bool) -> None:
        seconds = at - self._at
        if self.is_running and is_running and 0 < seconds <= GAP:
            self.stretches.append(Stretch(seconds, dict(self.values)))
        self._at, self.is_running = at, is_running


def watch(
    link: Link, course: Course, units: Iterable[UnitReading], minutes: float = math.inf
) -> Iterator[None]:
    """Follow a drive, round by round, until it is over, at the latest after so much running.

    `units`, as scanned before, say who counts misfires, and what each can state.
    """
    asked = {int(unit.unit, 16): _requests(unit) for unit in units}
    heard_at = ran_at = time.monotonic()
    while not course.ending:
        begun = time.monotonic()
        if _is_heard(link, course, asked):
            heard_at = time.monotonic()
        yield
        now = time.monotonic()
        ran_at = now if course.is_running else ran_at
        if now - heard_at > SILENT:
            course.ending = "the bus fell silent"
        elif course.minutes >= minutes:
            course.ending = f"{minutes:g} minutes are over"
        elif now - ran_at > (STOPPED if course.stretches else NOT_STARTED):
            course.ending = "the engine stands"
        else:
            time.sleep(max(0.0, begun + EVERY - now))


def _requests(unit: UnitReading) -> list[bytes]:
    counters = [bytes([sv.MONITORS, sv.MISFIRE_FIRST + c - 1]) for c in unit.counts]
    stated = [n for n in WATCHED if sv.QUANTITIES[n].name in unit.values]
    return [*counters, *(bytes([sv.NOW, n]) for n in stated)]


def _is_heard(link: Link, course: Course, asked: Mapping[int, list[bytes]]) -> bool:
    """Ask all there is to ask once; a unit that says nothing is not asked on."""
    is_heard = False
    for unit, requests in asked.items():
        for request in requests:
            try:
                heard = ask_unit(link, request, unit)
            except BusError:
                return is_heard
            for answer in heard.answers:
                course.take(time.monotonic(), answer)
            if not heard.answers and all(t.what == NO_ANSWER for t in heard.troubles):
                break
            is_heard = True
    return is_heard


def watch_recording(messages: Iterable[can.Message]) -> Course:
    """Follow a drive in a recording to its end."""
    course = Course()
    for at, one in replay(messages):
        if isinstance(one, Answer):
            course.take(at, one)
    return course
