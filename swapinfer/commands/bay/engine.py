"""The engine drawn from above: cylinders in their places, suspicion as fill and number."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup, escape
from msgspec import Struct

from swapinfer.layout import Layout
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.units import percent

STEP, RADIUS, MARGIN = 88, 36, 8


class Group(Struct, frozen=True):
    """Places of one cylinder, or of what serves several, and what sits there where it has moved.

    Attributes
    ----------
    title : str
        Which cylinder.
    places : dict of str to str
        Place to what sits there now; empty where that is at home.
    """

    title: str
    places: dict[str, str]


def draw(layout: Layout, suspicion: Mapping[int, float] | None = None) -> Markup:
    """Draw a layout as SVG, the front at the left.

    Parameters
    ----------
    layout : Layout
        Banks and their cylinders from the front.
    suspicion : mapping of int to float, optional
        Cylinder to probability that something of its own is at fault.
    """
    rows = layout.banks
    width = MARGIN * 2 + 24 + STEP * max(map(len, rows))
    height = MARGIN * 2 + STEP * len(rows)
    cells = [
        _cylinder(number, MARGIN + 24 + STEP * (n + 0.5), MARGIN + STEP * (row + 0.5), suspicion)
        for row, bank in enumerate(rows)
        for n, number in enumerate(bank)
    ]
    said = escape(layout.title)
    at = f'x="14" y="{height / 2}" transform="rotate(-90 14 {height / 2})"'
    front = f'<text class="front" {at}>front</text>'
    return Markup(  # noqa: S704  numbers of ours, and one title that is escaped
        f'<svg class="engine" viewBox="0 0 {width} {height}" role="img" aria-label="{said}">'
        f"{front}{''.join(cells)}</svg>"
    )


def _cylinder(number: int, x: float, y: float, suspicion: Mapping[int, float] | None) -> str:
    p = (suspicion or {}).get(number, 0.0)
    level = min(round(4 * p + 0.49), 4) if p >= 0.01 else 0
    share = (
        f'<text class="level{level}" x="{x}" y="{y + 20}">{percent(p)}</text>' if suspicion else ""
    )
    middle = y + (0 if suspicion else 6)
    return (
        f'<circle class="level{level}" cx="{x}" cy="{y}" r="{RADIUS}"/>'
        f'<text class="number level{level}" x="{x}" y="{middle}">{number}</text>{share}'
    )


def part_groups(job: Job) -> list[Group]:
    """List the places of an engine that can be handled, cylinder by cylinder."""
    shared = Group("Whole engine or several cylinders", {})
    groups = {number: Group(f"Cylinder {number}", {}) for number in job.engine.layout.cylinders}
    for name, element in job.fitted.items():
        cylinders = job.engine.places[name].cylinders
        group = groups[cylinders[0]] if len(cylinders) == 1 else shared
        is_away = job.elements[element].home.id != name
        group.places[name] = element_label(job, element) if is_away else ""
    return [*groups.values(), shared]
