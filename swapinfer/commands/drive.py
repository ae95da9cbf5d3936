"""The engine ran: how long, under which conditions, and what that showed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Any, TypeVar

import typer
from msgspec import structs

from swapinfer.commands.app import command
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.typed import name_and_value, parts, quantity, words
from swapinfer.errors import InputError, JobError, known_word
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.engine import read_codes
from swapinfer.pack.model import CLEARED, UNREADY

NO_CODES = {"none", "no", "0", "-"}
"""What stands for "read, and none was set" where codes are asked for."""

CYCLE = "0C"
"""Test of a misfire monitor that counts one driving cycle (SAE J1979, service 06)."""

TIME_UNITS = {"s", "min", "mins", "minute", "minutes", "h", "hour", "hours"}
"""What may stand apart from the running time."""


CodedEvent = TypeVar("CodedEvent", bound=ev.Coded)

Pending = Annotated[
    str | None, typer.Option(help="Pending codes, by commas; none if there were none.")
]
Permanent = Annotated[
    str | None, typer.Option(help="Permanent codes, by commas; none if there were none.")
]
NoCodes = Annotated[bool, typer.Option("--no-codes", help="Read, and none was set.")]


@command("drive", "drive 15 --when warm,load --codes P0303", is_supposable=True)
def drive(
    shop: Shop,
    minutes: Annotated[str, typer.Argument(help="Running time, minutes unless a unit is given.")],
    more: Annotated[
        list[str] | None, typer.Argument(hidden=True, help="Words parted by spaces.")
    ] = None,
    when: Annotated[str, typer.Option(help="Conditions, by commas: warm,load.")] = "",
    codes: Annotated[str | None, typer.Option(help="Codes read afterwards, by commas.")] = None,
    pending: Pending = None,
    permanent: Permanent = None,
    no_codes: NoCodes = False,
    counts: Annotated[str, typer.Option(help="Misfire counters (test 0C): 1=0,3=140.")] = "",
    felt: Annotated[str, typer.Option(help="How it felt: rough, smooth, ...")] = "",
    heard: Annotated[
        str, typer.Option("--suspect", help="Cylinders heard to misfire, no codes read: 1.")
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record a period of running, from words as typed."""
    minutes, when, codes, counts = _with_strays(minutes, when, codes, counts, more or [])
    run = ev.Ran(
        quantity(minutes, "min") or 0.0,
        words(when),
        counts=_number_pairs(counts),
        felt=felt.lower(),
        suspected=_cylinder_numbers(heard),
        **_memories(codes, pending, permanent, no_codes=no_codes),
    )
    return record(shop, lambda job: [check_run(job, run)], ro)


