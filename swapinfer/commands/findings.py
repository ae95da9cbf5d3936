"""Readings and inspections: as a person types them, whether they can be, and recorded."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Annotated

import typer
from msgspec import Struct, structs

from swapinfer.commands.app import command, complete_test
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import OpenJob, Settings, Shop
from swapinfer.commands.terminal import is_agreed
from swapinfer.commands.typed import NOT_TAKEN, name_and_value
from swapinfer.errors import DoubtError, InputError, near_match
from swapinfer.evidence.levels import level_nodes
from swapinfer.evidence.profiles import density, reading_value
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import place_label
from swapinfer.pack.model import GOOD, Test
from swapinfer.units import (
    OVER_LIMIT,
    format_between,
    format_quantity,
    split_quantity,
    to_unit,
    unit_typed,
    units_like,
)

USUALLY_GOOD = 0.9
"""Share of good ones among all that is read, for guessing which unit was meant; our choice."""

FAR_LIKELIER = 5.0
"""How many times likelier a number must be in another unit to be asked about; our choice."""

FAR_SMALLER = 0.01
"""Units below this part of the test's own are no slip where the number can be as it is."""


UNIT = r"[a-zµμΩω%°][\w%°µμΩω/²^]*"
"""A unit that stands apart from its number."""

Named = Annotated[
    str, typer.Argument(help="Which test; see: swapinfer tests", autocompletion=complete_test)
]


class Beside(Struct, frozen=True):
    """What was typed beside the readings themselves."""

    against: str = ""
    wanted: str = ""
    temperature: str = ""
    insists: bool = False


def make_readings(
    job: Job, test_id: str, values: Mapping[str, str], beside: Beside, settings: Settings
) -> list[ev.Measured]:
    """Make the events of readings as typed."""
    if not values:
        raise InputError("a reading needs a number, for example: 3=12.1V")
    typist = Typist(job, find_test(job, test_id, "reading"), settings)
    typist.read(values, typist.besides(None, None, ""), insists=True)  # a slip in them comes first
    besides = typist.besides(
        typist.reference(beside.against, beside.insists),
        typist.wanted(beside.wanted, beside.insists),
        beside.temperature,
    )
    return typist.read(values, besides, beside.insists)


