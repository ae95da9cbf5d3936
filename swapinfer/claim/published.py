"""What a job's priors say otherwise than the published ones, and what that does to the answer."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from functools import partial
from typing import Any

from swapinfer.claim.beliefs import Course, conclude, conclusion
from swapinfer.claim.facts import ChangedEntry, Published
from swapinfer.errors import PackError
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import holds_number
from swapinfer.pack.tables import digest_of, encode, pack_from_json, pack_to_json

SHOWN = 8
"""Changed entries that are listed, those that weigh most."""

TRIED = 16
"""Changed entries whose weight is worked out: those of the kinds shown first, the most changed."""

BESIDE = ("name", "version", "source", "provenance")
"""Tables that say nothing of engines."""

ABSENT = "absent"
"""Stands for what is in one of the packs only."""

LONGEST = 60
"""Characters of an entry that are shown."""


def compare_with_published(course: Course, published: Pack) -> Published:
    """Compare the priors of a job with the published ones, by content.

    Parameters
    ----------
    course : Course
        Belief under the job's own priors.
    published : Pack
        The base that comes with the program.

    Returns
    -------
    Published
    """
    text, own = pack_to_json(published), course.job.pack
    named = partial(
        Published, pack=published.name, version=published.version, digest=digest_of(text)
    )
    if text == pack_to_json(own):
        concludes = conclusion(course.evidence, course.posterior, course.subjects)
        return named(is_same=True, concludes=concludes)
    changes = _changes(published, own)
    numbers = sum(any(map(holds_number, pair)) for pair in changes.values())
    return named(
        is_same=False,
        concludes=conclude(course, published),
        numbers=numbers,
        others=len(changes) - numbers,
        changed=_weightiest(course, text, changes),
    )


def _changes(published: Pack, own: Pack) -> dict[str, tuple[Any, Any]]:
    """Pair what stands at every path where two packs differ."""
    theirs, ours = (dict(_leaves(encode(pack))) for pack in (published, own))
    pairs = {path: (theirs.get(path), ours.get(path)) for path in {**theirs, **ours}}
    return {path: pair for path, pair in pairs.items() if pair[0] != pair[1]}


def _leaves(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _leaves(value, f"{above}{key}.")
        elif (above or key).partition(".")[0] not in BESIDE:
            yield f"{above}{key}", value


def _weightiest(
    course: Course, text: str, changes: Mapping[str, tuple[Any, Any]]
) -> tuple[ChangedEntry, ...]:
    """List what changed most of the answer, each change made alone in the published priors."""
    elements = course.job.elements
    kinds = {f"element.{elements[element].home.kind}." for element in course.shown}
    likeliest = sorted(
        changes,
        key=lambda path: (not path.startswith(tuple(kinds)), -_stretch(*changes[path]), path),
    )
    before = conclude(course, pack_from_json(text)).joint
    weighed = [
        (path, _joint_with(course, text, path, changes[path][1])) for path in likeliest[:TRIED]
    ]
    weighed.sort(key=lambda pair: (-_moved(before, pair[1]), pair[0]))
    return tuple(
        ChangedEntry(path, _written(changes[path][0]), _written(changes[path][1]), joint)
        for path, joint in weighed[:SHOWN]
    )


def _stretch(one: object, other: object) -> float:
    """By how many times a number differs, as a logarithm; infinite for what is no such number."""
    numbers = [float(value) for value in (one, other) if isinstance(value, int | float)]
    if len(numbers) < 2 or min(numbers) <= 0.0:
        return math.inf
    return abs(math.log(numbers[0] / numbers[1]))


def _joint_with(course: Course, text: str, path: str, value: object) -> float | None:
    """Probability of the conclusion under the published priors with one number changed."""
    table = json.loads(text)
    inner, (*outer, last) = table, path.split(".")
    for key in outer:
        inner = inner.setdefault(key, {})
    if value is None:
        del inner[last]
    else:
        inner[last] = value
    try:
        return conclude(course, pack_from_json(json.dumps(table))).joint
    except PackError:
        return None


def _moved(before: float | None, after: float | None) -> float:
    """How far the log odds moved, rounded so that the order is the same on every machine."""
    if before is None or after is None:
        return 0.0
    return round(abs(_logit(after) - _logit(before)), 6)


def _logit(probability: float) -> float:
    inside = min(max(probability, 1e-12), 1.0 - 1e-12)
    return math.log(inside / (1.0 - inside))


def _written(value: object) -> str:
    if type(value) in (int, float):
        return f"{value:.10g}"
    text = ABSENT if value is None else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
