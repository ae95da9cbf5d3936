"""Reads all that control units have stored on a misfire, in one pass; nothing is changed or erased.

The same answers lead to the same reading, whether they were just asked for or recorded long ago.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from msgspec import Struct, field
from msgspec.structs import replace

from swapinfer.bus import services as sv
from swapinfer.bus.link import NO_ANSWER, Answer, Heard, Link, Trouble, replay
from swapinfer.errors import BusError

if TYPE_CHECKING:
    import can

FRAME_WANTED = (0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x11, 0x1F)
"""What is read of the freeze frame, where it is there."""

NOW_WANTED = (*FRAME_WANTED, 0x0F, 0x21, 0x30, 0x31, 0x33, 0x42, 0x46)
"""What is read as it stands, where it is there."""

GIVEN_UP = 4
"""Requests in a row without an answer, after which a unit is asked no further."""

ERASED = "somebody erased what was stored: what it states after that says little"
"""Told of a recording; a scan never erases."""


_UNITS = {quantity.name: quantity.unit for quantity in sv.QUANTITIES.values()}


def value_words(values: Mapping[str, float]) -> str:
    """Write quantities in a line, each with its unit."""
    said = (f"{name} {value:.0f} {_UNITS[name]}".rstrip() for name, value in values.items())
    return ", ".join(said)


class Frame(Struct, frozen=True):
    """What a unit kept of the moment in which it stored a code.

    Attributes
    ----------
    code : str
        That code.
    values : dict of str to float
        By the names of `services.QUANTITIES`.
    """

    code: str
    values: dict[str, float] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.code} ({value_words(self.values)})" if self.values else self.code


class UnitReading(Struct, frozen=True):
    """What one control unit states.

    Attributes
    ----------
    unit : str
        Identifier that it answers with, in hexadecimal: ``7E8``.
    lamp : bool or None
        Whether it asks for the lamp; None where it does not say.
    has_run : bool or None
        Whether its misfire monitor has run since codes were erased.
    stored, pending, permanent : tuple of str or None
        Codes; None where the unit does not list them.
    frame : Frame or None
        None where there is none.
    counts, averages : dict of int to int
        Cylinder to misfires: in this driving cycle or the last; mean of ten cycles.
    values : dict of str to float
        As they stood when read.
    number : str
        Vehicle's identification number, where it was asked for.
    raw : tuple of str
        Its last answer to each request, in hexadecimal; without the number, which is personal.
    """

    unit: str
    lamp: bool | None = None
    has_run: bool | None = None
    stored: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    frame: Frame | None = None
    counts: dict[int, int] = field(default_factory=dict)
    averages: dict[int, int] = field(default_factory=dict)
    values: dict[str, float] = field(default_factory=dict)
    number: str = ""
    raw: tuple[str, ...] = ()

    def __str__(self) -> str:
        lists = {name: getattr(self, name) for name in sv.CODES.values()}
        said = [
            f"{name} {' '.join(codes) or 'none'}"
            for name, codes in lists.items()
            if codes is not None
        ]
        said += [f"freeze frame {self.frame}"] * (self.frame is not None)
        if self.counts:
            said.append("misfires " + ", ".join(f"{c}: {n}" for c, n in self.counts.items()))
        return f"unit {self.unit}: {', '.join(said) or 'nothing stored'}"


class Reading(Struct, frozen=True):
    """What all control units state, and what did not come whole, a line each."""

    units: tuple[UnitReading, ...]
    troubles: tuple[str, ...] = ()


class _Gathered:
    """Answers as they come in."""

    def __init__(self) -> None:
        self.units: dict[int, UnitReading] = {}
        self.raw: dict[int, dict[bytes, str]] = {}
        self.there: dict[tuple[int, int], set[int]] = {}
        self.troubles: dict[str, None] = {}

    def hear(self, heard: Heard) -> None:
        """Take what came back on a request."""
        for answer in heard.answers:
            self.take(answer)
        for trouble in heard.troubles:
            self.take(trouble)

    def take(self, answer: Answer | Trouble) -> None:
        """Take one answer, or note that it did not come whole."""
        if isinstance(answer, Trouble):
            self.fail(answer.unit, answer.what)
            return
        try:
            stated = sv.read_answer(answer.message)
        except BusError as error:
            self.fail(answer.unit, str(error))
            return
        unit = self.units.setdefault(answer.unit, UnitReading(f"{answer.unit:X}"))
        if answer.message[0] != sv.VEHICLE + sv.ANSWER:
            self.raw.setdefault(answer.unit, {})[_asked(answer.message)] = answer.message.hex()
        for one in stated:
            if isinstance(one, sv.Emptied):
                self.fail(answer.unit, ERASED)
            elif isinstance(one, sv.Refusal):
                if one.reason not in sv.NOT_THERE:
                    self.fail(answer.unit, f"refuses service {one.service:02X}: {one}")
            elif isinstance(one, sv.Supported):
                self.there.setdefault((answer.unit, one.service), set()).update(one.there)
            else:
                unit = _with(unit, one)
        self.units[answer.unit] = unit

    def fail(self, unit: int, what: str) -> None:
        """Note what is wrong with a unit's answers."""
        self.troubles[f"unit {unit:X}: {what}"] = None

    def has(self, unit: int, service: int, identifier: int) -> bool:
        """Whether a unit says that it has something."""
        return identifier in self.there.get((unit, service), ())

    def of(self, unit: int, service: int, wanted: Iterable[int]) -> list[int]:
        """Return what a unit has of what is wanted."""
        return [identifier for identifier in wanted if self.has(unit, service, identifier)]

    def reading(self) -> Reading:
        """Return all that was taken."""
        units = tuple(
            replace(unit, raw=tuple(self.raw.get(number, {}).values()))
            for number, unit in sorted(self.units.items())
        )
        return Reading(units, tuple(self.troubles))


