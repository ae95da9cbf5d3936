"""What the standard services ask and answer (SAE J1979, ISO 15031-5), as bytes and as values.

Every answer is taken by itself: `read_answer` says what one message of one unit states.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from msgspec import Struct

from swapinfer.errors import BusError

NOW, FRAME, STORED, ERASE, MONITORS, PENDING, VEHICLE, PERMANENT = 1, 2, 3, 4, 6, 7, 9, 10
"""Services; on the bus the last is 0A."""

CODES = {STORED: "stored", PENDING: "pending", PERMANENT: "permanent"}
"""Services that list codes."""

ANSWER = 0x40
"""Added to a service in its answer."""

REFUSED, WAIT = 0x7F, 0x78
"""First byte of a refusal; its reason that means: wait, the answer will come."""

REASONS = {
    0x10: "general reject", 0x11: "service not supported", 0x12: "not supported",
    0x13: "wrong length or format", 0x21: "busy", 0x22: "conditions not right",
    0x31: "out of range", 0x33: "access denied", WAIT: "wait",
}  # fmt: skip
"""Reasons of a refusal (ISO 14229-1, from memory)."""

NOT_THERE = {0x11, 0x12, 0x31}
"""Those of a unit that does not have what is asked; the others may pass."""

STATUS, FRAME_CODE = 0x01, 0x02
VEHICLE_NUMBER = 0x02
SUPPORTED = range(0x00, 0x100, 0x20)
"""Identifiers that list which of the next 32 there are."""

MISFIRE_FIRST, MISFIRE_LAST = 0xA2, 0xAD
"""Monitors of the misfires of cylinders 1 to 12."""

AVERAGE, COUNT = 0x0B, 0x0C
"""Their tests: mean of ten driving cycles; count of this driving cycle or the last."""

COUNTS_SCALE = 0x24
"""Unit and scaling of a count, one a bit."""

_LETTERS = "PCBU"
_RECORD = 9
_NUMBER_LENGTH = 17


class Quantity(Struct, frozen=True):
    """What an identifier of services 01 and 02 stands for."""

    name: str
    unit: str  # empty for a bare number
    size: int  # bytes
    value: Callable[[int], float]  # of the bytes as one number


def _percent(n: int) -> float:
    return n * 100 / 255


def _trim(n: int) -> float:
    return (n - 128) * 100 / 128


QUANTITIES = {
    0x04: Quantity("load", "%", 1, _percent),
    0x05: Quantity("coolant", "degC", 1, lambda n: n - 40.0),
    0x06: Quantity("short-term trim, bank 1", "%", 1, _trim),
    0x07: Quantity("long-term trim, bank 1", "%", 1, _trim),
    0x08: Quantity("short-term trim, bank 2", "%", 1, _trim),
    0x09: Quantity("long-term trim, bank 2", "%", 1, _trim),
    0x0A: Quantity("fuel pressure", "kPa", 1, lambda n: n * 3.0),
    0x0B: Quantity("manifold pressure", "kPa", 1, float),
    0x0C: Quantity("engine speed", "rpm", 2, lambda n: n / 4),
    0x0D: Quantity("speed", "km/h", 1, float),
    0x0F: Quantity("intake air", "degC", 1, lambda n: n - 40.0),
    0x11: Quantity("throttle", "%", 1, _percent),
    0x1F: Quantity("since start", "s", 2, float),
    0x21: Quantity("driven with the lamp on", "km", 2, float),
    0x30: Quantity("warm-ups since codes were erased", "", 1, float),
    0x31: Quantity("driven since codes were erased", "km", 2, float),
    0x33: Quantity("barometer", "kPa", 1, float),
    0x42: Quantity("supply of the unit", "V", 2, lambda n: n / 1000),
    0x46: Quantity("outside air", "degC", 1, lambda n: n - 40.0),
}
"""Identifiers that bear on a misfire, with the standard's scaling: from memory of SAE J1979, and
held by the tests to a second implementation."""


class Supported(Struct, frozen=True):
    """Which identifiers a service has, of a block of 32."""

    service: int
    base: int
    there: frozenset[int]


class Codes(Struct, frozen=True):
    """Codes that a unit lists under one of the services `CODES`."""

    service: int
    codes: tuple[str, ...]


class Status(Struct, frozen=True):
    """Lamp, number of stored codes, and whether the misfire monitor is there and has run."""

    lamp: bool
    count: int
    has_misfire_monitor: bool
    has_run: bool


class Value(Struct, frozen=True):
    """A quantity now, or in the freeze frame."""

    service: int
    identifier: int
    value: float


class FrameCode(Struct, frozen=True):
    """Code that stored the freeze frame; empty when there is no frame."""

    code: str


class Misfires(Struct, frozen=True):
    """What the misfire monitor of one cylinder states; None where it does not."""

    cylinder: int
    count: int | None
    average: int | None


class Number(Struct, frozen=True):
    """The vehicle's identification number."""

    number: str


