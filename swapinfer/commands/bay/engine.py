"""The engine drawn as it is stood before, its front nearest, and what is at each cylinder."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup, escape

from swapinfer.errors import InputError, near_match
from swapinfer.layout import Layout, Place
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, place_label
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Test
from swapinfer.units import percent

STEP, RADIUS, SMALL = 100, 42, 20
"""From one cylinder to the next, and how large it is: a target of 84, with 16 to its neighbour."""

REM = 20
"""Of these to a letter's height, so that a drawing grows with the text."""

SHARED = "shared"
"""Stands for a cylinder's number where something serves several."""


def draw(layout: Layout, suspicion: Mapping[int, float], link: str) -> Markup:
    """Draw a layout, each cylinder a link with its suspicion as an arc and a number."""
    width, height, centres = _grid(layout, STEP)
    cells = "".join(
        _cylinder(number, x, y, suspicion[number], f"{link}/{number}") for number, x, y in centres
    )
    front = (
        f'<path class="front" d="M8 {height + 4}H{width - 8}"/>'
        f'<text x="{width / 2}" y="{height + 26}">front</text>'
    )
    what = f'role="group" aria-label="{escape(layout.title)}"'
    return _svg("engine", width, height + 34, what, cells + front)


def draw_small(layout: Layout) -> Markup:
    """Draw a layout without a word, to be told from others at a glance."""
    width, height, centres = _grid(layout, SMALL)
    cells = "".join(f'<circle cx="{x}" cy="{y}" r="{SMALL * 0.4}"/>' for _, x, y in centres)
    front = f'<path class="front" d="M2 {height + 2}H{width - 2}"/>'
    return _svg("small", width, height + 4, 'aria-hidden="true"', cells + front)


def _grid(layout: Layout, step: int) -> tuple[int, int, list[tuple[int, float, float]]]:
    """Width, height, and of each cylinder the number and where its centre is."""
    rows = max(map(len, layout.banks))
    centres = [
        (number, step * (column + 0.5), step * (rows - n - 0.5))
        for column, bank in enumerate(layout.banks)
        for n, number in enumerate(bank)
    ]
    return step * len(layout.banks), step * rows, centres


def _svg(kind: str, width: float, height: float, what: str, content: str) -> Markup:
    size = f'width="{width / REM}rem" height="{height / REM}rem"'
    return Markup(  # noqa: S704  numbers of ours, and names that are escaped
        f'<svg class="{kind}" viewBox="0 0 {width} {height}" {size} {what}>{content}</svg>'
    )


def _cylinder(number: int, x: float, y: float, p: float, link: str) -> str:
    arc = (
        f'<circle class="arc" cx="{x}" cy="{y}" r="{RADIUS - 4}" pathLength="100" '
        f'stroke-dasharray="{100 * p:.1f} 100" transform="rotate(-90 {x} {y})"/>'
    )
    return (
        f'<a href="{escape(link)}" aria-label="cylinder {number}: {percent(p)}">'
        f'<circle class="bore" cx="{x}" cy="{y}" r="{RADIUS}"/>{arc if p >= 0.01 else ""}'
        f'<text class="number" x="{x}" y="{y + 1}">{number}</text>'
        f'<text x="{x}" y="{y + 20}">{percent(p)}</text></a>'
    )


def parts_at(job: Job, where: str) -> dict[str, Any]:
    """Find what can be handled and tested at one cylinder, or at what serves several.

    Of places it says what sits there, where that is not at home; of targets, the tests made on
    them that are none of a place's own.
    """
    engine = job.engine
    titles = {str(number): f"Cylinder {number}" for number in engine.layout.cylinders}
    titles[SHARED] = "Whole engine, or several cylinders"
    if where not in titles:
        raise InputError(f'no cylinder "{where}"{near_match(where, titles)}')

    def is_there(served: tuple[int, ...]) -> bool:
        return where == (str(served[0]) if len(served) == 1 else SHARED)

    places = {}
    for name, element in job.fitted.items():
        if is_there(engine.places[name].cylinders):
            is_away = job.elements[element].home.id != name
            places[name] = element_label(job, element) if is_away else ""
    tests = defaultdict[str, list[Test]](list)
    for test in engine.tests.values():
        for target in engine.target_places(test.target):
            if target not in engine.places and is_there(engine.target_cylinders(target)):
                tests[target].append(test)
    labels = {name: place_label(engine, name) for name in (*places, *tests)}
    return {"title": titles[where], "places": places, "tests": tests, "labels": labels}


def tests_on(engine: Engine, place: Place) -> dict[str, Test]:
    """Find the tests that see what sits at a place, by id and target as an address has them."""
    return {
        f"{test.id}?on={target}": test
        for test in engine.tests.values()
        if any(sight.kind == place.kind for sight in test.sees)
        for target in engine.target_places(test.target)
        if set(engine.target_cylinders(target)) == set(place.cylinders)
    }
