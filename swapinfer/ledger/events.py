"""What can happen in a job, and how each event stands in the ledger's JSON."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self, TypeAlias

from swapinfer.errors import LedgerError, near_match

JSON: TypeAlias = dict[str, Any]
OVER_LIMIT = "OL"
"""How a reading over the meter's limit stands in JSON, which has no infinity."""


@dataclass(frozen=True, slots=True)
class Event:
    """Base of all events; a subclass is its payload."""

    type: ClassVar[str]

    def to_json(self) -> JSON:
        """Payload as canonical JSON can hold it, without fields that say nothing."""
        payload = {f.name: _plain(getattr(self, f.name)) for f in dataclasses.fields(self)}
        return {name: value for name, value in payload.items() if value not in (None, "", [], {})}

    @classmethod
    def from_json(cls, payload: Mapping[str, Any]) -> Self:
        """Read a payload back.

        Raises
        ------
        LedgerError
            If it has fields that this event does not.
        """
        names = [f.name for f in dataclasses.fields(cls)]
        for name in payload:
            if name not in names:
                raise LedgerError(
                    f'event "{cls.type}" has no field "{name}"{near_match(name, names)}'
                )
        try:
            return cls(**{name: _rich(name, value) for name, value in payload.items()})
        except (TypeError, ValueError, KeyError, AttributeError) as error:
            raise LedgerError(f'event "{cls.type}" cannot be read: {error}') from error


@dataclass(frozen=True, slots=True)
class Opened(Event):
    """A job begins.

    Attributes
    ----------
    ro : str
        Repair-order number.
    layout, fitment
        Engine; `firing_order` where the maker's differs from the generic one.
    odometer_km, driven_km : float or None
        Distance on the clock, and driven with the fault.
    newer : dict of str to float
        Place to age in km of parts known not to be original.
    compression_ratio, altitude_m : float or None
        For the expected compression.
    vin, family, customer : str
        Optional; `family` groups vehicles for learning.
    """

    type: ClassVar[str] = "opened"

    ro: str
    layout: str
    fitment: dict[str, str]
    complaint: str = ""
    odometer_km: float | None = None
    odometer_unit: str = "km"
    driven_km: float | None = None
    newer: dict[str, float] = field(default_factory=dict)
    firing_order: tuple[int, ...] = ()
    compression_ratio: float | None = None
    altitude_m: float | None = None
    vin: str = ""
    family: str = ""
    customer: str = ""


@dataclass(frozen=True, slots=True)
class Ran(Event):
    """The engine ran.

    Attributes
    ----------
    minutes : float
        Running time.
    conditions : tuple of str
        Condition tags of the pack.
    codes : tuple of str or None
        Codes read afterwards; None when nobody looked.
    counts : dict of int to int
        Misfire counter of each cylinder that was read.
    felt : str
        What the driver noticed, one of the pack's words; empty when not said.
    suspected : tuple of int
        Cylinders heard or felt to misfire, when no codes were read to say so.
    """

    type: ClassVar[str] = "ran"

    minutes: float
    conditions: tuple[str, ...] = ()
    codes: tuple[str, ...] | None = None
    counts: dict[int, int] = field(default_factory=dict)
    felt: str = ""
    suspected: tuple[int, ...] = ()

    def to_json(self) -> JSON:
        """Keep an empty list of codes apart from nobody having looked."""
        payload = Event.to_json(self)
        if self.codes is not None:
            payload["codes"] = list(self.codes)
        return payload


@dataclass(frozen=True, slots=True)
class Swapped(Event):
    """Parts changed places, pair by pair, in the order given."""

    type: ClassVar[str] = "swapped"

    swaps: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Returned(Event):
    """Every part went back to where it came from."""

    type: ClassVar[str] = "returned"


@dataclass(frozen=True, slots=True)
class Reseated(Event):
    """A connector or joint was taken apart and put together again."""

    type: ClassVar[str] = "reseated"

    place: str


@dataclass(frozen=True, slots=True)
class Replaced(Event):
    """What sits at a place was replaced or put right."""

    type: ClassVar[str] = "replaced"

    place: str
    price: float | None = None


@dataclass(frozen=True, slots=True)
class Measured(Event):
    """A number was read.

    Attributes
    ----------
    test, target : str
        Test of the pack, and one of its targets in this engine.
    value : float
        In the test's unit; infinite for "over limit".
    typed : str
        As the technician entered it.
    reference : float or None
        Reading that the value is relative to, in the same unit.
    temperature_c : float or None
        Of the part, where resistance depends on it.
    wanted : float or None
        What a good one would read exactly, where the maker or the control unit says; in the same
        unit.
    """

    type: ClassVar[str] = "measured"

    test: str
    target: str
    value: float
    typed: str = ""
    reference: float | None = None
    temperature_c: float | None = None
    wanted: float | None = None


@dataclass(frozen=True, slots=True)
class Inspected(Event):
    """Something was looked at or tried, with a named outcome."""

    type: ClassVar[str] = "inspected"

    test: str
    target: str
    outcome: str


@dataclass(frozen=True, slots=True)
class Noted(Event):
    """Free text, without weight."""

    type: ClassVar[str] = "noted"

    text: str


@dataclass(frozen=True, slots=True)
class Attached(Event):
    """A picture, kept in the store under its digest."""

    type: ClassVar[str] = "attached"

    name: str
    digest: str
    media: str
    data: str


@dataclass(frozen=True, slots=True)
class Undone(Event):
    """An earlier event is retracted; it stays in the ledger."""

    type: ClassVar[str] = "undone"

    seq: int


@dataclass(frozen=True, slots=True)
class Closed(Event):
    """The job ends.

    Attributes
    ----------
    causes : tuple of str
        Elements found at fault; empty when none was.
    modes : tuple of str
        Mode of each cause, ``""`` where not known.
    verified : bool
        Whether a drive after the repair was clean.
    confirmed_by : str
        Test that showed the cause directly, where one did.
    """

    type: ClassVar[str] = "closed"

    causes: tuple[str, ...] = ()
    modes: tuple[str, ...] = ()
    verified: bool = False
    confirmed_by: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Reopened(Event):
    """The vehicle came back."""

    type: ClassVar[str] = "reopened"

    reason: str = ""
    odometer_km: float | None = None


TYPES: dict[str, type[Event]] = {
    cls.type: cls
    for cls in (
        Opened, Ran, Swapped, Returned, Reseated, Replaced, Measured, Inspected, Noted,
        Attached, Undone, Closed, Reopened,
    )
}  # fmt: skip


def read_event(type_name: str, payload: Mapping[str, Any]) -> Event:
    """Turn a ledger record's type and payload into an event.

    Raises
    ------
    LedgerError
        If the type is unknown or the payload does not fit it.
    """
    if type_name not in TYPES:
        raise LedgerError(f'unknown event "{type_name}"{near_match(type_name, TYPES)}')
    return TYPES[type_name].from_json(payload)


def _plain(value: object) -> object:
    if isinstance(value, float) and math.isinf(value):
        return OVER_LIMIT
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return value


def _rich(name: str, value: Any) -> Any:  # noqa: ANN401  JSON holds anything
    if name == "counts":
        return {int(cylinder): int(count) for cylinder, count in value.items()}
    if name == "value":
        return math.inf if value == OVER_LIMIT else float(value)
    if isinstance(value, list):
        return tuple(tuple(item) if isinstance(item, list) else item for item in value)
    return value
