"""Opens an adapter to the diagnostic socket, finds the vehicle's speed and addressing, and records.

Every adapter that python-can knows is named as there: ``socketcan:can0``.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from swapinfer.bus.link import ADDRESSINGS, Link
from swapinfer.bus.services import NOW
from swapinfer.errors import BusError, InputError, near_match

if TYPE_CHECKING:
    import can

SPEEDS = (500_000, 250_000)
"""Bits a second, the usual one first (ISO 15765-4)."""

WITHOUT_A_VEHICLE = {"virtual", "udp_multicast"}
"""Kinds of bus that join programs to each other."""

FORMATS = (".asc", ".csv", ".log", ".trc")
"""Recordings of a bus: read and written."""


def connect(name: str, keep: Callable[[can.Message], None] | None = None) -> Link:
    """Open an adapter, as in ``socketcan:can0``, and find out how a control unit answers there.

    At the wrong speed every frame disturbs the others on the bus, so at the first one that is not
    taken this speed is given up (ISO 15765-4).
    """
    interface, channel = _parse(name)
    problem = ""
    for speed in SPEEDS:
        for addressing in ADDRESSINGS:
            link = Link(_open(interface, channel, speed), addressing, keep)
            try:
                if link.ask(bytes([NOW, 0x00])).answers:
                    return link
            except BusError as error:
                link.bus.shutdown()
                problem = f" ({error})"
                break
            except BaseException:
                link.bus.shutdown()
                raise
            link.bus.shutdown()
    raise BusError(
        f"no control unit answers on {name}{problem}; "
        "is the ignition on, and the adapter in the diagnostic socket?"
    )


def list_adapters() -> list[str]:
    """Return the adapters that are there, as `connect` takes them."""
    import can

    # Each kind whose driver is not installed would say so, under a name of its own.
    logging.disable(logging.CRITICAL)
    try:
        found = can.detect_available_configs()
    finally:
        logging.disable(logging.NOTSET)
    return sorted(
        f"{one['interface']}:{one['channel']}"
        for one in found
        if one["interface"] not in WITHOUT_A_VEHICLE
    )


def _parse(name: str) -> tuple[str, str]:
    import can

    interface, _, channel = name.partition(":")
    known = sorted(can.VALID_INTERFACES)
    if interface not in known:
        raise InputError(f'no kind of adapter "{interface}"{near_match(interface, known)}')
    if not channel:
        raise InputError(f'"{name}" names no channel; as in socketcan:can0')
    return interface, channel


def _open(interface: str, channel: str, speed: int) -> can.BusABC:
    import can

    try:
        return can.Bus(interface=interface, channel=channel, bitrate=speed)
    except (can.CanError, OSError, ValueError, ImportError, NotImplementedError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise BusError(f"the adapter {interface}:{channel} cannot be opened: {reason}") from error


@contextmanager
def recording(path: Path, so_far: Iterable[can.Message]) -> Iterator[Callable[[can.Message], None]]:
    """Write a recording: what there is so far, then frame by frame by what is given."""
    import can

    check_form(path)
    try:
        with can.Logger(path) as writer:
            for frame in so_far:
                writer.on_message_received(frame)
            yield writer.on_message_received
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from error


def read_frames(path: Path) -> Iterator[can.Message]:
    """Read the frames of a recording."""
    import can

    check_form(path)
    try:
        with can.LogReader(path) as reader:
            yield from reader
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, IndexError, KeyError, EOFError, AssertionError) as error:
        raise InputError(f"{path} is no recording of a bus in the form {path.suffix}") from error


def check_form(path: Path) -> None:
    """Refuse a file whose ending does not say how a bus is recorded in it."""
    if path.suffix.lower() not in FORMATS:
        raise InputError(
            f'"{path.name}" does not say what form it has; accepted endings: {", ".join(FORMATS)}'
        )
