"""Drawings as SVG: how belief moved, and which part sat where.

No script, no outside font, no colour without a shape, a dash or a letter beside it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from html import escape

from swapinfer.claim.facts import Arrangement, PartAt

WIDTH = 400
INK, FAINT, PAPER = "#1b1f24", "#c9ced6", "#ffffff"

LINES = (
    ("#0b5cad", "", "circle"),
    ("#a84300", "7 4", "square"),
    ("#00674f", "2 4", "triangle"),
    ("#7d3c73", "11 4 2 4", "diamond"),
    ("#50565e", "5 3 1 3", "cross"),
)
"""Colour, dash and marker of each line; all stand out from white by more than 4.5 to 1."""

MOST_TICKS = 12


def draw_course(
    lines: Sequence[tuple[str, Sequence[float]]],
    ticks: Sequence[str],
    labels: tuple[str, str, str],
) -> str:
    """Draw probabilities over the findings; labels: title, description, the vertical axis."""
    left, right, top, bottom = 46.0, WIDTH - 30.0, 26.0, 226.0
    last = max(1, len(ticks) - 1)
    x_n = [left + 8 + (right - left - 16) * n / last for n in range(len(ticks))]
    parts = [_text(left - 38, 14, labels[2], "start", 12)]
    for share in (0, 25, 50, 75, 100):
        y = bottom - (bottom - top) * share / 100
        parts.append(_path(f"M{left} {y:.1f}H{right}", FAINT, 1))
        parts.append(_text(left - 6, y + 4, f"{share} %", "end", 11))
    every = 1 + (len(ticks) - 1) // MOST_TICKS
    parts += [
        _text(x, bottom + 18, tick, "middle", 11)
        for x, tick in zip(x_n[::every], ticks[::every], strict=True)
    ]
    ends = _spread([bottom - (bottom - top) * values[-1] for _, values in lines], top, bottom)
    for k, (letter, values) in enumerate(lines):
        colour, dash, shape = LINES[k % len(LINES)]
        points = [(x, bottom - (bottom - top) * p) for x, p in zip(x_n, values, strict=True)]
        route = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        parts.append(_path(route, colour, 2, dash))
        parts += [_marker(shape, x, y, colour) for x, y in points[::every]]
        parts.append(_text(right + 6, ends[k] + 4, letter, "start", 13, colour, bold=True))
    return _svg(WIDTH, 254, labels[:2], parts)


def _spread(wanted: Sequence[float], top: float, bottom: float) -> list[float]:
    """Move labels apart to 14 units, in their order, within the chart."""
    placed, least = list(wanted), top
    order = sorted(range(len(wanted)), key=lambda k: (wanted[k], -k))
    for k in order:
        placed[k] = max(wanted[k], least)
        least = placed[k] + 14
    for above, k in enumerate(reversed(order)):
        placed[k] = min(placed[k], bottom - 14 * above)
    return placed


def _marker(shape: str, x: float, y: float, colour: str) -> str:
    corners = {
        "square": [(-3.2, -3.2), (3.2, -3.2), (3.2, 3.2), (-3.2, 3.2)],
        "triangle": [(0, -4.4), (4.2, 3.2), (-4.2, 3.2)],
        "diamond": [(0, -4.8), (4.8, 0), (0, 4.8), (-4.8, 0)],
    }
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.6" fill="{colour}"/>'
    if shape == "cross":
        corner = f"M{x - 3.4:.1f} {y - 3.4:.1f}l6.8 6.8m0 -6.8l-6.8 6.8"
        return _path(corner, colour, 2)
    points = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners[shape])
    return f'<polygon points="{points}" fill="{colour}"/>'


def draw_swaps(
    arrangement: Arrangement,
    times: Sequence[str],
    subjects: Collection[str],
    labels: tuple[str, str],
) -> str:
    """Draw which part sat where at each time, the subjects dark; labels: title, description."""
    count = len(arrangement.places)
    top, row, half, names = 42.0, 54.0, 13.0, 92.0
    step = min(84.0, (WIDTH - names) / count)
    left = (WIDTH + names - step * count) / 2
    x_p = [left + step * (p + 0.5) for p in range(count)]
    home = dict(zip([part.element for part in arrangement.rows[0][1]], x_p, strict=True))
    parts = []
    for x, place in zip(x_p, arrangement.places, strict=True):
        head = place if step >= 60 else place.split(" ", 1)[-1]
        parts.append(_text(x, 16, head, "middle", 12, bold=True))
    for r, (_, here) in enumerate(arrangement.rows):
        y = top + row * r
        parts.append(_text(left - names + 6, y + 4, times[r], "start", 12))
        if r:
            before = arrangement.rows[r - 1][1]
            parts += _links(before, here, x_p, (y - row + half, y - half))
        for x, part in zip(x_p, here, strict=True):
            away = home.get(part.element, x) != x
            is_subject = part.element in subjects
            parts += _box(x, y, min(30.0, step / 2 - 3), part.mark, dark=is_subject, thick=away)
    return _svg(WIDTH, top + row * len(arrangement.rows) - 38, labels, parts)


def _links(
    before: Sequence[PartAt], here: Sequence[PartAt], x_p: Sequence[float], y: tuple[float, float]
) -> list[str]:
    at = {part.element: x for x, part in zip(x_p, here, strict=True)}
    links = []
    for x, part in zip(x_p, before, strict=True):
        if part.element not in at:
            links.append(_path(f"M{x - 5:.1f} {y[0] + 4:.1f}l10 10m0 -10l-10 10", INK, 2))
        elif at[part.element] == x:
            links.append(_path(f"M{x:.1f} {y[0]}V{y[1]}", INK, 1.2))
        else:
            links.append(_path(f"M{x:.1f} {y[0]}L{at[part.element]:.1f} {y[1]}", INK, 1.8, "5 3"))
    return links


def _box(x: float, y: float, reach: float, mark: str, *, dark: bool, thick: bool) -> list[str]:
    fill, ink = (INK, PAPER) if dark else (PAPER, INK)
    stroke = 3 if thick else 1.2
    frame = (
        f'<rect x="{x - reach:.1f}" y="{y - 13:.1f}" width="{2 * reach:.1f}" height="26" rx="3" '
        f'fill="{fill}" stroke="{INK}" stroke-width="{stroke}"/>'
    )
    size = 13 if reach > 16 else 9
    return [frame, _text(x, y + 0.35 * size, mark, "middle", size, ink)]


def _text(
    x: float, y: float, text: str, anchor: str, size: int, colour: str = INK, *, bold: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" '
        f'fill="{colour}"{weight}>{escape(text)}</text>'
    )


def _path(route: str, colour: str, width: float, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{route}" fill="none" stroke="{colour}" stroke-width="{width}"{dashes}/>'


def _svg(width: float, height: float, labels: Sequence[str], parts: Sequence[str]) -> str:
    title, description = (escape(text) for text in labels)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {width:g} {height:g}">'
        f"<title>{title}</title><desc>{description}</desc>{''.join(parts)}</svg>"
    )
