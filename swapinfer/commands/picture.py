"""Suspicion on the engine's drawing."""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from swapinfer.commands.app import command
from swapinfer.commands.causes import Belief, believe
from swapinfer.commands.facts import Facts
from swapinfer.commands.page import Page, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import draw_engine, draw_layout, element_label, where_words
from swapinfer.posterior import fault_sets

COVER = 0.999
SHADES = 2
"""Marks of full suspicion in the drawing."""

SHARED = ("engine", "bank")
"""Patterns of places that belong to no cylinder of their own."""


class PictureView(Facts, frozen=True):
    """Suspicion on the engine's drawing.

    Attributes
    ----------
    drawing : tuple of str
        Banks, numbers, and under each number shade and figure.
    cylinders : dict of int to float
        Probability that something of the cylinder's own is at fault, at home or moved there.
    shared : float
        Probability that something is that serves the whole engine or a bank.
    away : dict of str to str
        Part to where it sits, for parts that are not at home.
    """

    shape: ClassVar[str] = "picture/1"

    ro: str
    drawing: tuple[str, ...]
    cylinders: dict[int, float]
    shared: float
    away: dict[str, str]


@command("picture", "picture")
def show_picture(shop: Shop, ro: str = "") -> PictureView:
    """Draw a job's engine with the suspicion on each cylinder."""
    loaded = shop.load(ro)
    engine = loaded.job.engine
    cylinders, shared = suspicion(believe(loaded.job))
    marks = {cylinder: _mark(p) for cylinder, p in cylinders.items()}
    drawing = draw_layout(engine.layout, marks)
    drawing[-1] = draw_engine(loaded.job)[-1]
    return PictureView(loaded.ro, tuple(drawing), cylinders, shared, _away(loaded.job))


def suspicion(belief: Belief) -> tuple[dict[int, float], float]:
    """Probability that each cylinder has a fault of its own, and that a shared thing has one.

    Parameters
    ----------
    belief : Belief
        Of a job.

    Returns
    -------
    dict of int to float
        Cylinder to the probability of the fault sets with something that now serves it alone, or
        it and its neighbour or pair.
    float
        The same for what serves a bank or the whole engine.

    Notes
    -----
    Fault sets are enumerated until they cover `COVER`; each figure is short by the rest at most.
    """
    job = belief.evidence.job
    sets = fault_sets(belief.evidence.arrays, belief.posterior, cover=COVER)
    places = [job.place_of(name) for name in belief.evidence.arrays.elements]

    def chance(elements: list[int]) -> float:
        has_h = np.isin(sets.element_hk, elements).any(axis=1)
        return float(sets.belief_h[has_h].sum())

    own = {
        cylinder: [
            e
            for e, place in enumerate(places)
            if place and place.pattern not in SHARED and cylinder in place.cylinders
        ]
        for cylinder in job.engine.layout.cylinders
    }
    shared = [e for e, place in enumerate(places) if place and place.pattern in SHARED]
    return {cylinder: chance(elements) for cylinder, elements in own.items()}, chance(shared)


def _mark(p: float) -> str:
    shade = "#" * round(p * SHADES)
    figure = "<1%" if p < 0.01 else f"{min(p, 0.99):.0%}"
    return shade.ljust(SHADES, ".") + figure


def _away(job: Job) -> dict[str, str]:
    out = {}
    for part in job.away_from_home():
        place = job.place_of(part)
        if place:
            out[element_label(job, part)] = where_words(place)
    return out


@show.register
def _(facts: PictureView, page: Page) -> str:
    lines = page.wrap(f"{facts.ro}: chance that something of a cylinder's own is at fault")
    lines += ["", *facts.drawing[:-1]]
    lines += page.wrap(facts.drawing[-1])
    lines += page.wrap(f"what serves a bank or the whole engine: {percent(facts.shared)}")
    for part, where in facts.away.items():
        lines += page.wrap(f"on {where} now: {part}")
    return "\n".join(lines)
