"""One engine: a layout with a fitment, every place that a pack gives it, and its trouble codes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cached_property

import msgspec

from swapinfer.errors import InputError, PlaceError, known_word, near_match, one_word
from swapinfer.layout import Layout, Place, places_of
from swapinfer.pack.model import Code, Kind, Pack, Test


def is_fitted(fitted: Mapping[str, tuple[str, ...]], fitment: Mapping[str, str]) -> bool:
    """Say whether a thing limited to `fitted` belongs to an engine with this fitment."""
    return all(fitment[axis] in values for axis, values in fitted.items())


class CodeRead(msgspec.Struct, frozen=True):
    """A code and what it points at in one engine."""

    text: str  # in canonical form: ``P0303``
    code: Code  # its family, or `WEIGHTLESS`
    cylinders: tuple[int, ...]  # cylinders that it may speak of

    @property
    def role(self) -> str:
        """Of the family; empty for a code that carries no weight."""
        return self.code.role

    @property
    def title(self) -> str:
        """Of the family, with the number of the cylinder, pair or bank."""
        if self.code.pattern == "engine":
            return self.code.title
        place = (int(self.text[1:]) - self.code.first) // max(self.code.step, 1) + 1
        return f"{self.code.title} {place}"

    @property
    def cylinder(self) -> int:
        """The one cylinder that it names, or 0."""
        return self.cylinders[0] if len(self.cylinders) == 1 else 0


def format_code(number: int) -> str:
    """Write the generic powertrain code with a number."""
    return f"P{number:04d}"


class Engine(msgspec.Struct, frozen=True, dict=True):
    """What a job's engine consists of."""

    layout: Layout  # geometry, with the job's own firing order where it gave one
    fitment: dict[str, str]
    kinds: dict[str, Kind]  # in element order
    tests: dict[str, Test]
    places: dict[str, Place]  # by place id, in element order
    codes: dict[str, CodeRead]  # by text, those of families of which it has any cause

    @classmethod
    def build(cls, pack: Pack, layout: Layout, fitment: Mapping[str, str]) -> Engine:
        """Fit out a layout."""
        kinds = {k.id: k for k in pack.kinds.values() if is_fitted(k.fitted, fitment)}
        tests = {t.id: t for t in pack.tests.values() if is_fitted(t.fitted, fitment)}
        places = (p for k in kinds.values() for p in places_of(layout, k.id, k.pattern))
        codes = (
            CodeRead(format_code(code.first + number * max(code.step, 1)), code, cylinders)
            for code in pack.codes.values()
            if not code.sets or any(kind in kinds for kind, _, _ in code.sets)
            for number, cylinders in enumerate(layout.groups(code.pattern))
        )
        return cls(
            layout=layout,
            fitment=dict(fitment),
            kinds=kinds,
            tests=tests,
            places={place.id: place for place in places},
            codes={read.text: read for read in codes},
        )

    def places_for(self, kind: str) -> tuple[Place, ...]:
        """Every place of one kind."""
        return self._by_kind.get(kind, ())

    @cached_property
    def _by_kind(self) -> dict[str, tuple[Place, ...]]:
        found: dict[str, list[Place]] = {}
        for place in self.places.values():
            found.setdefault(place.kind, []).append(place)
        return {kind: tuple(places) for kind, places in found.items()}

    def kind_of(self, place: str) -> Kind:
        """Kind of what sits at a place."""
        return self.kinds[self.places[place].kind]

    def find_test(self, text: str) -> Test:
        """Return the test that a person named."""
        return self.tests[known_word(text, self.tests, f'no test "{text}" for this engine')]

    def find_place(self, text: str) -> Place:
        """Return the place that a person named.

        ``coil3`` and ``coil 3`` are the same; a cylinder of a pair names the pair; a kind of
        which the engine has one needs no number.
        """
        word = one_word(text)
        squeezed = re.sub(r"-(?=\d)(?<![\d]-)", "", word)
        for candidate in (word, squeezed):
            if candidate in self.places:
                return self.places[candidate]
        kind = re.sub(r"(bank)?\d[\d+-]*$", "", squeezed).rstrip("-")
        if kind not in self.kinds:
            raise PlaceError(
                f'this {self.layout.title} has no part or place "{text}"'
                + near_match(kind, self.kinds)
            )
        numbers = {int(number) for number in re.findall(r"\d+", squeezed)}
        for place in self.places_for(kind):
            if numbers and numbers <= set(place.cylinders) and place.pattern != "adjacent":
                return place
        options = ", ".join(place.id for place in self.places_for(kind))
        raise PlaceError(f'no place "{text}" in this {self.layout.title}; known: {options}')

    def check_cylinder(self, number: int) -> int:
        """Return the cylinder number, refusing one that the engine does not have."""
        if number not in self.layout.cylinders:
            last = self.layout.cylinders[-1]
            raise PlaceError(
                f"no cylinder {number} in this {self.layout.title}; it has 1 to {last}"
            )
        return number

    def target_places(self, target: str) -> tuple[str, ...]:
        """Ids of all targets of a test: places of a kind, cylinders, banks, or the engine."""
        if target == "cylinder":
            return tuple(f"cylinder{number}" for number in self.layout.cylinders)
        if target == "bank":
            return tuple(f"bank{number}" for number in range(1, len(self.layout.banks) + 1))
        if target == "engine":
            return ("engine",)
        return tuple(place.id for place in self.places_for(target))

    def target_cylinders(self, target_place: str) -> tuple[int, ...]:
        """Cylinders that a test on this target looks at."""
        if target_place == "engine":
            return self.layout.cylinders
        if match := re.fullmatch(r"cylinder(\d+)", target_place):
            return (int(match[1]),)
        if match := re.fullmatch(r"bank(\d+)", target_place):
            return tuple(sorted(self.layout.banks[int(match[1]) - 1]))
        return self.places[target_place].cylinders


