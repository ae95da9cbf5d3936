"""Asks control units over CAN, and puts together what they answer, within one clock."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Self

from msgspec import Struct

from swapinfer.bus.services import ANSWER, REFUSED, WAIT
from swapinfer.errors import BusError

if TYPE_CHECKING:
    import can

FIRST_WAIT = 0.25
"""Seconds until a first answer: ISO 15765-4 allows 0.05 (from memory), adapters add theirs."""

NEXT_WAIT = 1.0
"""Seconds between two frames of one message (ISO 15765-2, from memory)."""

MOST_WAIT = 6.0
"""Seconds for a whole answer, however often a unit says that it is still to come."""


NO_ANSWER, BROKE_OFF = "no answer", "an answer that broke off"
ONLY_WAITS = "nothing but requests to wait"
"""What can be wrong with an answer, beside what `Assembler` finds."""


FRAME_BYTES = 8
"""Diagnostic frames on classical CAN are always this long, padded (ISO 15765-4)."""

SINGLE, FIRST, CONSECUTIVE = 0, 1, 2
"""Kinds of frame, in the upper half of the first byte; 3 is flow control, sent by the asker."""

GO_ON = bytes([0x30, 0, 0]).ljust(FRAME_BYTES, b"\0")
"""Flow control: send all that is left, without a pause."""

_SINGLE_MOST, _NEXT_HAS = 7, 7


def single_frame(request: bytes) -> bytes:
    """Wrap a request of up to seven bytes in one padded frame."""
    if not 0 < len(request) <= _SINGLE_MOST:
        raise ValueError(f"a single frame holds 1 to {_SINGLE_MOST} bytes, got {len(request)}")
    return bytes([len(request), *request]).ljust(FRAME_BYTES, b"\0")


def starts_message(frame: bytes) -> bool:
    """Whether a frame is the first of several, which the asker answers with `GO_ON`."""
    return frame[0] >> 4 == FIRST


def begins(frame: bytes) -> bool:
    """Whether a frame is the first of a message, or all of it."""
    return bool(frame) and frame[0] >> 4 in (SINGLE, FIRST)


class Assembler:
    """Puts together messages of one control unit that are longer than a frame (ISO 15765-2).

    What asks never sends more than a single frame, so only the receiving half is needed; it serves
    a live bus and a recorded one alike.
    """

    def __init__(self) -> None:
        self._wanted, self._number, self._held = 0, 0, b""

    @property
    def is_begun(self) -> bool:
        """Whether a message has begun whose last frame has not come."""
        return self._wanted > 0

    def feed(self, frame: bytes) -> bytes | None:
        """Take the next frame; return the message that it completes, if it does.

        One that does not continue what has begun, or is shorter than it says, is refused, and what
        was held is dropped: the next message is taken from its start.
        """
        if not frame:
            raise self._drop("an empty frame")
        kind, low = frame[0] >> 4, frame[0] & 0x0F
        if kind == SINGLE:
            self._wanted = 0
            if not 0 < low < len(frame):
                raise self._drop(f"a frame that says it holds {low} bytes, and does not")
            return frame[1 : 1 + low]
        if kind == FIRST:
            if len(frame) < FRAME_BYTES:
                raise self._drop("a first frame that is cut off")
            wanted = low << 8 | frame[1]
            if wanted <= _SINGLE_MOST:
                raise self._drop(f"a first frame of a message of {wanted} bytes")
            self._wanted, self._number, self._held = wanted, 1, frame[2:FRAME_BYTES]
            return None
        if kind == CONSECUTIVE:
            return self._continue(low, frame)
        return None

    def _continue(self, number: int, frame: bytes) -> bytes | None:
        if not self.is_begun:
            raise self._drop("the middle of a message that never began")
        if number != self._number:
            raise self._drop(f"frame {number} where frame {self._number} was due")
        missing = self._wanted - len(self._held)
        part = frame[1 : 1 + min(missing, _NEXT_HAS)]
        if len(part) < min(missing, _NEXT_HAS):
            raise self._drop("a frame that is cut off")
        self._held += part
        self._number = (number + 1) % 16
        if len(self._held) < self._wanted:
            return None
        self._wanted = 0
        return self._held

    def _drop(self, what: str) -> BusError:
        self._wanted, self._held = 0, b""
        return BusError(what)


class Addressing(Struct, frozen=True):
    """Which identifiers ask, and which answer (ISO 15765-4)."""

    is_extended: bool  # 29 bits instead of 11
    everybody: int  # asks all units
    answers: range

    def asks(self, unit: int) -> int:
        """Return the identifier that asks the unit which answers with `unit`."""
        if not self.is_extended:
            return unit - 8
        return 0x18DA00F1 | (unit & 0xFF) << 8


SHORT = Addressing(is_extended=False, everybody=0x7DF, answers=range(0x7E8, 0x7F0))
LONG = Addressing(is_extended=True, everybody=0x18DB33F1, answers=range(0x18DAF100, 0x18DAF200))
ADDRESSINGS = (SHORT, LONG)


class Answer(Struct, frozen=True):
    """One message of one unit: service and what follows it."""

    unit: int  # identifier that it answers with
    message: bytes


class Trouble(Struct, frozen=True):
    """An answer that did not come whole: what is wrong, in words."""

    unit: int
    what: str


class Heard(Struct, frozen=True):
    """What came back on one request."""

    answers: tuple[Answer, ...]
    troubles: tuple[Trouble, ...]


class Link:
    """An open bus, shut down when the link ends, with the addressing in use.

    `keep` is told every diagnostic frame, sent or received.
    """

    def __init__(
        self,
        bus: can.BusABC,
        addressing: Addressing = SHORT,
        keep: Callable[[can.Message], None] | None = None,
    ) -> None:
        self.bus, self.addressing, self.keep = bus, addressing, keep

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.bus.shutdown()

    def ask(self, request: bytes, unit: int | None = None) -> Heard:
        """Ask one unit, or all, and once more when an answer broke off."""
        heard = self._exchange(request, unit)
        is_broken = any(trouble.what != ONLY_WAITS for trouble in heard.troubles)
        return self._exchange(request, unit) if is_broken else heard

    def _exchange(self, request: bytes, unit: int | None) -> Heard:
        self._drain()
        to = self.addressing.everybody if unit is None else self.addressing.asks(unit)
        self._put(to, single_frame(request))
        talk = _Talk(request, unit)
        while not talk.is_over and (message := self._receive(talk.until)):
            if talk.hear(message):
                self._put(self.addressing.asks(message.arbitration_id), GO_ON)
        return talk.heard()

    def _put(self, identifier: int, data: bytes) -> None:
        import can

        message = can.Message(
            arbitration_id=identifier,
            is_extended_id=self.addressing.is_extended,
            data=data,
            timestamp=time.time(),
            is_rx=False,
        )
        try:
            self.bus.send(message, timeout=FIRST_WAIT)
        except (can.CanError, OSError, ValueError) as error:
            raise BusError(f"nothing can be sent on the bus: {error}") from error
        self._tell(message)

    def _drain(self) -> None:
        """Pass over what came before the question: it does not answer it."""
        end = time.monotonic() + FIRST_WAIT
        while time.monotonic() < end and self._take(0.0):
            pass

    def _receive(self, until: float) -> can.Message | None:
        """Wait for the next frame of any unit's answer."""
        while (left := until - time.monotonic()) > 0.0:
            message = self._take(left)
            if message is None:
                return None
            if is_answer(message, self.addressing):
                self._tell(message)
                return message
        return None

    def _take(self, seconds: float) -> can.Message | None:
        import can

        try:
            return self.bus.recv(seconds)
        except (can.CanError, OSError, ValueError) as error:
            raise BusError(f"the bus cannot be read: {error}") from error

    def _tell(self, message: can.Message) -> None:
        if self.keep is not None:
            self.keep(message)


