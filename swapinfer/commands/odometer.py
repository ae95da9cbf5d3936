"""What a vehicle's odometer showed on earlier visits, and what does not go with it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from swapinfer.ledger.events import Opened, Reopened, read_event
from swapinfer.ledger.record import Record, as_utc
from swapinfer.physics import MOST_KM_A_DAY
from swapinfer.units import convert

SECONDS_A_DAY = 86_400.0


class Shown(NamedTuple):
    """A distance as the odometer showed it, when, and in which repair order."""

    km: float
    at: str
    ro: str


def shown_before(records: Iterable[Record], vehicle: str) -> Iterator[Shown]:
    """Give what the odometer of one vehicle showed on its visits."""
    ro = ""
    for record in records:
        event = read_event(record.type, record.payload)
        if isinstance(event, Opened):
            ro = event.ro if vehicle and event.vehicle == vehicle else ""
        if ro and isinstance(event, Opened | Reopened) and event.odometer_km is not None:
            yield Shown(event.odometer_km, record.at, ro)


def odometer_remarks(before: Iterable[Shown], km: float, at: str, unit: str) -> list[str]:
    """Say which earlier distances do not go with one that the odometer shows."""
    visits = sorted(before)
    said = []
    if visits and km < visits[-1].km:
        said.append(f"the odometer shows {_told(km, unit)}, less than {_when(visits[-1], unit)}")
    for shown in sorted(visits, key=lambda one: as_utc(one.at), reverse=True)[:1]:
        days = (as_utc(at) - as_utc(shown.at)).total_seconds() / SECONDS_A_DAY
        if km - shown.km > MOST_KM_A_DAY * max(days, 1.0):
            said.append(
                f"the odometer shows {_told(km, unit)}, {_told(km - shown.km, unit)} more than "
                f"{_when(shown, unit)}: farther than anyone drives in that time"
            )
    return [f"{remark}; same identification number, so one of them is wrong" for remark in said]


def _when(shown: Shown, unit: str) -> str:
    return f"the {_told(shown.km, unit)} of {shown.ro} on {shown.at[:10]}"


def _told(km: float, unit: str) -> str:
    return f"{convert(km, 'km', unit):,.0f} {unit}"
