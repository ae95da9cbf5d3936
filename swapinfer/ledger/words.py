"""Names of elements and places, ranges and engines, as a person says or draws them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from swapinfer.errors import InputError
from swapinfer.layout import Place
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import GOOD, Test
from swapinfer.physics import copper_resistance
from swapinfer.units import convert, format_between, format_quantity, unit_typed

if TYPE_CHECKING:
    from swapinfer.ledger.events import Measured
    from swapinfer.ledger.replay import Job


def listed(names: Sequence[str]) -> str:
    """Join names by commas and an "and"."""
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def where_words(place: Place) -> str:
    """Say where a place is: "cylinder 3", "cylinders 1 and 4", "bank 2", or nothing."""
    if place.pattern == "engine":
        return ""
    if place.pattern == "bank":
        return f"bank {place.bank}"
    if len(place.cylinders) == 1:
        return f"cylinder {place.cylinders[0]}"
    joint = " and " if place.pattern == "pair" else "-"
    return "cylinders " + joint.join(map(str, place.cylinders))


def place_label(engine: Engine, place_id: str) -> str:
    """Name a place or a test's target: "ignition coil, cylinder 3"."""
    if place_id not in engine.places:
        return target_label(place_id)
    place = engine.places[place_id]
    where = where_words(place)
    return engine.kinds[place.kind].title + (f", {where}" if where else "")


def target_label(target: str) -> str:
    """Name a target that is no place: "cylinder 3", "bank 1", "engine"."""
    word = target.rstrip("0123456789")
    return f"{word} {target[len(word) :]}".strip()


def origin(job: Job, element_id: str) -> Place:
    """Place where an element was when the job began, or was first fitted."""
    return job.engine.places[element_id.partition(".new")[0]]


def element_label(job: Job, element_id: str) -> str:
    """Name an element by where it came from: "ignition coil from cylinder 3"."""
    came_from = origin(job, element_id)
    kind = job.engine.kinds[came_from.kind]
    where = where_words(came_from)
    if job.elements[element_id].is_new:
        number = element_id.partition(".new")[2]
        nth = f" {number}" if number else ""
        return f"new {kind.title}{nth}" + (f", {where}" if where else "")
    joint = " from " if kind.movable else ", "
    return kind.title + (joint + where if where else "")


def now_at(job: Job, element_id: str) -> str:
    """Say where an element is if not at its origin: "now on cylinder 1", "replaced"."""
    place = job.place_of(element_id)
    if place is None:
        return "replaced"
    return "" if place == origin(job, element_id) else f"now on {where_words(place)}"


def is_one_sided(test: Test) -> bool:
    """Whether a reading can only be too high: good ones lie in the lowest of its bands."""
    return test.nominal < test.bands[0].below


def good_range(
    test: Test, level: float | None = None, event: Measured | None = None
) -> tuple[float, float] | None:
    """Values between which nine in ten good readings lie, in the test's unit.

    That is the central 90 % of the heaviest lobe of the curve: its centre and 1.645 standard
    deviations. `level` is what sound ones share, where the test is relative to that. For a reading,
    it is what the meter would have shown beside the same reference and wanted figure, on a part as
    warm. None for inspections, and where level or reference is not known.
    """
    if not test.curves or (test.level and level is None):
        return None
    _, centre, sd = test.curves[GOOD].heaviest
    apart = test.off_scale(1.645 * sd)  # a factor or a difference, as levels are
    low = test.as_shown(test.beside(centre, apart), level)
    high = test.as_shown(test.as_shown(centre, apart), level)
    if is_one_sided(test):
        low = (test.possible or test.range)[0]
    if event is None:
        return low, high
    if test.reference and event.reference is None:
        return None
    scale = event.wanted / test.nominal if test.wanted and event.wanted else 1.0
    if test.copper_alpha and event.temperature_c is not None:
        scale = copper_resistance(scale, event.temperature_c, test.copper_alpha)
    shift = (test.reference and event.reference) or 0.0
    return low * scale + shift, high * scale + shift


def expected_range(test: Test, level: float | None = None, event: Measured | None = None) -> str:
    """Say `good_range`, in the unit in which the reading was typed; empty where there is none."""
    between = good_range(test, level, event)
    if between is None:
        return ""
    if event is None and test.reference:
        ends = [
            f"{format_quantity(abs(end), test.unit, 3)} {'below' if end < 0 else 'above'}"
            for end in between
        ]
        return f"{' to '.join(ends)} the {test.reference}'s"
    if event is None:
        return _between(test, *between, test.unit)
    low, unit = in_unit_typed(test, event, between[0])
    high, _ = in_unit_typed(test, event, between[1])
    said = _between(test, low, high, unit)
    if event.wanted is not None:
        said += f" where {format_quantity(*in_unit_typed(test, event, event.wanted))} is wanted"
    if test.reference and event.reference is not None:
        said += f" at {format_quantity(event.reference, test.unit)}"
    if test.copper_alpha and event.temperature_c is not None:
        said += f" at {format_quantity(event.temperature_c, 'degC')}"
    return said


def _between(test: Test, low: float, high: float, unit: str) -> str:
    text = format_between(low, high, unit)
    return f"up to {text.partition(' to ')[2]}" if is_one_sided(test) else text


def wanted_words(test: Test, event: Measured) -> str:
    """Say which figure a reading is judged by; empty where none was given."""
    return "" if event.wanted is None else f", {event.wanted:.4g} {test.unit} wanted"


def in_unit_typed(test: Test, event: Measured, value: float) -> tuple[float, str]:
    """Turn a value from the test's unit into the one in which a reading was typed."""
    try:
        unit = (event.typed and unit_typed(event.typed, test.unit)) or test.unit
        return convert(value, test.unit, unit), unit
    except InputError:
        return value, test.unit


def draw_engine(job: Job, marks: Mapping[int, str] | None = None) -> list[str]:
    """Draw banks and cylinder numbers, and below each cylinder a short word where there is one."""
    layout, words = job.engine.layout, marks or {}
    width = max([3, *map(len, words.values())]) + 2
    lines = []
    for number, bank in enumerate(layout.banks, start=1):
        name = f"bank {number}  " if len(layout.banks) > 1 else ""
        lines.append(f"front  {name}" + "".join(f"({c})".ljust(width) for c in bank).rstrip())
        if words:
            pad = " " * (7 + len(name))
            lines.append(pad + "".join(words.get(c, "").ljust(width) for c in bank).rstrip())
    is_makers = bool(job.opening.firing_order)
    source = "as given for this vehicle" if is_makers else "generic: check the maker's diagram"
    return [*lines, f"firing order {'-'.join(map(str, layout.firing_order))} ({source})"]


def count_words(counts: Mapping[int, int]) -> str:
    """Say what misfire counters show."""
    return "misfire counts " + ", ".join(f"{c}: {count}" for c, count in counts.items())


def code_words(
    codes: Sequence[str] | None, pending: Sequence[str] | None, permanent: Sequence[str] | None
) -> list[str]:
    """Say which of a control unit's codes were read, and what they were, a few words each."""
    found = {"codes": codes, "pending": pending, "permanent": permanent}
    read = {name: some for name, some in found.items() if some is not None}
    if {"codes", "pending"} <= read.keys() and not any(read.values()):
        return ["no codes"]
    none = {"codes": "no stored codes", "pending": "none pending", "permanent": "none permanent"}
    return [f"{name} {' '.join(some)}" if some else none[name] for name, some in read.items()]
