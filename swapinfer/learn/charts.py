"""Charts of the report, as inline SVG that needs no script and no font file."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.history import LearnedCause

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BEFORE, AFTER, QUIET = "#8a8f98", "#0b6e74", "#d9dce1"
SHOWN_CAUSES = 20
TIMES = (0.2, 0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0)
"""Marks on the axis of ratios."""


def _draw(title: str, size: tuple[float, float], paint: Callable[[Axes], None]) -> str:
    """Make one picture.

    Parameters
    ----------
    title : str
        Also read out to those who do not see it.
    size : tuple of float
        Inches.
    paint : callable
        Fills the axes.

    Returns
    -------
    str
        An ``svg`` element; the same input gives the same text.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"svg.hashsalt": title, "svg.fonttype": "none", "font.size": 9.0}):
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.add_subplot()
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        paint(axes)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    return re.sub(r"<svg ", f'<svg role="img" aria-label="{title}" ', svg, count=1)


def _likeliest(causes: Sequence[LearnedCause], count: int = SHOWN_CAUSES) -> list[LearnedCause]:
    """Causes with the largest share, before or after, largest share after first."""
    order = sorted(causes, key=lambda one: -max(one.share, one.base_share))[:count]
    return sorted(order, key=lambda one: -one.share)


def shares_chart(causes: Sequence[LearnedCause], titles: Mapping[str, str]) -> str:
    """Draw base share and learned share with its interval, cause by cause."""
    shown = _likeliest(causes)[::-1]
    row = np.arange(len(shown))

    def paint(axes: Axes) -> None:
        axes.hlines(
            row,
            [100 * one.share_low for one in shown],
            [100 * one.share_high for one in shown],
            color=AFTER,
            linewidth=2,
        )
        axes.plot([100 * c.base_share for c in shown], row, "o", mfc="none", color=BEFORE)
        axes.plot([100 * c.share for c in shown], row, "o", color=AFTER)
        axes.set_yticks(row, [titles[one.cause] for one in shown])
        axes.set_xlabel("% of complaints")
        axes.set_xlim(left=0)

    return _draw("Share of each cause before and after", (7.0, 0.24 * len(shown) + 0.9), paint)


def lives_chart(
    names: Sequence[str],
    before: Sequence[tuple[float, float, float]],
    after: Sequence[tuple[float, float, float]],
) -> str:
    """Draw lives in km before and after, each as low, middle and high."""
    row = np.arange(len(names))[::-1]

    def paint(axes: Axes) -> None:
        for values, shift, color, fill in (
            (before, 0.15, BEFORE, "none"),
            (after, -0.15, AFTER, AFTER),
        ):
            low, middle, high = np.transpose(values) / 1000
            axes.hlines(row + shift, low, high, color=color, linewidth=1.5)
            axes.plot(middle, row + shift, "o", mfc=fill, color=color)
        axes.set_xscale("log")
        axes.set_yticks(row, names)
        axes.set_xlabel("life, 1000 km")

    return _draw("Life in each mode before and after", (7.0, 0.34 * len(names) + 0.9), paint)


def families_chart(
    kinds: Sequence[str], levels: Sequence[str], low_hl: FloatArray, high_hl: FloatArray
) -> str:
    """Draw how far each family lies from the shop's average, kind by kind, with intervals."""
    row = np.arange(len(kinds))
    step = 0.7 / max(len(levels), 1)

    def paint(axes: Axes) -> None:
        axes.axvline(1.0, color=QUIET, linewidth=1)
        for at, level in enumerate(levels):
            middle = np.sqrt(low_hl[:, at] * high_hl[:, at])
            shift = row + step * (at - (len(levels) - 1) / 2)
            color = f"C{at % 10}"
            axes.hlines(shift, low_hl[:, at], high_hl[:, at], linewidth=1.5, color=color)
            axes.plot(middle, shift, "o", markersize=4, color=color, label=level)
        axes.set_xscale("log")
        inside = [x for x in TIMES if low_hl.min() <= x <= high_hl.max()]
        axes.set_xticks(inside, [f"{x:g}" for x in inside])
        axes.set_xticks([], minor=True)
        axes.set_yticks(row, kinds)
        axes.set_xlabel("times the shop's average hazard")
        axes.legend(bbox_to_anchor=(1.0, 1.0), loc="upper left", frameon=False)

    height = max(1.5, 0.16 * len(kinds) * max(len(levels), 2) + 0.9)
    return _draw("How far vehicle families differ", (7.0, height), paint)


def check_chart(
    names: Sequence[str], observed: FloatArray, low: FloatArray, high: FloatArray
) -> str:
    """Draw verified cases of each cause over what the fitted model would give again."""
    row = np.arange(len(names))

    def paint(axes: Axes) -> None:
        axes.hlines(row, low, high, color=QUIET, linewidth=6)
        axes.plot(observed, row, "|", color=AFTER, markersize=10, markeredgewidth=2)
        axes.set_yticks(row, names)
        axes.set_xlabel("verified cases")

    return _draw("Does the model give back the history?", (7.0, 0.24 * len(names) + 0.9), paint)


def traces_chart(name: str, values_cd: FloatArray) -> str:
    """Draw the values of one quantity, chain by chain."""

    def paint(axes: Axes) -> None:
        for chain in values_cd:
            axes.plot(chain, linewidth=0.4)
        axes.set_ylabel(name)
        axes.set_xlabel("draw")

    return _draw(f"Trace of {name}", (7.0, 1.6), paint)


def ranks_chart(name: str, values_cd: FloatArray, bins: int = 20) -> str:
    """Draw ranks of each chain's draws among all draws; level bars mean that the chains agree."""
    order = values_cd.ravel().argsort().argsort().reshape(values_cd.shape)
    edges = np.linspace(0, values_cd.size, bins + 1)

    def paint(axes: Axes) -> None:
        for chain in order:
            axes.stairs(np.histogram(chain, edges)[0], edges, linewidth=1)
        axes.axhline(values_cd.shape[1] / bins, color=QUIET, linewidth=1)
        axes.set_ylabel("draws")
        axes.set_xlabel(f"rank of {name} among all draws")

    return _draw(f"Ranks of {name}", (7.0, 1.6), paint)
