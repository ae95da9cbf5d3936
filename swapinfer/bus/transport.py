"""Messages longer than a frame, put together from frames as they arrive (ISO 15765-2).

What asks never sends more than a single frame, so only the receiving half is needed; it serves a
live bus and a recorded one alike.
"""

from __future__ import annotations

from swapinfer.errors import BusError

FRAME_BYTES = 8
"""Diagnostic frames on classical CAN are always this long, padded (ISO 15765-4)."""

SINGLE, FIRST, CONSECUTIVE = 0, 1, 2
"""Kinds of frame, in the upper half of the first byte; 3 is flow control, sent by the asker."""

GO_ON = bytes([0x30, 0, 0]).ljust(FRAME_BYTES, b"\0")
"""Flow control: send all that is left, without a pause."""

_SINGLE_MOST, _NEXT_HAS = 7, 7


def single_frame(request: bytes) -> bytes:
    """Wrap a request of up to seven bytes in one padded frame.

    Parameters
    ----------
    request : bytes
        Service and what it asks for.

    Returns
    -------
    bytes
        Eight of them.
    """
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
    """Puts the messages of one control unit together."""

    def __init__(self) -> None:
        self._wanted, self._number, self._held = 0, 0, b""

    @property
    def is_begun(self) -> bool:
        """Whether a message has begun whose last frame has not come."""
        return self._wanted > 0

    def feed(self, frame: bytes) -> bytes | None:
        """Take the next frame.

        Parameters
        ----------
        frame : bytes
            Data of a CAN frame.

        Returns
        -------
        bytes or None
            The message that it completes; None while one goes on, or for a flow control.

        Raises
        ------
        BusError
            If the frame does not continue what has begun, or is shorter than it says. What was
            held is dropped: the next message is taken from its start.
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