@command("codes", "codes P0302 --pending P0300 --frame warm,load", is_supposable=True)
def codes(
    shop: Shop,
    stored: Annotated[list[str] | None, typer.Argument(help="Stored codes.")] = None,
    pending: Pending = None,
    permanent: Permanent = None,
    no_codes: NoCodes = False,
    frame: Annotated[str, typer.Option(help="Conditions of the freeze frame: warm,load.")] = "",
    cleared: Annotated[
        bool, typer.Option("--cleared", help="Someone erased codes before it came in.")
    ] = False,
    unready: Annotated[
        bool,
        typer.Option("--unready", help="The misfire monitor has not run since codes were erased."),
    ] = False,
    counts: Annotated[
        str, typer.Option(help="Misfire counters of this cycle or the last: 1=0,3=140.")
    ] = "",
    since_start: Annotated[
        str, typer.Option(help="Minutes that the engine has run in that cycle.")
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record codes read without a drive: what the vehicle came in with, or after its last drive."""
    told = " ".join(stored) if stored else None
    scanned = ev.Scanned(
        frame=words(frame),
        memory=UNREADY if unready else CLEARED if cleared else "",
        counts=_number_pairs(counts),
        since_start=quantity(since_start, "min"),
        **_memories(told, pending, permanent, no_codes=no_codes),
    )
    return record(shop, lambda job: [check_scanned(job, scanned)], ro)


def check_scanned(job: Job, scanned: ev.Scanned) -> ev.Scanned:
    """Return what was read with its codes in canonical form, refusing what cannot be."""
    scanned.check()
    if job.is_erased:
        raise JobError(
            "control units were emptied and the engine did not run since: what is stored now says "
            "nothing of before; it goes with the next drive"
        )
    last = job.latest
    if last is None or not isinstance(last.event, ev.Coded):
        return _canonical(job, scanned)
    if isinstance(last.event, ev.Ran) and (scanned.frame or scanned.memory or scanned.since_start):
        raise InputError(
            "a freeze frame, how old codes are and how long counters ran is asked of what the "
            f"vehicle came in with; these belong to the drive before (#{last.seq})"
        )
    before = last.event.told | ({"counts": 1} if last.event.counts else {})
    if twice := [name for name in scanned.told if name in before]:
        raise JobError(
            f"{' and '.join(twice)}: read already (#{last.seq}); undo it if it was mistaken, and "
            "give codes after a further drive with it, as in drive 15 --codes P0302"
        )
    return _canonical(job, scanned)


def check_run(job: Job, run: ev.Ran) -> ev.Ran:
    """Return a run with its codes in canonical form, refusing one that cannot be."""
    run.check()
    if run.felt:
        felt = known_word(run.felt, job.pack.drive_feelings, f'no feeling "{run.felt}"')
        run = structs.replace(run, felt=felt)
    if not (run.told or run.counts or run.felt or run.suspected):
        raise InputError("say what was found: --codes (or --no-codes), --counts or --felt")
    if run.suspected and (run.is_read or run.counts):
        raise InputError("--suspect is for a drive after which neither codes nor counts were read")
    return _canonical(job, run)


def _canonical(job: Job, read: CodedEvent) -> CodedEvent:
    """Return what was read with its codes in canonical form."""
    lists = {name: getattr(read, name) for name in ("codes", "pending", "permanent")}
    return structs.replace(
        read,
        **{
            name: tuple(code.text for code in read_codes(job.engine, texts))
            for name, texts in lists.items()
            if texts is not None
        },
    )


def _memories(
    codes: str | None, pending: str | None, permanent: str | None, *, no_codes: bool
) -> dict[str, Any]:
    """Read what was found where; ``--no-codes`` alone says that whatever was read was empty."""
    if no_codes and codes:
        raise InputError("--no-codes says that none is stored; leave it out, or the codes")
    if no_codes:
        codes, pending = "", pending or ""
    typed = {"codes": codes, "pending": pending, "permanent": permanent}
    return {
        name: () if text.strip().lower() in NO_CODES else tuple(parts(text.upper()))
        for name, text in typed.items()
        if text is not None
    }


def _with_strays(
    minutes: str, when: str, codes: str | None, counts: str, strays: Sequence[str]
) -> tuple[str, str, str | None, str]:
    """Give words that were parted by spaces instead of commas to the option they belong to."""
    for word in strays:
        if word.lower() in TIME_UNITS:
            minutes += word
        elif re.fullmatch(r"[A-Za-z]?\d{3,4}", word) and codes is not None:
            codes += f" {word}"
        elif re.fullmatch(r"\d+[=:]\d+,?", word) and counts:
            counts += f" {word}"
        elif re.fullmatch(r"[A-Za-z-]+,?", word) and when:
            when += f" {word}"
        else:
            raise InputError(
                f'"{word}" stands alone; after the minutes come --codes P0303,P0304, '
                "--when warm,load or --counts 1=0,3=140"
            )
    return minutes, when, codes, counts


def _cylinder_numbers(text: str) -> tuple[int, ...]:
    """Read ``1,3``."""
    found = words(text)
    for word in found:
        if not word.isdecimal():
            raise InputError(f'"{word}" must be a cylinder number, as in 1,3')
    return tuple(dict.fromkeys(map(int, found)))


def _number_pairs(text: str) -> dict[int, int]:
    """Read ``1=0,3=140``, and the test of the monitor before it: ``0C: 1=0,3=140``."""
    test, colon, rest = text.partition(":")
    is_named = bool(colon) and test.strip().isalnum() and not test.strip().isdecimal()
    if is_named and test.strip().upper() != CYCLE:
        raise InputError(
            f'"{test.strip()}" is no count of a drive: test 0B is the average of ten driving '
            f"cycles; read test {CYCLE}, the misfires of this cycle or the last"
        )
    out = {}
    for word in words(rest if is_named else text):
        cylinder, count = name_and_value(word.replace(":", "="))
        if not cylinder.isdecimal() or not count.isdecimal():
            raise InputError(f'"{word}" must be cylinder=count in whole numbers, as in 3=140')
        out[int(cylinder)] = int(count)
    return out