def _asked(message: bytes) -> bytes:
    """Return the beginning of an answer that says to what it is one."""
    return message[: 1 if message[0] - sv.ANSWER in sv.CODES else 2]


def _with(unit: UnitReading, stated: sv.Stated) -> UnitReading:
    """Add what an answer states to what was known of its unit."""
    changes: dict[str, object] = {}
    match stated:
        case sv.Status():
            has_run = stated.has_run if stated.has_misfire_monitor else None
            changes = {"lamp": stated.lamp, "has_run": has_run}
        case sv.Codes():
            changes = {sv.CODES[stated.service]: stated.codes}
        case sv.FrameCode():
            changes = {"frame": Frame(stated.code) if stated.code else None}
        case sv.Value():
            named = {sv.QUANTITIES[stated.identifier].name: stated.value}
            frame = unit.frame or Frame("")
            if stated.service == sv.NOW:
                changes = {"values": unit.values | named}
            else:
                changes = {"frame": replace(frame, values=frame.values | named)}
        case sv.Misfires():
            counted = {"counts": stated.count, "averages": stated.average}
            for name, count in counted.items():
                if count is not None:
                    changes[name] = getattr(unit, name) | {stated.cylinder: count}
        case sv.Number():
            changes = {"number": stated.number}
    return replace(unit, **changes)


def scan(
    link: Link, *, with_number: bool = False, tell: Callable[[str], None] = lambda _: None
) -> Reading:
    """Read all that bears on a misfire, and the vehicle's number only if asked: it is personal.

    `tell` is told what is being read.
    """
    found = _Gathered()
    tell("looking for control units")
    for _ in range(2):  # a unit whose one answer to this is lost would not be missed
        found.hear(link.ask(bytes([sv.NOW, 0x00])))
    if not found.units:
        heard_of = f" ({'; '.join(found.troubles)})" if found.troubles else ""
        raise BusError(
            f"no control unit answers{heard_of}; is the ignition on, "
            "and the adapter in the diagnostic socket?"
        )
    for unit in sorted(found.units):
        unanswered = 0
        for request, what in _requests(found, unit, with_number=with_number):
            tell(f"unit {unit:X}: {what}")
            heard = ask_unit(link, request, unit)
            found.hear(heard)
            unanswered = 0 if heard.answers else unanswered + 1
            if unanswered == GIVEN_UP:
                found.fail(unit, "answers no more, and was asked no further")
                break
    return found.reading()


