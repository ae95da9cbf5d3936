"""Names of elements, places and events as a person says them."""

from __future__ import annotations

import math
from functools import singledispatch
from math import exp

from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.ledger.runs import is_clean, last_repair
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Curve, Test

DRIVEN = "verified by a drive"
UNPROVEN = "closed as verified, without a clean drive"


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


def good_range(test: Test, level: float = 1.0) -> tuple[float, float] | None:
    """Values between which nine in ten good readings lie; None for inspections.

    Parameters
    ----------
    test : Test
        A reading.
    level : float, optional
        Value that healthy cylinders share, where the test is relative to one.

    Notes
    -----
    The central 90 % of the heaviest lobe of the curve: its centre and 1.645 standard deviations.
    """
    curve = test.profiles["good"]
    if not isinstance(curve, Curve):
        return None
    _, centre, sd = max(curve.lobes)
    if test.scale == "log":
        return centre * exp(-1.645 * sd) * level, centre * exp(1.645 * sd) * level
    return (centre - 1.645 * sd) * level, (centre + 1.645 * sd) * level


def expected_range(test: Test, level: float = 1.0) -> str:
    """Range that nine in ten good readings fall into, as text; empty for inspections."""
    between = good_range(test, level)
    return f"{between[0]:.3g} to {between[1]:.3g} {test.unit}" if between else ""


@singledispatch
def say(event: ev.Event, job: Job) -> str:
    """Put an event in words.

    Parameters
    ----------
    event : Event
        What was recorded.
    job : Job
        As it was when the event was recorded, or later.
    """
    raise ev.unhandled(event, f"put in words in job {job.opening.ro}")


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
    if event.suspected:
        said += f", cylinder {' and '.join(map(str, event.suspected))} suspected by ear"
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
    is_same = "".join(event.typed.split()) in ("", "".join(value.split()), f"{event.value:g}")
    typed = "" if is_same else f" (entered as {event.typed})"
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
    return f"closed, cause {causes or 'not found'}, {closing_words(job, event)}"


def closing_words(job: Job, event: ev.Closed) -> str:
    """Say how a job ended, as far as the events before show: "repaired, not verified"."""
    ends = [seq for seq, other in job.standing if other == event]
    until = ends[-1] if ends else None
    repaired = last_repair(job, event.causes, until)
    if repaired is None:
        return "closed as verified, without a repair" if event.verified else "not repaired"
    if not event.verified:
        return "repaired, not verified"
    between = [e for seq, e in job.standing if repaired < seq and (until is None or seq < until)]
    if any(ev.is_a(other, ev.Ran) and is_clean(job, other) for other in between):
        return DRIVEN
    return UNPROVEN


def job_status(job: Job) -> str:
    """Open, closed (not verified) or verified."""
    if job.closing is None:
        return "open"
    return "verified" if closing_words(job, job.closing) == DRIVEN else "closed"


@say.register
def _(event: ev.Reopened, _job: Job) -> str:
    return "reopened" + (f": {event.reason}" if event.reason else "")