class Emptied(Struct, frozen=True):
    """A unit has erased what it had stored."""


class Refusal(Struct, frozen=True):
    """A unit refuses a service."""

    service: int
    reason: int

    def __str__(self) -> str:
        return REASONS.get(self.reason, f"reason {self.reason:02X}")


Stated = (
    Supported | Codes | Status | Value | FrameCode | Misfires | Number | Emptied | Refusal
)  # fmt: skip


def code_text(high: int, low: int) -> str:
    """Write a code of two bytes: ``01 43`` is P0143 (ISO 15031-6)."""
    return f"{_LETTERS[high >> 6]}{high >> 4 & 3}{high & 0x0F:X}{low:02X}"


def read_answer(message: bytes) -> list[Stated]:
    """Say what one message of a unit states that bears on a misfire.

    The message is without transport: service and what follows it. One that is shorter or longer
    than what it states takes is refused.
    """
    if not message:
        raise BusError("an empty answer")
    if message[0] == REFUSED:
        if len(message) < 3:
            raise BusError("a refusal that is cut off")
        return [Refusal(message[1], message[2])]
    service, body = message[0] - ANSWER, message[1:]
    if service in CODES:
        return [_codes(service, body)]
    if service in (NOW, FRAME):
        return list(_values(service, body))
    if service == MONITORS:
        return list(_monitors(body))
    if service == VEHICLE:
        return list(_vehicle(body))
    return [Emptied()] if service == ERASE else []


def _codes(service: int, body: bytes) -> Codes:
    if not body or len(body) < 1 + 2 * body[0]:
        raise BusError(f"a list of {CODES[service]} codes that is cut off")
    pairs = [body[at : at + 2] for at in range(1, 1 + 2 * body[0], 2)]
    return Codes(service, tuple(code_text(*pair) for pair in pairs if any(pair)))


def _values(service: int, body: bytes) -> Iterator[Stated]:
    """One answer may carry several identifiers, each followed by its value."""
    at, head = 0, 1 if service == NOW else 2
    while at < len(body):
        identifier, start = body[at], at + head
        if identifier in SUPPORTED or (service == NOW and identifier == STATUS):
            size = 4
        elif service == FRAME and identifier == FRAME_CODE:
            size = 2
        elif identifier in QUANTITIES:
            size = QUANTITIES[identifier].size
        else:
            return
        value = body[start : start + size]
        if len(value) < size:
            raise BusError(f"a value ({service:02X} {identifier:02X}) that is cut off")
        yield _value(service, identifier, value)
        at = start + size


def _value(service: int, identifier: int, value: bytes) -> Stated:
    if identifier in SUPPORTED:
        return Supported(service, identifier, _bits(identifier, value))
    if service == NOW and identifier == STATUS:
        return Status(
            bool(value[0] & 0x80), value[0] & 0x7F, bool(value[1] & 0x01), not value[1] & 0x10
        )
    if service == FRAME and identifier == FRAME_CODE:
        return FrameCode(code_text(*value) if any(value) else "")
    return Value(service, identifier, QUANTITIES[identifier].value(int.from_bytes(value)))


def _bits(base: int, value: bytes) -> frozenset[int]:
    number = int.from_bytes(value)
    return frozenset(base + n for n in range(1, 33) if number >> (32 - n) & 1)


def _monitors(body: bytes) -> Iterator[Stated]:
    if body and body[0] in SUPPORTED and len(body) == 5:
        yield Supported(MONITORS, body[0], _bits(body[0], body[1:]))
        return
    if not body or len(body) % _RECORD:
        raise BusError("a monitor's results that are cut off")
    found: dict[int, dict[int, int]] = {}
    for at in range(0, len(body), _RECORD):
        monitor, test, scale = body[at : at + 3]
        if MISFIRE_FIRST <= monitor <= MISFIRE_LAST and scale == COUNTS_SCALE:
            found.setdefault(monitor, {})[test] = int.from_bytes(body[at + 3 : at + 5])
    for monitor, tests in found.items():
        yield Misfires(monitor - MISFIRE_FIRST + 1, tests.get(COUNT), tests.get(AVERAGE))


def _vehicle(body: bytes) -> Iterator[Stated]:
    if not body:
        raise BusError("an answer about the vehicle that is cut off")
    if body[0] in SUPPORTED and len(body) == 5:
        yield Supported(VEHICLE, body[0], _bits(body[0], body[1:]))
    elif body[0] == VEHICLE_NUMBER:
        number = body[2:].lstrip(b"\0")
        if len(number) != _NUMBER_LENGTH or not number.isalnum():
            raise BusError("a vehicle number that is cut off")
        yield Number(number.decode("ascii"))