class _Talk:
    """What comes back on one request, until all have answered or time is up."""

    def __init__(self, request: bytes, unit: int | None) -> None:
        self.request, self.unit = request, unit
        start = time.monotonic()
        self.end, self._until = start + MOST_WAIT, start + FIRST_WAIT
        self.is_over = False
        self._answers: list[Answer] = []
        self._troubles: list[Trouble] = []
        self._assemblers: dict[int, Assembler] = {}
        self._waiting: set[int] = set()

    @property
    def until(self) -> float:
        """Time until which the next frame may come."""
        return min(self._until, self.end)

    def hear(self, message: can.Message) -> bool:
        """Take a frame; say whether its unit wants to be told to go on."""
        source = message.arbitration_id
        if self.unit not in (None, source):
            return False
        assembler = self._assemblers.setdefault(source, Assembler())
        frame = bytes(message.data)
        try:
            whole = assembler.feed(frame)
        except BusError as error:
            self._troubles.append(Trouble(source, str(error)))
            return False
        if assembler.is_begun:
            self._until = time.monotonic() + NEXT_WAIT
        elif whole is not None:
            self._take(Answer(source, whole))
        return starts_message(frame)

    def _take(self, answer: Answer) -> None:
        if _is_wait(answer.message, self.request[0]):
            self._waiting.add(answer.unit)
            self._until = self.end
        elif _answers(answer.message, self.request):
            self._waiting.discard(answer.unit)
            self._answers.append(answer)
            self.is_over = self.unit is not None
            if not self._waiting and not any(a.is_begun for a in self._assemblers.values()):
                self._until = time.monotonic() + FIRST_WAIT

    def heard(self) -> Heard:
        """Return what came back."""
        broken = [unit for unit, one in self._assemblers.items() if one.is_begun]
        troubles = [
            *self._troubles,
            *(Trouble(unit, BROKE_OFF) for unit in broken),
            *(Trouble(unit, ONLY_WAITS) for unit in sorted(self._waiting)),
        ]
        if self.unit is not None and not self._answers and not troubles:
            troubles = [Trouble(self.unit, NO_ANSWER)]
        return Heard(tuple(dict.fromkeys(self._answers)), tuple(dict.fromkeys(troubles)))


