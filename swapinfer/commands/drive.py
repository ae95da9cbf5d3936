"""The engine ran: how long, under which conditions, and what that showed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated

import typer
from msgspec import Struct, structs

from swapinfer.commands.app import command
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.typed import name_and_value, parts, quantity, words
from swapinfer.errors import InputError, known_word
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.codes import read_codes

NO_CODES = {"none", "no", "0", "-"}
"""What stands for "read, and none was set" where codes are asked for."""

TIME_UNITS = {"s", "min", "mins", "minute", "minutes", "h", "hour", "hours"}
"""What may stand apart from the running time."""


@command("drive", "drive 15 --when warm,load --codes P0303", is_supposable=True)
def drive(
    shop: Shop,
    minutes: Annotated[str, typer.Argument(help="Running time, minutes unless a unit is given.")],
    more: Annotated[
        list[str] | None, typer.Argument(hidden=True, help="Words parted by spaces.")
    ] = None,
    when: Annotated[str, typer.Option(help="Conditions, by commas: warm,load.")] = "",
    codes: Annotated[str | None, typer.Option(help="Codes read afterwards, by commas.")] = None,
    no_codes: Annotated[bool, typer.Option("--no-codes", help="Read, and none was set.")] = False,
    counts: Annotated[str, typer.Option(help="Misfire counters: 1=0,3=140.")] = "",
    felt: Annotated[str, typer.Option(help="How it felt: rough, smooth, ...")] = "",
    heard: Annotated[
        str, typer.Option("--suspect", help="Cylinders heard to misfire, no codes read: 1.")
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record a period of running, from words as typed.

    Raises
    ------
    InputError
        If minutes or counts cannot be, or a condition, feeling or code is not one.
    """
    told = _DriveWords(minutes, when, codes, counts).with_strays(more or [])
    read = () if no_codes else None if told.codes is None else _trouble_codes(told.codes)
    run = ev.Ran(
        quantity(told.minutes, "min") or 0.0,
        words(told.when),
        read,
        _number_pairs(told.counts),
        felt.lower(),
        _cylinder_numbers(heard),
    )
    return record(shop, lambda job: [check_run(job, run)], ro)


def check_run(job: Job, run: ev.Ran) -> ev.Ran:
    """Return a run with its codes in canonical form, refusing one that cannot be.

    Raises
    ------
    InputError
        If minutes or counts cannot be, or a condition, feeling or code is not one.
    """
    run.check()
    if run.felt:
        felt = known_word(run.felt, job.pack.drive_feelings, f'no feeling "{run.felt}"')
        run = structs.replace(run, felt=felt)
    if run.codes is None and not run.counts and not run.felt and not run.suspected:
        raise InputError("say what was found: --codes (or --no-codes), --counts or --felt")
    if run.suspected and (run.codes is not None or run.counts):
        raise InputError("--suspect is for a drive after which neither codes nor counts were read")
    if run.codes is None:
        return run
    codes = tuple(read.text for read in read_codes(job.pack, job.engine, run.codes))
    return structs.replace(run, codes=codes)


class _DriveWords(Struct, frozen=True):
    """Options of a drive as typed, each as one text."""

    minutes: str
    when: str
    codes: str | None
    counts: str

    def with_strays(self, strays: Sequence[str]) -> _DriveWords:
        """Give words that were parted by spaces instead of commas to the option they belong to.

        Raises
        ------
        InputError
            If one belongs to none that was named.
        """
        minutes, when, codes, counts = self.minutes, self.when, self.codes, self.counts
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
        return _DriveWords(minutes, when, codes, counts)


def _trouble_codes(text: str) -> tuple[str, ...]:
    """Read ``P0300,P0303``; ``none`` is none."""
    return () if text.strip().lower() in NO_CODES else tuple(parts(text.upper()))


def _cylinder_numbers(text: str) -> tuple[int, ...]:
    """Read ``1,3``."""
    found = words(text)
    for word in found:
        if not word.isdecimal():
            raise InputError(f'"{word}" must be a cylinder number, as in 1,3')
    return tuple(dict.fromkeys(map(int, found)))


def _number_pairs(text: str) -> dict[int, int]:
    """Read ``1=0,3=140``."""
    out = {}
    for word in words(text):
        cylinder, count = name_and_value(word.replace(":", "="))
        if not cylinder.isdecimal() or not count.isdecimal():
            raise InputError(f'"{word}" must be cylinder=count in whole numbers, as in 3=140')
        out[int(cylinder)] = int(count)
    return out
