"""Readings as a person types them: of what, in which unit, and whether they can be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from msgspec import Struct, structs

from swapinfer.commands.shop import Settings
from swapinfer.errors import DoubtError, InputError, near_match
from swapinfer.evidence.levels import level_nodes
from swapinfer.evidence.profiles import density, reading_value
from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import place_label
from swapinfer.pack.model import GOOD, Test
from swapinfer.units import format_between, split_quantity, to_unit, unit_typed, units_like

USUALLY_GOOD = 0.9
"""Share of good ones among all that is read, for guessing which unit was meant; our choice."""

FAR_LIKELIER = 5.0
"""How many times likelier a number must be in another unit to be asked about; our choice."""

FAR_SMALLER = 0.01
"""Units below this part of the test's own are no slip where the number can be as it is."""


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

    def reference(self, text: str, insists: bool = False) -> float | None:
        """Take what readings are relative to."""
        test, name = self.test, self.test.reference
        if not name:
            if text:
                raise InputError(f'"{test.id}" is not judged against another reading: {text}')
            return None
        low, high = test.reference_range or self._possible()
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
                f"{test.wanted} of {self._full(text)} is hardly meant; usual is {self._usual()}"
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
        self,
        values: Mapping[str, str],
        besides: ev.Measured,
        insists: bool,
    ) -> list[ev.Measured]:
        """Take readings, by target as typed."""
        return [self._read(besides, target, text, insists) for target, text in values.items()]

    def _read(self, besides: ev.Measured, target: str, text: str, insists: bool) -> ev.Measured:
        place = find_target(self.job, self.test, target)
        what = f"{self.test.title}, {place_label(self.job.engine, place)}"
        typed = self._full(text) if self.shop_unit else text
        value = self._number(what, text)
        read = structs.replace(besides, target=place, value=value, typed=typed)
        if not insists:
            self._doubt(what, read, text)
        return read

    def _number(self, what: str, text: str) -> float:
        value = to_unit(text, self.test.unit, self.shop_unit)
        if not self._is_possible(value) and not math.isinf(value):
            possible = format_between(*self._possible(), self.test.unit)
            raise InputError(
                f"{what}: {self._full(text)} cannot be; "
                f"readings lie in {possible}{self._write(text)}"
            )
        return value

    def _full(self, text: str) -> str:
        """Text with the unit in which it was taken."""
        if math.isinf(to_unit(text, self.test.unit)):
            return text
        number = "" if unit_typed(text, self.test.unit) else f" {self.shop_unit or self.test.unit}"
        return text.strip() + number

    def _possible(self) -> tuple[float, float]:
        _, high = self.test.range
        most = 1e3 * max(high, 1.0)
        return self.test.possible or (0.0 if self.test.scale == "log" else -most, most)

    def _is_possible(self, value: float) -> bool:
        low, high = self._possible()
        return low <= value <= high

    def _is_plausible(self, value: float) -> bool:
        """Whether a value lies in the test's range; on a log scale nothing is too low for it."""
        low, high = self.test.range
        return value <= high and (self.test.scale == "log" or value >= low)

    def _doubt(self, what: str, read: ev.Measured, text: str) -> None:
        if math.isinf(read.value):
            return
        unit, full = self.test.unit, self._full(text)
        as_shown = structs.replace(read, wanted=None, temperature_c=None)
        if not self._is_plausible(reading_value(self.test, as_shown)):
            usual = "" if self.test.reference else f"; usual is {self._usual()}"
            raise DoubtError(f"{what}: {full} is hardly meant{usual}{self._write(text)}")
        if not self.shop_unit and (other := self._likeliest(text, read)):
            raise DoubtError(
                f"{what}: {full} is less likely than {text.strip()} {other}; "
                f"write {text.strip()}{other} or {text.strip()}{unit}"
            )

    def _usual(self) -> str:
        return format_between(*self.test.range, self.test.unit)

    def _write(self, text: str) -> str:
        other = self._likeliest(text)
        return f"; write {text.strip()}{other} if that is meant" if other else ""

    def _likeliest(self, text: str, read: ev.Measured | None = None) -> str:
        """Name the unit in which a number typed without one is likeliest, if far more than it is.

        Where it can be what it was taken for, far smaller units are left out: nobody types 5.5
        for 5.5 mV on a supply of 12 V.
        """
        unit = self.test.unit
        if unit_typed(text, unit):
            return ""
        number, _ = split_quantity(text, unit)
        best, found = FAR_LIKELIER * self._weight(read) if read else 0.0, ""
        for other in (unit, *units_like(unit)):
            if other == (self.shop_unit or unit):
                continue
            value = to_unit(f"{number!r} {other}", unit)
            is_too_small = read is not None and to_unit(f"1 {other}", unit) < FAR_SMALLER
            if is_too_small or not self._is_possible(value) or not self._is_plausible(value):
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
        good, *others = [
            float(nodes.weight_q @ density(test, test.curves[name], value, nodes.value_q))
            for name in (GOOD, *(name for name in test.curves if name != GOOD))
        ]
        rest = sum(others) / len(others) if others else good
        return float(USUALLY_GOOD * good + (1.0 - USUALLY_GOOD) * rest)


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
    targets = job.engine.target_places(test.target)
    if len(targets) == 1 and typed in ("", targets[0]):
        return targets[0]
    word = "".join(typed.lower().split())
    if word in targets:
        return word
    if word.isdigit() and f"{test.target}{word}" in targets:
        return f"{test.target}{word}"
    if test.target in job.engine.kinds and word:
        name = f"{test.target}{word}" if word[0].isdigit() else word
        return _right_kind(job.engine.find_place(name), test, targets)
    if word.isdigit() and test.target == "cylinder":
        job.engine.check_cylinder(int(word))
    if word in job.engine.places:
        served = job.engine.places[word].cylinders
        for target in targets:
            if job.engine.target_cylinders(target) == tuple(sorted(served)):
                return target
    raise InputError(f'"{test.id}" cannot be made on "{typed}"{near_match(word, targets)}')


def _right_kind(place: Place, test: Test, targets: Sequence[str]) -> str:
    if place.id not in targets:
        raise InputError(
            f'"{test.id}" cannot be made on "{place.id}"{near_match(place.id, targets)}'
        )
    return place.id
