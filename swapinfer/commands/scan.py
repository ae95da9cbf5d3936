"""Read what the vehicle's control units have stored, and have them erase it."""

from __future__ import annotations

import math
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer
from msgspec import structs

from swapinfer.bus.adapter import check_form, connect, list_adapters, read_frames, recording
from swapinfer.bus.scan import Reading, UnitReading, erase, read_recording, value_words
from swapinfer.bus.watch import Course, watch, watch_recording
from swapinfer.commands.app import command
from swapinfer.commands.drive import check_run
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import asked, changing, page, say_aside
from swapinfer.commands.typed import quantity, words
from swapinfer.commands.vehicle import (
    adapter_named,
    came_in_with,
    found_codes,
    found_counts,
    kept,
    read_vehicle,
    run_found,
    run_seen,
    scan_link,
)
from swapinfer.errors import BusError, InputError, LedgerError, SwapinferError, UnconfirmedError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job, carry_on

if TYPE_CHECKING:
    import can


WORD = "forget"
"""What a person types to have everything erased."""

LOST = (
    "This is lost for ever in every control unit: stored and pending codes, the freeze frame, the "
    "misfire counters, the status of all monitors (an inspection may refuse the vehicle until they "
    "have run again), what was counted since codes were erased last, with some makers learned "
    "fuel trims as well. Permanent codes stay. What was read just now is recorded."
)
"""Told before the word is asked for (SAE J1979, service 04)."""

Bus = Annotated[str, typer.Option(help="Adapter: socketcan:can0; default the shop's setting.")]


class ScanView(Facts, frozen=True):
    """What the control units state, and which answers did not come whole.

    `command` records it as the findings of a drive, where it was not `recorded` as what the vehicle
    came in with.
    """

    shape: ClassVar[str] = "scan/1"

    source: str
    units: tuple[UnitReading, ...]
    troubles: tuple[str, ...]
    command: str
    recorded: Recorded | None = None


class AdaptersView(Facts, frozen=True):
    """Adapters that are there, as ``--bus`` takes them."""

    shape: ClassVar[str] = "adapters/1"

    adapters: tuple[str, ...]


@command("scan", "scan --bus socketcan:can0 --after 15 --when warm,load", is_supposable=True)
def scan(
    shop: Shop,
    bus: Bus = "",
    replay: Annotated[
        Path | None, typer.Option(help="Read a recording of the bus instead of a vehicle.")
    ] = None,
    keep: Annotated[
        Path | None, typer.Option("--record", help="Write what goes over the bus to a file.")
    ] = None,
    after: Annotated[
        str, typer.Option(help="Record the findings as those of a drive of so many minutes.")
    ] = "",
    follow: Annotated[
        bool, typer.Option("--watch", help="Follow a drive to its end, and record it.")
    ] = False,
    minutes: Annotated[str, typer.Option(help="With --watch: end after so much running.")] = "",
    when: Annotated[
        str, typer.Option(help="Conditions of that drive: warm,load; with --watch more of them.")
    ] = "",
    number: Annotated[
        bool, typer.Option("--vin", help="Read the vehicle's number as well; it is personal.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Only say which adapters are there.")
    ] = False,
    ro: str = "",
) -> ScanView | AdaptersView | Recorded:
    """Scan a vehicle or a recording.

    What is found is recorded as what the current job's vehicle came in with, if it was not driven
    yet, and as the findings of a drive where that was asked for.
    """
    if check:
        return AdaptersView(tuple(list_adapters()))
    if when and not after and not follow:
        raise InputError("--when tells of a drive; say how long it was, as in --after 15")
    if after and follow:
        raise InputError("--after tells of a drive that is over; --watch follows one from here on")
    if minutes and not follow:
        raise InputError("--minutes ends a drive that is followed: --watch --minutes 20")
    if keep:
        check_form(keep)
    source = "" if replay else adapter_named(shop, bus)
    if follow:
        job = shop.load(ro).job
        carry_on(job, ev.Ran(1.0, words(when), ()))  # refused now rather than after the drive
        most = quantity(minutes, "min") or math.inf
        course, before, last = _watch_drive(replay or source, keep, most, job)
        run = run_seen(course, last, job.pack.running, words(when))
        return _record(shop, run, ro, last, before)
    if replay:
        reading = read_recording(read_frames(replay))
    else:
        frames: list[can.Message] = []
        reading = read_vehicle(source, frames.append, with_number=number)
        with recording(keep, frames) if keep else nullcontext():
            pass
    if after:
        run = run_found(reading, quantity(after, "min") or 0.0, words(when))
        return _record(shop, run, ro, reading)
    view = ScanView(str(replay or source), reading.units, reading.troubles, "")
    if _comes_in(shop, ro, reading):
        told = record(shop, lambda job: came_in_with(job, reading), ro)
        return structs.replace(view, recorded=told)
    line = f"swapinfer drive MINUTES{_options(found_codes(reading), found_counts(reading))}"
    return structs.replace(view, command=line)


def _comes_in(shop: Shop, ro: str, reading: Reading) -> bool:
    """Whether there is an open job whose vehicle came in with what was read."""
    try:
        job = shop.load(ro).job
    except LedgerError:
        return False
    return not job.closing and bool(came_in_with(job, reading))


def _record(
    shop: Shop, run: ev.Ran, ro: str, after: Reading | None, before: Reading | None = None
) -> Recorded:
    """Record a run, behind what the vehicle came in with where that was read before it."""
    troubles = after.troubles if after else ()
    try:
        told = record(
            shop,
            lambda job: [*(came_in_with(job, before) if before else ()), check_run(job, run)],
            ro,
        )
    except SwapinferError:
        when = f" --when {','.join(run.conditions)}" if run.conditions else ""
        found = _options(run, run.counts)
        for line in (*troubles, f"not recorded: swapinfer drive {run.minutes:g}{when}{found}"):
            say_aside(line)
        raise
    return structs.replace(told, warnings=(*told.warnings, *troubles))