def require_engine(pack: Pack, layout: str, fitment: Mapping[str, str]) -> None:
    """Say why not where the pack does not have an engine of this layout and these kinds."""
    require_offered(pack, "layout", layout, pack.layouts)
    for axis, kinds in pack.fitments.items():
        require_offered(pack, f"{axis} kind", fitment.get(axis, ""), kinds)


def require_offered(pack: Pack, what: str, word: str, known: Iterable[str]) -> str:
    """Return a word by which an engine is chosen, or say why the pack does not have it."""
    options = list(known)
    if word in options:
        return word
    for name, reason in pack.refusals.items():
        if name in word.lower():
            raise InputError(f'"{word}" cannot be taken: {reason}')
    raise InputError(f'no {what} "{word}"{near_match(word, options)}')


WEIGHTLESS = Code(
    id="", title="carries no weight", first=0, pattern="engine", role="", false_chance=0.0
)
"""Stands for every code that the pack does not speak of."""

LARGEST_CYLINDERS = 12
"""Generic numbering goes no further: P0301 to P0312."""

_SHORT = re.compile(r"^P?([1-9]\d\d)$")
_CODE = re.compile(r"([A-Z])([0-9A-F]{4})(?:-[0-9A-F]{2})?")


def parse_code(text: str) -> str:
    """Bring a code as typed into canonical form, such as ``P0303``.

    Case and spaces do not matter, nor does a leading nought (``P303``) or, before three figures,
    the letter; a failure-type suffix (``-00``) is dropped. Codes of other systems are refused.
    """
    text = " ".join(text.split())
    found = _CODE.fullmatch(_SHORT.sub(r"P0\1", text.replace(" ", "").upper()))
    if not found or found.group(1) not in "PBCU" or found.group(2)[0] not in "0123":
        raise InputError(f'"{text}" is no trouble code; accepted: P and four digits, as in P0303')
    if found.group(1) != "P":
        systems = {"B": "body", "C": "chassis", "U": "network"}
        raise InputError(
            f'"{text}" is a code of the {systems[found.group(1)]}, not of the powertrain; '
            "accepted: codes that begin with P"
        )
    return found.group(1) + found.group(2)


def read_codes(engine: Engine, texts: Iterable[str]) -> list[CodeRead]:
    """Say what codes as typed are to an engine, refusing those of what it does not have."""
    canonical = dict.fromkeys(map(parse_code, texts))
    return [engine.codes.get(text) or _unknown(engine, text) for text in canonical]


def title_of_code(pack: Pack, text: str) -> str:
    """Say what a code speaks of, whichever engine sets it."""
    of = (code for code in pack.codes.values() if _place_in_family(code, text))
    return next((CodeRead(text, code, ()).title for code in of), "")


def _unknown(engine: Engine, text: str) -> CodeRead:
    for code in {read.code.id: read.code for read in engine.codes.values()}.values():
        if place := _place_in_family(code, text):
            has = len(engine.layout.groups(code.pattern))
            raise PlaceError(
                f"{text} is {code.title} {place}, but this {engine.layout.title} has {has}"
            )
    return CodeRead(text, WEIGHTLESS, engine.layout.cylinders)


def _place_in_family(code: Code, text: str) -> int:
    """Return the number of what a code of this family would name on a large engine, or 0."""
    largest = {"cylinder": LARGEST_CYLINDERS, "pair": LARGEST_CYLINDERS, "bank": 2, "engine": 1}
    step = max(code.step, 1)
    numbers = {format_code(code.first + i * step): i + 1 for i in range(largest[code.pattern])}
    return numbers.get(text, 0)
