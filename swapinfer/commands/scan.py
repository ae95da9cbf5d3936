"""Read what the vehicle's control units have stored: codes, freeze frame, misfire counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer

from swapinfer.bus.adapter import connect, list_adapters, read_frames, write_frames
from swapinfer.bus.scan import Reading, UnitReading, read_recording
from swapinfer.bus.scan import scan as scan_units
from swapinfer.commands.app import command
from swapinfer.commands.drive import check_run
from swapinfer.commands.facts import Facts
from swapinfer.commands.page import Page, show
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import is_watched, say_aside
from swapinfer.commands.typed import quantity, words
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev

if TYPE_CHECKING:
    import can

POWERTRAIN = "P"
"""Codes of other systems do not bear on a misfire."""


class ScanView(Facts, frozen=True):
    """What the control units state.

    Attributes
    ----------
    source : str
        Adapter, or file of the recording.
    units : tuple of UnitReading
        In the order of their identifiers.
    troubles : tuple of str
        Answers that did not come whole, a line each.
    command : str
        What records it as the findings of a drive.
    """

    shape: ClassVar[str] = "scan/1"

    source: str
    units: tuple[UnitReading, ...]
    troubles: tuple[str, ...]
    command: str


class AdaptersView(Facts, frozen=True):
    """Adapters that are there.

    Attributes
    ----------
    adapters : tuple of str
        As ``--bus`` takes them.
    """

    shape: ClassVar[str] = "adapters/1"

    adapters: tuple[str, ...]


@command("scan", "scan --bus socketcan:can0 --after 15 --when warm,load", is_supposable=True)
def scan(
    shop: Shop,
    bus: Annotated[
        str, typer.Option(help="Adapter: socketcan:can0; default the shop's setting.")
    ] = "",
    replay: Annotated[
        Path | None, typer.Option(help="Read a recording of the bus instead of a vehicle.")
    ] = None,
    keep: Annotated[
        Path | None, typer.Option("--record", help="Write what goes over the bus to a file.")
    ] = None,
    after: Annotated[
        str, typer.Option(help="Record the findings as those of a drive of so many minutes.")
    ] = "",
    when: Annotated[str, typer.Option(help="Conditions of that drive: warm,load.")] = "",
    number: Annotated[
        bool, typer.Option("--vin", help="Read the vehicle's number as well; it is personal.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Only say which adapters are there.")
    ] = False,
    ro: str = "",
) -> ScanView | AdaptersView | Recorded:
    """Scan a vehicle or a recording; record what was found where that was asked for.

    Raises
    ------
    InputError
        If no adapter is named, or conditions without a drive.
    BusError
        If nobody answers.
    """
    if check:
        return AdaptersView(tuple(list_adapters()))
    if when and not after:
        raise InputError("--when tells of a drive; say how long it was, as in --after 15")
    source = str(replay) if replay else bus or shop.settings.adapter
    if not source:
        raise InputError(
            "name the adapter, as in --bus socketcan:can0, or once and for all: "
            "swapinfer settings --set adapter=socketcan:can0; "
            "swapinfer scan --check lists those that are there"
        )
    reading = (
        read_recording(read_frames(replay))
        if replay
        else _read_vehicle(source, keep, with_number=number)
    )
    if not after:
        told = f"swapinfer drive MINUTES{_options(found_codes(reading), found_counts(reading))}"
        return ScanView(source, reading.units, reading.troubles, told)
    run = ev.Ran(
        quantity(after, "min") or 0.0, words(when), found_codes(reading), found_counts(reading)
    )
    return record(shop, lambda job: [check_run(job, run)], ro)


def _read_vehicle(name: str, keep: Path | None, *, with_number: bool) -> Reading:
    tell: Callable[[str], None] = say_aside if is_watched() else lambda _: None
    frames: list[can.Message] = []
    with connect(name, frames.append) as link:
        reading = scan_units(link, with_number=with_number, tell=tell)
    if keep:
        write_frames(keep, frames)
    return reading


def found_codes(reading: Reading) -> tuple[str, ...] | None:
    """Return the codes of the powertrain that are stored or pending; None if nobody lists any."""
    lists = [codes for unit in reading.units for codes in (unit.stored, unit.pending)]
    if all(codes is None for codes in lists):
        return None
    found = (code for codes in lists for code in codes or () if code.startswith(POWERTRAIN))
    return tuple(dict.fromkeys(found))


def found_counts(reading: Reading) -> dict[int, int]:
    """Return the misfires of each cylinder in this driving cycle.

    Counters stand at nought until their monitor has run; then they say nothing.
    """
    for unit in reading.units:
        if unit.counts and unit.has_run is not False:
            return dict(unit.counts)
    return {}


def _options(codes: tuple[str, ...] | None, counts: dict[int, int]) -> str:
    said = "" if codes is None else f" --codes {','.join(codes)}" if codes else " --no-codes"
    pairs = ",".join(f"{cylinder}={count}" for cylinder, count in counts.items())
    return said + (f" --counts {pairs}" if pairs else "")


@show.register
def _(facts: ScanView, page: Page) -> str:
    lines = [line for unit in facts.units for line in _unit(unit, page)]
    for trouble in facts.troubles:
        lines += page.wrap(f"! {trouble}")
    lines += page.wrap(
        "A code is pending after the first drive in which it was set, and stored after the second; "
        "permanent ones outlast erasing and may be of an earlier fault."
    )
    return "\n".join([*lines, f"  type: {facts.command}"])


def _unit(unit: UnitReading, page: Page) -> Iterator[str]:
    lamp = {None: "", True: ", lamp on", False: ", lamp off"}[unit.lamp]
    yield page.strong(f"control unit {unit.unit}{lamp}")
    rows = [
        (name, _codes(codes))
        for name, codes in (
            ("stored", unit.stored),
            ("pending", unit.pending),
            ("permanent", unit.permanent),
        )
    ]
    if unit.frame:
        values = ", ".join(f"{name} {value:.0f}" for name, value in unit.frame.values.items())
        rows.append(("freeze frame", f"{unit.frame.code}: {values}" if values else unit.frame.code))
    if unit.counts:
        idle = "; the monitor has not run since codes were erased" * (unit.has_run is False)
        rows.append(("misfires, this cycle", _counted(unit.counts) + idle))
    if unit.averages:
        rows.append(("mean of ten cycles", _counted(unit.averages)))
    rows += [(name, f"{value:.4g}") for name, value in unit.values.items()] if page.is_full else []
    if unit.number:
        rows.append(("vehicle number", unit.number))
    yield from page.table(rows)


def _codes(codes: tuple[str, ...] | None) -> str:
    return "not read" if codes is None else " ".join(codes) or "none"


def _counted(counts: dict[int, int]) -> str:
    return ", ".join(f"cylinder {cylinder}: {count}" for cylinder, count in counts.items())


@show.register
def _(facts: AdaptersView, page: Page) -> str:
    if not facts.adapters:
        return "\n".join(
            page.wrap(
                "no adapter was found; plug it in, install what its maker says, and on Linux bring "
                "the interface up at the vehicle's speed, mostly 500 kbit/s"
            )
        )
    return "\n".join(f"--bus {name}" for name in facts.adapters)
