"""Readings and inspections recorded."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Annotated

import typer
from msgspec import structs

from swapinfer.commands.app import command, complete_test
from swapinfer.commands.readings import Beside, find_target, find_test, make_readings
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.commands.terminal import is_agreed
from swapinfer.commands.typed import NOT_TAKEN, name_and_value
from swapinfer.errors import DoubtError, InputError, near_match
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Test
from swapinfer.units import format_quantity

OVER_LIMIT = "OL"

UNIT = r"[a-zµμΩω%°][\w%°µμΩω/²^]*"
"""A unit that stands apart from its number."""

Named = Annotated[
    str, typer.Argument(help="Which test; see: swapinfer tests", autocompletion=complete_test)
]


@command("read", "read compression 1=178psi 2=181psi 3=95psi 4=180psi", is_supposable=True)
def read(
    shop: Shop,
    test: Named,
    values: Annotated[
        list[str],
        typer.Argument(help="Target=value with unit; or values alone, one for each in order."),
    ],
    against: Annotated[
        str, typer.Option(help="Battery voltage at the same time, for supplies: 12.5V.")
    ] = "",
    wanted: Annotated[
        str, typer.Option(help="The maker's or the control unit's figure, for pressures: 55psi.")
    ] = "",
    temperature: Annotated[str, typer.Option(help="Of the part, for resistances.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Take what looks like a slip.")] = False,
    ro: str = "",
) -> Recorded:
    """Record readings as typed; what hardly can be meant is asked about where someone answers."""
    typed = target_values(values)
    beside = Beside(against, wanted, temperature, insists=yes)
    try:
        return measure(shop, test, typed, beside, ro)
    except DoubtError as doubt:
        if not is_agreed(doubt, ".\nRecord it as typed?"):
            raise DoubtError(f"{doubt}; to insist add --yes") from None
    return measure(shop, test, typed, structs.replace(beside, insists=True), ro)


def measure(
    shop: Shop,
    test_id: str,
    values: Mapping[str, str] | Sequence[str],
    beside: Beside,
    ro: str = "",
) -> Recorded:
    """Record one reading, or several of one test.

    What they are relative to, and the figure wanted of a good one, are taken from an earlier
    reading where they are not given: a reference of the same day, a wanted figure of the same test.
    """
    loaded = shop.load(ro)
    test = find_test(loaded.job, test_id, "reading")
    beside, notes = _with_earlier(loaded, test, beside, shop.now())
    named = values if isinstance(values, Mapping) else _in_order(loaded.job, test, values)
    made = make_readings(loaded.job, test_id, named, beside, shop.settings)
    told = record(shop, lambda _job: made, loaded.ro)
    return structs.replace(told, warnings=(*told.warnings, *notes))


def _in_order(job: Job, test: Test, values: Sequence[str]) -> dict[str, str]:
    """Give values to the targets of a test, one each in order."""
    targets = job.engine.target_places(test.target)
    if len(values) == len(targets):
        return {t: v for t, v in zip(targets, values, strict=True) if v != NOT_TAKEN}
    if len(targets) == 1:
        raise InputError(f'"{test.id}" has one value, got {len(values)}: {" ".join(values)}')
    first = targets[0].removeprefix(test.target)
    raise InputError(
        f'"{test.id}" is read on {_listed(targets)}: say which, as in {first}={values[0]}, '
        f"or give all {len(targets)} values in order, {NOT_TAKEN} where none was taken"
    )


def _listed(targets: Sequence[str]) -> str:
    return f"{targets[0]} to {targets[-1]}" if len(targets) > 2 else " and ".join(targets)


def _with_earlier(
    loaded: OpenJob, test: Test, beside: Beside, now: str
) -> tuple[Beside, list[str]]:
    """Fill in from earlier readings what was not typed, and say so."""
    notes, tests = [], loaded.job.engine.tests
    earlier = [
        (seq, loaded.records[seq].at, event)
        for seq, event in reversed(loaded.job.standing)
        if isinstance(event, ev.Measured)
    ]
    if test.reference and not beside.against:
        for seq, at, event in earlier:
            known = tests[event.test]
            if known.reference == test.reference and event.reference and at[:10] == now[:10]:
                text = format_quantity(event.reference, known.unit)
                notes.append(f"against the {test.reference}'s {text} of {at[11:16]}, event {seq}")
                beside = structs.replace(beside, against=f"{event.reference!r} {known.unit}")
                break
    if test.wanted and not beside.wanted:
        for seq, _, event in earlier:
            if event.test == test.id and event.wanted:
                text = format_quantity(event.wanted, test.unit)
                notes.append(f"against the {test.wanted} of {text}, event {seq}")
                beside = structs.replace(beside, wanted=f"{event.wanted!r} {test.unit}")
                break
    return beside, notes


def target_values(typed: Sequence[str]) -> dict[str, str] | list[str]:
    """Read ``3=12.1V`` pairs, or values alone.

    A colon does for the equals sign, and a space may part a number from its unit.
    """
    text = re.sub(r"\s*[=:]\s*", "=", " ".join(typed))
    text = re.sub(r",\s*(?=[^\s,=]*=)", " ", text)
    found: list[str] = []
    before = ""
    for word in text.split():
        is_unit = re.fullmatch(UNIT, word, re.IGNORECASE) and word.upper() != OVER_LIMIT
        if is_unit and found:
            found[-1] += f" {word}"
        elif is_unit:
            before += f"{word} "  # of a target, as in "cylinder 3=95"
        else:
            found.append(before + word)
            before = ""
    found += [before.strip()] if before else []
    if "=" not in text:
        return found
    pairs = [name_and_value(word) for word in found]
    targets = [target for target, _ in pairs]
    for target in targets:
        if targets.count(target) > 1:
            raise InputError(f'"{target}" is given more than one value')
    return dict(pairs)


@command("inspect", "inspect plug-look 3 oil", is_supposable=True)
def inspect(
    shop: Shop,
    test: Named,
    seen: Annotated[
        list[str],
        typer.Argument(help="Where, if there is more than one place, and what was seen: 3 oil."),
    ],
    ro: str = "",
) -> Recorded:
    """Record an inspection from where and what in one row of words: ``3 oil``, or ``sound``."""
    job = shop.load(ro).job
    known = find_test(job, test, "inspection")
    where, outcome = _parted(known, seen)
    targets = job.engine.target_places(known.target)
    if not where and len(targets) > 1:
        raise InputError(
            f'"{known.id}" is done on {_listed(targets)}: say where and what was seen, as in '
            f"{targets[0].removeprefix(known.target)} {next(iter(known.outcomes))}"
        )
    word = "-".join(outcome.split())
    if word not in known.outcomes:
        near = near_match(word, known.outcomes)
        raise InputError(f'"{outcome}" is no outcome of {known.id}{near}')
    event = ev.Inspected(known.id, find_target(job, known, where), word)
    return record(shop, lambda _job: [event], ro)


def _parted(test: Test, seen: Sequence[str]) -> tuple[str, str]:
    """Part where from what: the longest end of the words that is an outcome."""
    words = [word.lower() for word in seen]
    for at in range(len(words)):
        if "-".join(words[at:]) in test.outcomes:
            return " ".join(words[:at]), "-".join(words[at:])
    is_place = len(words) > 1 or any(character.isdigit() for character in words[0])
    at = 1 if is_place else 0
    return " ".join(words[:at]), " ".join(words[at:])
