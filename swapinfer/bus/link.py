"""Asks control units over CAN and waits for what they answer, within one clock."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Self

from msgspec import Struct

from swapinfer.bus.services import ANSWER, REFUSED, WAIT
from swapinfer.bus.transport import GO_ON, Assembler, begins, single_frame, starts_message
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


class Addressing(Struct, frozen=True):
    """Which identifiers ask, and which answer (ISO 15765-4).

    Attributes
    ----------
    name : str
        ``11 bit`` or ``29 bit``.
    is_extended : bool
        Whether identifiers have 29 bits.
    everybody : int
        Asks all units.
    answers : range
        Identifiers that answer.
    """

    name: str
    is_extended: bool
    everybody: int
    answers: range

    def asks(self, unit: int) -> int:
        """Return the identifier that asks the unit which answers with `unit`."""
        if not self.is_extended:
            return unit - 8
        return 0x18DA00F1 | (unit & 0xFF) << 8


SHORT = Addressing("11 bit", is_extended=False, everybody=0x7DF, answers=range(0x7E8, 0x7F0))
LONG = Addressing(
    "29 bit", is_extended=True, everybody=0x18DB33F1, answers=range(0x18DAF100, 0x18DAF200)
)
ADDRESSINGS = (SHORT, LONG)


class Answer(Struct, frozen=True):
    """One message of one unit.

    Attributes
    ----------
    unit : int
        Identifier that it answers with.
    message : bytes
        Service and what follows it.
    """

    unit: int
    message: bytes


class Trouble(Struct, frozen=True):
    """An answer that did not come whole.

    Attributes
    ----------
    unit : int
        Identifier that it answers with.
    what : str
        In words.
    """

    unit: int
    what: str


class Heard(Struct, frozen=True):
    """What came back on one request."""

    answers: tuple[Answer, ...]
    troubles: tuple[Trouble, ...]


class Link:
    """An open bus with the addressing in use.

    Parameters
    ----------
    bus : can.BusABC
        Open; shut down when the link ends.
    addressing : Addressing
        In use.
    keep : callable, optional
        Told every diagnostic frame, sent or received.
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
        """Ask one unit, or all, and once more when an answer broke off.

        Parameters
        ----------
        request : bytes
            Service and what it asks for.
        unit : int, optional
            Identifier that the unit answers with; everybody by default.

        Returns
        -------
        Heard

        Raises
        ------
        BusError
            If nothing can be sent.
        """
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
    """Put together what units answered in a recording, whoever asked, with its time in seconds.

    Parameters
    ----------
    messages : iterable of can.Message
        In the order in which they were recorded.
    """
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
