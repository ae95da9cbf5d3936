"""What was moved where, with every part followed by identity."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from swapinfer.claim.facts import Arrangement, Move, PartAt, Trail
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, Stage
from swapinfer.ledger.words import element_label, origin, place_label, where_words


def list_moves(
    job: Job, course: Sequence[Stage], records: Mapping[int, Record]
) -> tuple[Move, ...]:
    """List what was moved, by whom and when."""
    return tuple(
        Move(stage.seq, records[stage.seq].at, records[stage.seq].who, stage.event.say(job))
        for stage in course
    )


def arrange(job: Job, course: Sequence[Stage]) -> tuple[Arrangement, ...]:
    """Lay out, for each kind of part that moved, which part sat where after each change."""
    changed: dict[str, list[str]] = {}
    for place, where in job.engine.places.items():
        if any(stage.after[place] != place for stage in course):
            changed.setdefault(where.kind, []).append(place)
    return tuple(
        Arrangement(
            kind=job.engine.kinds[kind].title,
            places=tuple(where_words(job.engine.places[place]) for place in places),
            rows=tuple(_rows(job, course, places)),
        )
        for kind, places in changed.items()
    )


def _rows(
    job: Job, course: Sequence[Stage], places: Sequence[str]
) -> Iterator[tuple[int, tuple[PartAt, ...]]]:
    yield 0, tuple(_part(job, place) for place in places)
    for stage in course:
        if any(stage.after[place] != stage.before[place] for place in places):
            yield stage.seq, tuple(_part(job, stage.after[place]) for place in places)


def _part(job: Job, element: str) -> PartAt:
    is_new = job.elements[element].is_new
    return PartAt(element, "new" if is_new else origin(job, element).where)


def list_trails(job: Job, course: Sequence[Stage]) -> tuple[Trail, ...]:
    """Follow every part that ever changed its place."""
    trails = []
    for element in job.elements:
        stops = _stops(job, course, element)
        if len(stops) > 1:
            trails.append(Trail(element, element_label(job, element), stops))
    return tuple(trails)


def _stops(job: Job, course: Sequence[Stage], element: str) -> tuple[tuple[int, str], ...]:
    stops: list[tuple[int, str]] = []
    start = [] if job.elements[element].is_new else [(0, element)]
    for seq, place in [*start, *((s.seq, _place_of(s.after, element)) for s in course)]:
        words = _where(job, place) if place else "off the vehicle"
        before = stops[-1][1] if stops else "off the vehicle"
        if words != before or (not stops and place):
            stops.append((seq, words))
    return tuple(stops)


def _where(job: Job, place: str) -> str:
    return where_words(job.engine.places[place]) or place_label(job.engine, place)


def _place_of(fitted: Mapping[str, str], element: str) -> str:
    return next((place for place, fits in fitted.items() if fits == element), "")
