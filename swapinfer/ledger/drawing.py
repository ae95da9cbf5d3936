"""A drawing of an engine in text: banks from front to rear, numbers, firing order."""

from __future__ import annotations

from swapinfer.layout import Layout
from swapinfer.ledger.replay import Job


def draw_layout(layout: Layout, marks: dict[int, str] | None = None) -> list[str]:
    """Draw banks and cylinder numbers.

    Parameters
    ----------
    layout : Layout
        Geometry.
    marks : dict of int to str, optional
        A short word under each cylinder, such as a share of suspicion.

    Returns
    -------
    list of str
        Lines, all within 78 columns.
    """
    cells = marks or {}
    width = max([3, *(len(word) for word in cells.values())]) + 2
    lines = []
    for number, bank in enumerate(layout.banks, start=1):
        name = f"bank {number}  " if len(layout.banks) > 1 else ""
        lines.append(f"front  {name}" + "".join(f"({c})".ljust(width) for c in bank).rstrip())
        if cells:
            pad = " " * (7 + len(name))
            lines.append(pad + "".join(cells.get(c, "").ljust(width) for c in bank).rstrip())
    order = "-".join(map(str, layout.firing_order))
    lines.append(f"firing order {order} (generic: check the maker's diagram)")
    return lines


def draw_engine(job: Job) -> list[str]:
    """Draw a job's engine; the order is the maker's where the job gives one."""
    lines = draw_layout(job.engine.layout)
    if job.opening.firing_order:
        lines[-1] = lines[-1].split(" (")[0] + " (as given for this vehicle)"
    return lines