class Typist:
    """Whoever types the readings of one test.

    Whether a person insists on what hardly can be is told with each thing typed.
    """

    def __init__(self, job: Job, test: Test, settings: Settings) -> None:
        self.job, self.test, self.settings = job, test, settings
        self.shop_unit = settings.bare_unit(test.unit)
        self.unit = self.shop_unit or test.unit
        most = 1e3 * max(test.range[1], 1.0)
        self._possible = test.possible or (0.0 if test.scale == "log" else -most, most)
        self._usual = format_between(*test.range, test.unit)

    def reference(self, text: str, insists: bool = False) -> float | None:
        """Take what readings are relative to."""
        test, name = self.test, self.test.reference
        if not name:
            if text:
                raise InputError(f'"{test.id}" is not judged against another reading: {text}')
            return None
        low, high = test.reference_range or self._possible
        if not text:
            raise InputError(
                f"{test.title} is judged against the {name}'s: read that at the same time and "
                f"give it, as in --against {(low + high) / 2:g}{test.unit}"
            )
        value = self._number(f"{name}, beside the {test.title}", text)
        if not low <= value <= high and not insists:
            usual = format_between(low, high, test.unit)
            raise DoubtError(f"the {name} at {self._full(text)} is hardly meant; usual is {usual}")
        return value

    def wanted(self, text: str, insists: bool = False) -> float | None:
        """Take what a good one would read exactly."""
        if not text:
            return None
        test = self.test
        if not test.wanted:
            raise InputError(f'"{test.id}" has no wanted figure to be judged by: {text}')
        value = self._number(test.wanted, text)
        if value <= 0:
            raise InputError(f"{test.wanted} must be above 0, got {self._full(text)}")
        if not self._is_plausible(value) and not insists:
            raise DoubtError(
                f"{test.wanted} of {self._full(text)} is hardly meant; usual is {self._usual}"
            )
        return value

    def besides(
        self, reference: float | None, wanted: float | None, temperature: str
    ) -> ev.Measured:
        """Make a reading that lacks only target and value."""
        degrees = None
        if temperature:
            degrees = to_unit(temperature, "degC", self.settings.bare_unit("degC"))
        return ev.Measured(self.test.id, "", 0.0, "", reference, degrees, wanted)

    def read(
        self, values: Mapping[str, str], besides: ev.Measured, insists: bool
    ) -> list[ev.Measured]:
        """Take readings, by target as typed."""
        taken = []
        for target, text in values.items():
            place = find_target(self.job, self.test, target)
            what = f"{self.test.title}, {place_label(self.job.engine, place)}"
            typed = self._full(text) if self.shop_unit else text
            value = self._number(what, text)
            taken.append(structs.replace(besides, target=place, value=value, typed=typed))
            if not insists:
                self._doubt(what, taken[-1], text)
        return taken

    def _number(self, what: str, text: str) -> float:
        value = to_unit(text, self.test.unit, self.shop_unit)
        low, high = self._possible
        if not low <= value <= high and not math.isinf(value):
            raise InputError(
                f"{what}: {self._full(text)} cannot be; readings lie in "
                f"{format_between(low, high, self.test.unit)}{self._hint(text)}"
            )
        return value

    def _full(self, text: str) -> str:
        """Text with the unit in which it was taken."""
        if math.isinf(to_unit(text, self.test.unit)):
            return text
        return text.strip() + ("" if unit_typed(text, self.test.unit) else f" {self.unit}")

    def _is_plausible(self, value: float) -> bool:
        """Whether a value lies in the test's range; on a log scale nothing is too low for it."""
        low, high = self.test.range
        return value <= high and (self.test.scale == "log" or value >= low)

    def _doubt(self, what: str, read: ev.Measured, text: str) -> None:
        if math.isinf(read.value):
            return
        full = self._full(text)
        as_shown = structs.replace(read, wanted=None, temperature_c=None)
        if not self._is_plausible(reading_value(self.test, as_shown)):
            usual = "" if self.test.reference else f"; usual is {self._usual}"
            raise DoubtError(f"{what}: {full} is hardly meant{usual}{self._hint(text)}")
        if not self.shop_unit and (other := self._likeliest(text, read)):
            number = text.strip()
            raise DoubtError(
                f"{what}: {full} is less likely than {number} {other}; "
                f"write {number}{other} or {number}{self.test.unit}"
            )

    def _hint(self, text: str) -> str:
        other = self._likeliest(text)
        return f"; write {text.strip()}{other} if that is meant" if other else ""

    def _likeliest(self, text: str, read: ev.Measured | None = None) -> str:
        """Name the unit in which a number typed without one is likeliest, if far more than it is.

        Where it can be what it was taken for, far smaller units are left out: nobody types 5.5
        for 5.5 mV on a supply of 12 V.
        """
        unit, (low, high) = self.test.unit, self._possible
        if unit_typed(text, unit):
            return ""
        number, _ = split_quantity(text, unit)
        best, found = FAR_LIKELIER * self._weight(read) if read else 0.0, ""
        for other in (unit, *units_like(unit)):
            value = to_unit(f"{number!r} {other}", unit)
            is_too_small = read is not None and to_unit(f"1 {other}", unit) < FAR_SMALLER
            can_be = low <= value <= high and self._is_plausible(value)
            if other == self.unit or is_too_small or not can_be:
                continue
            meant = structs.replace(read or ev.Measured(self.test.id, "", 0.0), value=value)
            if (weight := self._weight(meant)) > best:
                best, found = weight, other
        return found

    def _weight(self, read: ev.Measured) -> float:
        """How likely a reading is, in density on the test's scale."""
        test = self.test
        value = reading_value(test, read)
        nodes = level_nodes(test, self.job.opening, [])
        likely = {
            name: float(nodes.weight_q @ density(test, curve, value, nodes.value_q))
            for name, curve in test.curves.items()
        }
        good = likely.pop(GOOD)
        rest = sum(likely.values()) / len(likely) if likely else good
        return USUALLY_GOOD * good + (1.0 - USUALLY_GOOD) * rest


def find_test(job: Job, test_id: str, form: str) -> Test:
    """Find a test by its name as typed, and refuse one of the other form."""
    test = job.engine.find_test(test_id)
    if test.form != form:
        hint = "swapinfer read" if test.form == "reading" else "swapinfer inspect"
        raise InputError(f'"{test.id}" is a {test.form}; record it with: {hint}')
    return test


def find_target(job: Job, test: Test, typed: str) -> str:
    """Target of a test as a person names it: ``3``, ``cylinder 3``, ``coil3``, ``bank1``.

    A test on a cylinder may be named by a part that serves this cylinder alone.
    """
    engine, targets = job.engine, job.engine.target_places(test.target)
    if len(targets) == 1 and typed in ("", targets[0]):
        return targets[0]
    word = "".join(typed.lower().split())
    if word in targets:
        return word
    if word.isdigit() and f"{test.target}{word}" in targets:
        return f"{test.target}{word}"
    if test.target in engine.kinds and word:
        typed = word = engine.find_place(f"{test.target}{word}" if word[0].isdigit() else word).id
        if word in targets:
            return word
    elif word.isdigit() and test.target == "cylinder":
        engine.check_cylinder(int(word))
    elif word in engine.places:
        served = tuple(sorted(engine.places[word].cylinders))
        for target in targets:
            if engine.target_cylinders(target) == served:
                return target
    raise InputError(f'"{test.id}" cannot be made on "{typed}"{near_match(word, targets)}')


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
    """Read ``3=12.1V`` pairs as target to value, or values alone in their order.

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
    values = dict[str, str]()
    for target, value in [name_and_value(word) for word in found]:
        if target in values:
            raise InputError(f'"{target}" is given more than one value')
        values[target] = value
    return values


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
    is_place = len(words) > 1 or any(character.isdigit() for character in words[0])
    ends = (at for at in range(len(words)) if "-".join(words[at:]) in test.outcomes)
    at = next(ends, int(is_place))
    return " ".join(words[:at]), " ".join(words[at:])
