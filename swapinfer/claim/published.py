"""What a job's priors say otherwise than the published ones, and what that does to the answer."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import partial

from swapinfer.claim.beliefs import Course, conclude, conclusion
from swapinfer.claim.facts import ChangedEntry, Published
from swapinfer.errors import PackError
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import Revision, changed_entries, holds_number
from swapinfer.pack.tables import digest_of, pack_from_json, pack_to_json

SHOWN = 8
"""Changed entries that are listed, those that weigh most."""

TRIED = 48
"""Changed entries whose weight is worked out: those of the kinds shown first, the most changed."""

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
    changes = changed_entries(published, own)
    numbers = sum(holds_number(one.before) or holds_number(one.after) for one in changes)
    return named(
        is_same=False,
        concludes=conclude(course, published),
        numbers=numbers,
        others=len(changes) - numbers,
        changed=_weightiest(course, text, changes),
    )


def _weightiest(course: Course, text: str, changes: Sequence[Revision]) -> tuple[ChangedEntry, ...]:
    """List what changed most of the answer, each change made alone in the published priors."""
    elements = course.job.elements
    kinds = tuple(f"element.{elements[element].home.kind}." for element in course.shown)
    likeliest = sorted(
        changes, key=lambda one: (not one.path.startswith(kinds), -_stretch(one), one.path)
    )
    before = conclude(course, pack_from_json(text)).joint
    weighed = [(one, _joint_with(course, text, one)) for one in likeliest[:TRIED]]
    weighed.sort(key=lambda pair: (-_moved(before, pair[1]), pair[0].path))
    return tuple(
        ChangedEntry(one.path, _written(one.before), _written(one.after), joint)
        for one, joint in weighed[:SHOWN]
    )


def _stretch(change: Revision) -> float:
    """By how many times a number differs, as a logarithm; infinite for what is no such number."""
    pair = (change.before, change.after)
    numbers = [float(value) for value in pair if isinstance(value, int | float)]
    if len(numbers) < 2 or min(numbers) <= 0.0:
        return math.inf
    return round(abs(math.log(numbers[0] / numbers[1])), 6)


def _joint_with(course: Course, text: str, change: Revision) -> float | None:
    """Probability of the conclusion under the published priors with one entry changed."""
    table = json.loads(text)
    inner, (*outer, last) = table, change.path.split(".")
    for key in outer:
        inner = inner.setdefault(key, {})
    if change.after is None:
        del inner[last]
    else:
        inner[last] = change.after
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