def _watch_drive(
    source: Path | str, keep: Path | None, minutes: float, job: Job
) -> tuple[Course, Reading | None, Reading | None]:
    """Follow a drive to its end, whatever ends it, scanned before and after if anybody answers."""
    if isinstance(source, Path):
        frames = list(read_frames(source))
        return watch_recording(frames), None, read_recording(frames)
    course, frames = Course(), []
    with (
        connect(source, frames.append) as link,
        recording(keep, frames) if keep else nullcontext() as link.keep,
    ):
        before = scan_link(link)
        for caution in job.pack.running.cautions:
            say_aside("\n".join(page().wrap(f"CAUTION: {job.pack.cautions[caution].text}")))
        say_aside("watching: start the engine and drive; Ctrl-C ends it")
        counting = [unit for unit in before.units if unit.counts] or before.units
        try:
            with changing() as tell:
                shown: dict[int, int] = {}
                for _ in watch(link, course, counting, minutes):
                    tell(*_progress(course, shown))
                    shown = course.counts
        except KeyboardInterrupt:
            course.ending = "stopped by hand"
        say_aside(f"{course.ending}; reading what is stored")
        try:
            after = scan_link(link)
        except (BusError, KeyboardInterrupt):
            return course, before, None
        for unit in after.units:
            course.count(unit.unit, unit.counts)
        return course, before, after


def _progress(course: Course, shown: dict[int, int]) -> tuple[str, str]:
    """Say how things stand, and which counters went on since they were shown, a line each."""
    driven = f"{course.minutes:.1f} min: "
    counts = {f"cylinder {cylinder}": f"{n}" for cylinder, n in course.counts.items()}
    standing = [driven + value_words(course.values), *page().table(list(counts.items()))]
    news = [
        f"{driven}cylinder {cylinder}: {count}"
        for cylinder, count in course.counts.items()
        if count != shown.get(cylinder, 0)
    ]
    return "\n".join(standing), "\n".join(news)


def _options(read: ev.Coded, counts: dict[int, int]) -> str:
    said = [f"--{name} {','.join(codes) or 'none'}" for name, codes in read.told.items()]
    pairs = ",".join(f"{cylinder}={count}" for cylinder, count in counts.items())
    return "".join(f" {one}" for one in [*said, *([f"--counts {pairs}"] if pairs else [])])


@show.register
def _(facts: ScanView, page: Page) -> str:
    lines = [line for unit in facts.units for line in _unit(unit, page)]
    for trouble in facts.troubles:
        lines += page.wrap(f"! {trouble}")
    lines += page.wrap(
        "A code is pending after the first drive in which it was set, and stored after the second; "
        "permanent ones outlast erasing and may be of an earlier fault."
    )
    if facts.recorded:
        return "\n".join([*lines, show(facts.recorded, page)])
    return "\n".join([*lines, f"  type: {facts.command}"])


def _unit(unit: UnitReading, page: Page) -> list[str]:
    lamp = {None: "", True: ", lamp on", False: ", lamp off"}[unit.lamp]
    memories = {"stored": unit.stored, "pending": unit.pending, "permanent": unit.permanent}
    rows = [
        (name, "not read" if codes is None else " ".join(codes) or "none")
        for name, codes in memories.items()
    ]
    if unit.frame:
        rows.append(("freeze frame", str(unit.frame)))
    idle = "; the monitor has not run since codes were erased" * (unit.has_run is False)
    for name, counts, more in (
        ("misfires, this cycle", unit.counts, idle),
        ("mean of ten cycles", unit.averages, ""),
    ):
        if counts:
            counted = ", ".join(f"cylinder {cylinder}: {n}" for cylinder, n in counts.items())
            rows.append((name, counted + more))
    rows += [(name, f"{value:.4g}") for name, value in unit.values.items()] if page.is_full else []
    if unit.number:
        rows.append(("vehicle number", unit.number))
    return [page.strong(f"control unit {unit.unit}{lamp}"), *page.table(rows)]


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


@command("erase", "erase --bus socketcan:can0")
def erase_stored(
    shop: Shop,
    bus: Bus = "",
    word: Annotated[
        str, typer.Option(help=f'"{WORD}": erase without being asked, after all was recorded.')
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record what control units state, tell what will be lost, and erase it if a person says so."""
    ro = shop.load(ro).ro
    with connect(adapter_named(shop, bus)) as link:
        reading = scan_link(link)
        if any(unit.values.get("engine speed", 0.0) > 0 for unit in reading.units):
            raise BusError("the engine runs: stop it, leave the ignition on; nothing was erased")
        record(shop, lambda job: [kept(job, reading)], ro)
        for text in (*map(str, reading.units), LOST):
            say_aside("\n".join(page().wrap(text)))
        typed = word or asked(f'Type "{WORD}" to erase all this; anything else leaves it')
        if typed.strip().lower() != WORD:
            raise UnconfirmedError(
                f'nothing was erased; the word is "{WORD}", without a terminal --word {WORD}'
            )
        units, troubles = erase(link, reading.units)
    if not units:
        raise BusError(
            f"no control unit confirms that it erased anything ({'; '.join(troubles)}); "
            "swapinfer scan says what is there now"
        )
    told = record(shop, lambda _: [ev.Erased(units)], ro)
    return structs.replace(told, warnings=(*told.warnings, *troubles))