def is_answer(message: can.Message, addressing: Addressing) -> bool:
    """Whether a frame is of a unit that answers what is asked over the standard identifiers."""
    is_data = not (message.is_error_frame or message.is_remote_frame)
    is_same = message.is_extended_id == addressing.is_extended
    return is_data and is_same and message.arbitration_id in addressing.answers


def _is_wait(message: bytes, service: int) -> bool:
    return message[:2] == bytes([REFUSED, service]) and message[2:3] == bytes([WAIT])


def _answers(message: bytes, request: bytes) -> bool:
    """Whether a message answers this request, and not one that was asked before."""
    if message[0] == REFUSED:
        return message[1:2] == request[:1]
    echoed = request[1:2]
    return message[0] == request[0] + ANSWER and message[1 : 1 + len(echoed)] == echoed


def replay(messages: Iterable[can.Message]) -> Iterator[tuple[float, Answer | Trouble]]:
    """Put together what units answered in a recording, whoever asked, with its time in seconds."""
    at = 0.0
    assemblers: dict[int, Assembler] = {}
    for message in messages:
        if not any(is_answer(message, addressing) for addressing in ADDRESSINGS):
            continue
        source, at, frame = message.arbitration_id, message.timestamp, bytes(message.data)
        assembler = assemblers.setdefault(source, Assembler())
        if assembler.is_begun and begins(frame):
            yield at, Trouble(source, BROKE_OFF)
        try:
            whole = assembler.feed(frame)
        except BusError as error:
            yield at, Trouble(source, str(error))
            continue
        if whole is not None and not (whole[0] == REFUSED and whole[2:3] == bytes([WAIT])):
            yield at, Answer(source, whole)
    for source, assembler in assemblers.items():
        if assembler.is_begun:
            yield at, Trouble(source, BROKE_OFF)
