"""Names of elements, places and events as a person says them."""

from __future__ import annotations

import math
from functools import singledispatch
from math import exp

from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Curve, Test


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


def element_label(job: Job, element_id: str) -> str:
    """Name an element by where it came from: "ignition coil from cylinder 3"."""
    element = job.elements[element_id]
    kind = job.engine.kinds[element.home.kind]
    where = where_words(element.home)
    if element.is_new:
        return f"new {kind.title}" + (f", {where}" if where else "")
    joint = " from " if kind.movable else ", "
    return kind.title + (joint + where if where else "")


def now_at(job: Job, element_id: str) -> str:
    """Say where an element is if not at home: "now on cylinder 1", "on the bench"."""
    place = job.place_of(element_id)
    if place is None:
        return "replaced"
    if place == job.elements[element_id].home:
        return ""
    return f"now on {where_words(place)}"


def expected_range(test: Test, level: float = 1.0) -> str:
    """Range that nine in ten good readings fall into, as text; empty for inspections."""
    curve = test.profiles["good"]
    if not isinstance(curve, Curve):
        return ""
    _, centre, sd = max(curve.lobes)
    if test.scale == "log":
        low, high = centre * exp(-1.645 * sd), centre * exp(1.645 * sd)
    else:
        low, high = centre - 1.645 * sd, centre + 1.645 * sd
    return f"{low * level:.3g} to {high * level:.3g} {test.unit}"


@singledispatch
def say(event: ev.Event, job: Job) -> str:
    """Put an event in words.

    Parameters
    ----------
    event : Event
        What was recorded.
    job : Job
        Any state of its job; only the engine is used.
    """
    raise TypeError(f"no words for {event.type} in job {job.opening.ro}")


@say.register
def _(event: ev.Opened, job: Job) -> str:
    return f"job {event.ro} opened: {job.engine.layout.title}, {event.complaint or 'misfire'}"


@say.register
def _(event: ev.Ran, _job: Job) -> str:
    when = f" ({', '.join(event.conditions)})" if event.conditions else ""
    said = f"ran {event.minutes:g} min{when}"
    if event.counts:
        counts = ", ".join(f"{cylinder}: {count}" for cylinder, count in event.counts.items())
        said += f", misfire counts {counts}"
    if event.codes is not None:
        said += f", codes {' '.join(event.codes)}" if event.codes else ", no codes"
    return said + (f", felt {event.felt}" if event.felt else "")


@say.register
def _(event: ev.Swapped, job: Job) -> str:
    moves = []
    for first, second in event.swaps:
        a, b = job.engine.places[first], job.engine.places[second]
        moves.append(f"{job.engine.kinds[a.kind].title} {a.where} <-> {b.where}")
    return "swapped " + ", ".join(moves)


@say.register
def _(_event: ev.Returned, _job: Job) -> str:
    return "put every part back where it belongs"


@say.register
def _(event: ev.Reseated, job: Job) -> str:
    return f"unplugged and reseated {place_label(job.engine, event.place)}"


@say.register
def _(event: ev.Replaced, job: Job) -> str:
    return f"replaced {place_label(job.engine, event.place)}"


@say.register
def _(event: ev.Measured, job: Job) -> str:
    test = job.engine.tests[event.test]
    value = "OL" if math.isinf(event.value) else f"{event.value:.4g} {test.unit}"
    typed = f" (entered as {event.typed})" if event.typed and event.typed != value else ""
    against = "" if event.reference is None else f" against {event.reference:g} {test.unit}"
    return f"{test.title}, {place_label(job.engine, event.target)}: {value}{against}{typed}"


@say.register
def _(event: ev.Inspected, job: Job) -> str:
    test = job.engine.tests[event.test]
    return f"{test.title}, {place_label(job.engine, event.target)}: {test.outcomes[event.outcome]}"


@say.register
def _(event: ev.Noted, _job: Job) -> str:
    return f"note: {event.text}"


@say.register
def _(event: ev.Attached, _job: Job) -> str:
    return f"picture attached: {event.name}"


@say.register
def _(event: ev.Undone, _job: Job) -> str:
    return f"event {event.seq} undone"


@say.register
def _(event: ev.Closed, job: Job) -> str:
    causes = ", ".join(element_label(job, cause) for cause in event.causes)
    verified = "verified by a drive" if event.verified else "not verified"
    return f"closed, cause {causes or 'not found'}, {verified}"


@say.register
def _(event: ev.Reopened, _job: Job) -> str:
    return "reopened" + (f": {event.reason}" if event.reason else "")
