"""A vehicle on a virtual bus: control units written from the standard over another's transport."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Self

import pytest

can = pytest.importorskip("can")
isotp = pytest.importorskip("isotp")

Respond = Callable[[bytes], bytes | None]


def bitmap(base: int, there: set[int]) -> bytes:
    """32 bits, the first for the identifier after `base` (SAE J1979)."""
    return sum(1 << 32 - (n - base) for n in there if base < n <= base + 32).to_bytes(4, "big")


@dataclass
class Unit:
    """A control unit and what it has stored."""

    answers_on: int
    stored: bytes = b"\x00"
    pending: bytes = b"\x00"
    permanent: bytes | None = b"\x00"
    now: dict[int, bytes] = field(default_factory=dict)
    frame: dict[int, bytes] = field(default_factory=dict)
    counters: dict[int, tuple[int, int]] = field(default_factory=dict)
    number: bytes = b""
    asked: list[bytes] = field(default_factory=list)
    is_silent: bool = False
    erases: bytes | None = b"\x44"

    def respond(self, request: bytes) -> bytes | None:
        """Answer as the standard has it."""
        if self.is_silent:
            return None
        self.asked.append(request)
        service, rest = request[0], request[1:]
        if service == 4:
            return self._erase()
        known = {1: self._now, 2: self._frame, 6: self._monitor, 9: self._vehicle}
        listed = {3: self.stored, 7: self.pending, 10: self.permanent}.get(service)
        body = known[service](rest) if service in known else listed
        refusal = bytes([0x7F, service, 0x12])
        return refusal if body is None else bytes([service + 0x40]) + rest[:2] + body

    def _erase(self) -> bytes | None:
        if self.erases != b"\x44":
            return self.erases
        self.stored = self.pending = b"\0"
        self.frame = {}
        self.counters = dict.fromkeys(self.counters, (0, 0))
        return b"\x44"

    def _now(self, rest: bytes) -> bytes | None:
        if rest[0] % 0x20 == 0:
            return bitmap(rest[0], {*self.now, 0x20, 0x40})
        return self.now.get(rest[0])

    def _frame(self, rest: bytes) -> bytes:
        return self.frame.get(rest[0], b"\0\0") if rest[0] else bitmap(0, {*self.frame})

    def _monitor(self, rest: bytes) -> bytes | None:
        cylinder = rest[0] - 0xA1
        if cylinder == -1:
            return bitmap(0xA0, {0xA1 + c for c in self.counters})
        if cylinder not in self.counters:
            return None
        average, count = (value.to_bytes(2, "big") for value in self.counters[cylinder])
        limits = b"\0\0\xff\xff"
        return b"\x0b\x24" + average + limits + rest + b"\x0c\x24" + count + limits

    def _vehicle(self, rest: bytes) -> bytes | None:
        return b"\x01" + self.number if rest[0] == 2 and self.number else None


class Driver:
    """Drives in the background: step by step, what the unit states changes.

    Parameters
    ----------
    unit : Unit
        Of the engine.
    steps : iterable of (float, dict of int to bytes, dict of int to int)
        Seconds to wait, what is stated from then on, and misfires that each cylinder adds.
    """

    def __init__(
        self, unit: Unit, steps: Iterable[tuple[float, dict[int, bytes], dict[int, int]]]
    ) -> None:
        self._unit, self._steps = unit, steps
        self._thread = threading.Thread(target=self._drive, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join()

    def _drive(self) -> None:
        for seconds, stated, misfires in self._steps:
            time.sleep(seconds)
            self._unit.now |= stated
            for cylinder, more in misfires.items():
                average, count = self._unit.counters[cylinder]
                self._unit.counters[cylinder] = average, count + more


class Vehicle:
    """Units that answer on a bus of their own until the test is over."""

    def __init__(self, *units: Unit, is_extended: bool = False) -> None:
        self.channel = uuid.uuid4().hex
        self.units = units
        self._bus = can.Bus(interface="virtual", channel=self.channel)
        self._notifier = can.Notifier(self._bus, [], timeout=0.01)
        self._stacks = [
            (unit, self._stack(unit, asks, is_extended), asks)
            for unit in units
            for asks in self._asked_on(unit, is_extended)
        ]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @staticmethod
    def _asked_on(unit: Unit, is_extended: bool) -> tuple[int, int]:
        if is_extended:
            return 0x18DB33F1, 0x18DA00F1 | (unit.answers_on & 0xFF) << 8
        return 0x7DF, unit.answers_on - 8

    def _stack(self, unit: Unit, asks: int, is_extended: bool) -> isotp.NotifierBasedCanStack:
        mode = (
            isotp.AddressingMode.Normal_29bits
            if is_extended
            else isotp.AddressingMode.Normal_11bits
        )
        address = isotp.Address(mode, txid=unit.answers_on, rxid=asks)
        stack = isotp.NotifierBasedCanStack(
            self._bus,
            self._notifier,
            address=address,
            params={"tx_padding": 0, "blocking_send": False},
        )
        stack.start()
        return stack

    def _serve(self) -> None:
        physical = {
            unit.answers_on: stack
            for unit, stack, asks in self._stacks
            if asks not in (0x7DF, 0x18DB33F1)
        }
        while not self._stop.wait(0.001):
            for unit, stack, asks in self._stacks:
                request = stack.recv()
                if not request:
                    continue
                answer = unit.respond(bytes(request))
                is_general = asks in (0x7DF, 0x18DB33F1)
                if answer is None or (is_general and answer[0] == 0x7F and answer[2] != 0x22):
                    continue
                # Flow control comes to the unit's own number, so its own transport sends.
                physical[unit.answers_on].send(answer)

    def close(self) -> None:
        """Take the vehicle off the bus."""
        self._stop.set()
        self._thread.join()
        for _, stack, _ in self._stacks:
            stack.stop()
        self._notifier.stop()
        self._bus.shutdown()


ENGINE_NUMBER = b"0" * 17


def engine_unit(answers_on: int = 0x7E8) -> Unit:
    """Unit of a four that misfires on cylinder 3."""
    return Unit(
        answers_on,
        stored=bytes.fromhex("02 0300 0303"),
        pending=bytes.fromhex("01 0303"),
        permanent=b"\0",
        now={
            0x01: bytes.fromhex("82 07 E5 00"),
            0x04: b"\x30",
            0x05: b"\x7b",
            0x0C: bytes.fromhex("0BB8"),
            0x0D: b"\x00",
            0x31: bytes.fromhex("0040"),
        },
        frame={
            0x02: bytes.fromhex("0303"),
            0x04: b"\xcc",
            0x05: b"\x7b",
            0x0C: bytes.fromhex("1AF8"),
            0x0D: b"\x48",
        },
        counters={1: (0, 0), 2: (0, 1), 3: (5, 28), 4: (0, 0)},
        number=ENGINE_NUMBER,
    )


def gearbox_unit(answers_on: int = 0x7E9) -> Unit:
    """Unit that has stored nothing and knows few services."""
    return Unit(answers_on, permanent=None, now={0x01: bytes.fromhex("00 00 00 00")})
