"""What may be asked of any event, and what whole families of events answer alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Protocol, Self, TypeAlias

import msgspec

from swapinfer.errors import InputError, LedgerError, misfit, near_match

if TYPE_CHECKING:
    from swapinfer.ledger.replay import Job
    from swapinfer.pack.model import Kind, Test

JSON: TypeAlias = dict[str, Any]


class Timesheet(Protocol):
    """Takes down, by standard times, what was done in a job."""

    def drove(self, minutes: float, *, is_read: bool) -> None:
        """Count a drive, and whether codes or counters were read after it."""

    def tested(self, test: Test, *, is_further: bool) -> None:
        """Count a test, made on a further target in the same sitting or afresh."""

    def moved(self, kind: Kind) -> None:
        """Count two parts of a kind that changed places."""

    def reseated(self, kind: Kind) -> None:
        """Count a contact that was unplugged, cleaned and refitted."""

    def repaired(self, place: str, price: float | None) -> None:
        """Count what was put right at a place, and what was paid for parts if it is known."""


class Event(msgspec.Struct, frozen=True, tag=str.lower):
    """Base of all events, and what may be asked of any; a type without an answer is refused.

    A subclass is an event's payload, and its name in lower case is the type. What holds for many
    types is said by `Untouched`, `Paperwork`, `Aside`, `Tested`, `Work` and `Repair`.
    """

    @classmethod
    def type_name(cls) -> str:
        """Word by which a ledger knows the type."""
        return str(cls.__struct_config__.tag)

    @property
    def type(self) -> str:
        """Word by which a ledger knows the type."""
        return self.type_name()

    def to_json(self) -> JSON:
        """Payload as canonical JSON can hold it, without defaults that say nothing."""
        payload: JSON = msgspec.to_builtins(self, str_keys=True)
        del payload["type"]
        for field in msgspec.structs.fields(self):
            value = getattr(self, field.name)
            is_default = value == field.default or field.default_factory is not msgspec.NODEFAULT
            if is_default and value in (None, "", (), {}):
                del payload[field.name]
        return payload

    @classmethod
    def from_json(cls, payload: Mapping[str, Any]) -> Self:
        """Read a payload back, refusing fields that are too many, too few or of another type."""
        names = cls.__struct_fields__
        for name in payload:
            if name not in names:
                raise LedgerError(
                    f'event "{cls.type_name()}" has no field "{name}"{near_match(name, names)}'
                )
        try:
            return msgspec.convert(payload, cls, str_keys=True)
        except msgspec.ValidationError as error:
            reason = misfit(error)
            raise LedgerError(f'event "{cls.type_name()}" cannot be read: {reason}') from error

    def check(self) -> None:
        """Refuse, by an `InputError`, what no vehicle has and what nobody would record.

        Replay does not ask: what was recorded once stays readable.
        """
        raise unhandled(self, "checked")

    def apply(self, job: Job) -> None:
        """Make of a job as it was before what it is after, refusing what contradicts it."""
        raise unhandled(self, "replayed")

    def say(self, job: Job) -> str:
        """Put the event in words; the job is as it was when this was recorded, or later."""
        raise unhandled(self, f"put in words in job {job.opening.ro}")

    @property
    def places(self) -> tuple[str, ...]:
        """Places that it names whose parts were handled."""
        raise unhandled(self, "read")

    @property
    def is_work(self) -> bool:
        """Whether parts were handled, so that a drive must show what came of it."""
        raise unhandled(self, "read")

    @property
    def is_repair(self) -> bool:
        """Whether something was put right on purpose."""
        raise unhandled(self, "read")

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the work that was done in a job as it was before."""
        raise unhandled(self, "priced")

    def cautions(self, job: Job) -> Iterable[str]:
        """Ids of the cautions that its work carries, some of them repeatedly.

        What must come off for a repair depends on how the part had failed; that is not told here.
        """
        raise unhandled(self, "read")


class Untouched(Event, frozen=True):
    """No part was handled."""

    places = ()
    is_work = False
    is_repair = False


class Paperwork(Untouched, frozen=True):
    """An event in the job's papers: nothing was done to the engine."""

    def check(self) -> None:
        """Refuse nothing."""

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter nothing."""

    def cautions(self, job: Job) -> Iterable[str]:
        """None."""
        return ()


class Aside(Paperwork, frozen=True):
    """An entry that changes nothing, and may be made in a closed job too."""

    def apply(self, job: Job) -> None:
        """Change nothing."""


class Tested(Untouched, frozen=True):
    """A test of the pack was made on one of its targets in this engine."""

    test: str
    target: str

    def check(self) -> None:
        """Refuse nothing: what the meter can show, replay knows."""

    def book(self, sheet: Timesheet, job: Job) -> None:
        """Enter the test; it goes on from one target to the next without preparing it again."""
        last = job.standing[-1][1]
        is_further = isinstance(last, Tested) and last.test == self.test
        sheet.tested(job.engine.tests[self.test], is_further=is_further)

    def cautions(self, job: Job) -> Iterable[str]:
        """Those of the test and of what must be off for it."""
        test = job.engine.tests[self.test]
        return (*test.cautions, *job.access_cautions(test.access))


class Work(Event, frozen=True):
    """Parts were handled."""

    is_work = True
    is_repair = False

    def check(self) -> None:
        """Refuse nothing: which places there are, replay knows."""

    def cautions(self, job: Job) -> Iterable[str]:
        """Those of the parts and of what must be off to handle them."""
        for place in self.places:
            kind = job.engine.kind_of(place)
            yield from job.access_cautions(kind.access)
            yield from kind.cautions


class Repair(Work, frozen=True):
    """What sits at a place was handled in order to put it right."""

    is_repair = True

    place: str

    @property
    def places(self) -> tuple[str, ...]:
        """The one."""
        return (self.place,)


def unhandled(event: Event, what: str) -> LedgerError:
    """Error for a question that an event's type has no answer to."""
    return LedgerError(f'event "{event.type}" cannot be {what}: this program does not know how')


def require_known(what: str, word: str, known: Iterable[str]) -> None:
    """Refuse a word that is not among those known."""
    options = list(known)
    if word not in options:
        raise InputError(f'no {what} "{word}"{near_match(word, options)}')