def erase(link: Link, units: Iterable[UnitReading]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Have all units erase what they have stored; whoever calls this has asked a person.

    Returns those that confirm it, and a line for each other one of `units`, scanned before.
    """
    heard = link.ask(bytes([sv.ERASE]))
    found = _Gathered()
    for answer in heard.answers:
        for one in sv.read_answer(answer.message):
            if isinstance(one, sv.Refusal):
                found.fail(answer.unit, f"refuses to erase: {one}")
    said = sv.ERASE + sv.ANSWER
    confirmed = sorted(f"{one.unit:X}" for one in heard.answers if one.message[0] == said)
    for unit in {unit.unit for unit in units} - {f"{a.unit:X}" for a in heard.answers}:
        found.fail(int(unit, 16), "does not say whether it erased anything")
    return tuple(confirmed), tuple(found.troubles)


def ask_unit(link: Link, request: bytes, unit: int) -> Heard:
    """Ask a unit itself, and all of them where it does not listen to that."""
    heard = link.ask(request, unit)
    if heard.answers or any(trouble.what != NO_ANSWER for trouble in heard.troubles):
        return heard
    asked = link.ask(request)
    own = tuple(answer for answer in asked.answers if answer.unit == unit)
    return Heard(own, tuple(t for t in asked.troubles if t.unit == unit) if own else heard.troubles)


def _requests(found: _Gathered, unit: int, *, with_number: bool) -> Iterator[tuple[bytes, str]]:
    """List what a unit is asked, in order; what it has is looked up as its answers come in."""
    for base in (0x20, 0x40):
        if found.has(unit, sv.NOW, base):
            yield bytes([sv.NOW, base]), "what it can state"
    if found.has(unit, sv.NOW, sv.STATUS):
        yield bytes([sv.NOW, sv.STATUS]), "lamp and monitors"
    # A counter begins anew at every start, and a code is pending before it is stored: these first.
    yield from _counters(found, unit)
    for service in (sv.PENDING, sv.STORED, sv.PERMANENT):
        yield bytes([service]), f"{sv.CODES[service]} codes"
    yield bytes([sv.FRAME, sv.FRAME_CODE, 0]), "freeze frame"
    if found.units[unit].frame:
        yield bytes([sv.FRAME, 0, 0]), "freeze frame"
        for identifier in found.of(unit, sv.FRAME, FRAME_WANTED):
            yield bytes([sv.FRAME, identifier, 0]), "freeze frame"
    for identifier in found.of(unit, sv.NOW, NOW_WANTED):
        yield bytes([sv.NOW, identifier]), sv.QUANTITIES[identifier].name
    if with_number:
        yield bytes([sv.VEHICLE, sv.VEHICLE_NUMBER]), "vehicle number"


def _counters(found: _Gathered, unit: int) -> Iterator[tuple[bytes, str]]:
    yield bytes([sv.MONITORS, 0xA0]), "misfire monitors"
    for cylinder, monitor in enumerate(range(sv.MISFIRE_FIRST, sv.MISFIRE_LAST + 1), 1):
        if found.has(unit, sv.MONITORS, monitor):
            yield bytes([sv.MONITORS, monitor]), f"misfires of cylinder {cylinder}"


def read_recording(messages: Iterable[can.Message]) -> Reading:
    """Say what units stated in a recording; of what was stated more than once, the last counts."""
    found = _Gathered()
    for _, one in replay(messages):
        found.take(one)
    if not any(unit != UnitReading(unit.unit) for unit in found.units.values()):
        raise BusError("no control unit states anything in this recording")
    return found.reading()


def read_answers(heard: Mapping[str, Sequence[str]]) -> Reading:
    """Say what units stated in answers that were kept: to each, its `UnitReading.raw`."""
    found = _Gathered()
    for unit, answers in heard.items():
        for answer in answers:
            try:
                found.take(Answer(int(unit, 16), bytes.fromhex(answer)))
            except ValueError:
                raise BusError(f'"{unit}: {answer}" is no answer of a control unit') from None
    return found.reading()


def source_words(heard: Mapping[str, Sequence[str]]) -> str:
    """Say, behind what was found, which units stated it, and what they froze."""
    units = read_answers(heard).units
    if sum(bool(unit.stored or unit.pending or unit.permanent) for unit in units) > 1:
        return f"; {'; '.join(map(str, units))}"
    source = f"; read from unit {' and '.join(unit.unit for unit in units)}" if units else ""
    return source + "".join(f"; freeze frame {unit.frame}" for unit in units if unit.frame)
