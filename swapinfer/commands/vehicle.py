"""The vehicle in front of the shop: what its control units state, as a run of a job has it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from msgspec import structs

from swapinfer.bus.adapter import connect
from swapinfer.bus.link import Link
from swapinfer.bus.scan import Reading, scan
from swapinfer.bus.watch import Course, is_between
from swapinfer.commands.drive import check_scanned
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import is_watched, say_aside
from swapinfer.errors import BusError, InputError, SwapinferError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.engine import read_codes
from swapinfer.pack.model import UNREADY, Running

if TYPE_CHECKING:
    import can

POWERTRAIN = "P"
"""Codes of other systems do not bear on a misfire."""


def adapter_named(shop: Shop, bus: str = "") -> str:
    """Return the adapter that was typed, or the shop's."""
    if not bus and not shop.settings.adapter:
        raise InputError(
            "name the adapter, as in --bus socketcan:can0, or once and for all: "
            "swapinfer settings --set adapter=socketcan:can0; "
            "swapinfer scan --check lists those that are there"
        )
    return bus or shop.settings.adapter


def read_vehicle(
    name: str, keep: Callable[[can.Message], None] | None = None, *, with_number: bool = False
) -> Reading:
    """Connect to a vehicle by an adapter and scan it; `keep` is told every diagnostic frame."""
    with connect(name, keep) as link:
        return scan_link(link, with_number=with_number)


def scan_link(link: Link, *, with_number: bool = False) -> Reading:
    """Scan a vehicle that is connected, and say how that goes on where someone watches."""
    return scan(link, with_number=with_number, tell=say_aside if is_watched() else lambda _: None)


MEMORIES = {"codes": "stored", "pending": "pending", "permanent": "permanent"}
"""What a control unit lists codes in: as events call it, and as the bus does."""


def found_codes(reading: Reading) -> ev.Scanned:
    """Return the powertrain's codes of all units by where they stand, as events have them.

    It cannot be said that there is none where some unit that watches for misfires, or of which that
    is not known, does not list it.
    """
    watching = [u for u in reading.units if u.counts or u.has_run is not None]
    asked = watching or [u for u in reading.units if u.lamp is None]
    told: dict[str, tuple[str, ...]] = {}
    for name, memory in MEMORIES.items():
        lists = [getattr(unit, memory) for unit in reading.units]
        found = (code for codes in lists for code in codes or () if code.startswith(POWERTRAIN))
        codes = tuple(dict.fromkeys(found))
        if codes or (asked and all(getattr(unit, memory) is not None for unit in asked)):
            told[name] = codes
    return structs.replace(ev.Scanned(heard=heard_of(reading)), **told)


def came_in_with(job: Job, reading: Reading) -> list[ev.Scanned]:
    """Return what a scan says of a vehicle that was neither driven nor read in its job yet."""
    scanned = found_codes(reading)
    if not (scanned.told or found_counts(reading)) or job.latest or job.is_erased:
        return []
    never_ran = any(
        unit.has_run is False and not any(unit.counts.values()) for unit in reading.units
    )
    arrived = structs.replace(
        scanned,
        frame=_frozen_in(job, reading),
        memory=UNREADY if never_ran else "",
        counts=found_counts(reading),
        since_start=_since_start(reading),
    )
    return [check_scanned(job, arrived)]


def _frozen_in(job: Job, reading: Reading) -> tuple[str, ...]:
    """Conditions in which a misfire was stored, by the freeze frame."""
    for unit in reading.units:
        if unit.frame and any(
            code.role in ("misfire", "random") for code in read_codes(job.engine, [unit.frame.code])
        ):
            values = unit.frame.values
            return tuple(
                tag
                for tag, sign in job.pack.running.signs.items()
                if is_between(values, sign.between)
            )
    return ()


def _since_start(reading: Reading) -> float | None:
    """Minutes in which the counters ran; None where the engine was not started since."""
    seconds = (u.values.get("since start", 0.0) for u in reading.units if u.counts)
    return round(max(seconds, default=0.0) / 60, 1) or None


def as_stored(job: Job, reading: Reading) -> ev.Scanned:
    """Return what was read without a drive for it: of an arrival, or of the last drive."""
    came = came_in_with(job, reading)
    return came[0] if came else check_scanned(job, found_codes(reading))


def kept(job: Job, reading: Reading) -> ev.Scanned | ev.Stated:
    """Return all that was read: as a finding where it is one, without weight where it is known."""
    if not job.closing:
        with suppress(SwapinferError):
            return as_stored(job, reading)
    return ev.Stated(heard_of(reading))


def found_counts(reading: Reading) -> dict[int, int]:
    """Return the misfires of each cylinder in this driving cycle.

    Counters stand at nought until their monitor has run; then they say nothing.
    """
    found: dict[int, int] = {}
    for unit in reading.units:
        if unit.has_run is not False or any(unit.counts.values()):
            found = {**unit.counts, **found}
    return found


def heard_of(reading: Reading) -> dict[str, tuple[str, ...]]:
    """Return the answers of every unit, as an event keeps them."""
    return {unit.unit: unit.raw for unit in reading.units}


def run_found(reading: Reading, minutes: float, conditions: tuple[str, ...]) -> ev.Ran:
    """Return a run as a scan after it found it.

    That nothing is stored says little of one drive where pending codes were not read, so then it
    is not told.
    """
    told = found_codes(reading).told
    if not told.get("codes") and "pending" not in told:
        told.pop("codes", None)
    run = ev.Ran(minutes, conditions, counts=found_counts(reading), heard=heard_of(reading))
    return structs.replace(run, **told)


def run_seen(
    course: Course, reading: Reading | None, running: Running, besides: tuple[str, ...]
) -> ev.Ran:
    """Return a run as it was watched, and what was scanned after it, where anybody answered still.

    Conditions are told by the pack's signs, and beside these by a person.
    """
    if not course.stretches:
        raise BusError("the engine did not run while it was watched; nothing was recorded")
    seen = [tag for tag, sign in running.signs.items() if course.share(sign.between) >= sign.share]
    conditions = tuple(dict.fromkeys([*seen, *besides]))
    minutes = max(round(course.minutes, 1), 0.1)
    run = run_found(reading or Reading(()), minutes, conditions)
    counts = {c: n for c, n in course.counts.items() if n or c in run.counts or not reading}
    return structs.replace(run, counts=counts)
