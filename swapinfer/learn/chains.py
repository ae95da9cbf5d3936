"""Comebacks: a job and those that its complaint returned in are one case with one true cause."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.scan import OPEN

if TYPE_CHECKING:
    import pandas as pd

STRAY = "comebacks whose first visit the table does not hold"


@dataclass(frozen=True, slots=True)
class CaseCounts:
    """Verified causes by cell.

    Attributes
    ----------
    stayed : Counter
        (cell, cause) of cases that never came back.
    returned : Counter
        (cell, cause) of cases that came back without another verified cause.
    chains : Counter
        (cell, first verified cause, last verified cause) of cases that came back with one.
    open_by_cell : Counter
        Cases with comebacks and no verified cause at all.
    """

    stayed: Counter[tuple[int, int]] = field(default_factory=Counter)
    returned: Counter[tuple[int, int]] = field(default_factory=Counter)
    chains: Counter[tuple[int, int, int]] = field(default_factory=Counter)
    open_by_cell: Counter[int] = field(default_factory=Counter)

    def by_cell(self, n_cells: int) -> FloatArray:
        """Cases with a verified cause in each cell; shape (cell,)."""
        total = np.zeros(n_cells)
        for counter in (self.stayed, self.returned, self.chains):
            for key, count in counter.items():
                total[key[0]] += count
        return total

    def by_cause(self, n_causes: int) -> FloatArray:
        """Cases by their last verified cause; shape (cause,)."""
        total = np.zeros(n_causes)
        for counter in (self.stayed, self.returned, self.chains):
            for key, count in counter.items():
                total[key[-1]] += count
        return total


def follow_chains(
    confirmed: Counter[tuple[int, int]], linked: pd.DataFrame
) -> tuple[CaseCounts, Counter[str]]:
    """Link comebacks to their first visit.

    Parameters
    ----------
    confirmed : Counter
        (cell, cause) of verified jobs without any comeback.
    linked : DataFrame
        Jobs that came back or are comebacks: job, cell, cause (or `OPEN`), comeback_of.

    Returns
    -------
    CaseCounts
        With the cell of the first visit.
    Counter
        Notes on what was odd.
    """
    cases = CaseCounts(stayed=Counter(confirmed))
    notes: Counter[str] = Counter()
    visits = {
        str(job): (int(cell), int(cause), str(parent))
        for job, cell, cause, parent in linked.sort_values("cause", kind="stable").to_numpy()
    }
    next_visit = {parent: job for job, (_, _, parent) in visits.items() if parent}
    strays = [job for job, (_, _, parent) in visits.items() if parent and parent not in visits]
    if strays:
        notes[STRAY] += len(strays)
    firsts = strays + [job for job, (_, _, parent) in visits.items() if not parent]
    for first in sorted(firsts):
        _count_case(cases, [visits[job] for job in _follow(first, next_visit, visits)])
    return cases, notes


def _follow(
    first: str, next_visit: dict[str, str], visits: dict[str, tuple[int, int, str]]
) -> list[str]:
    """List the visits of a case in order."""
    case, job = [first], first
    while (job := next_visit.get(job, "")) in visits and job not in case:
        case.append(job)
    return case


def _count_case(cases: CaseCounts, visits: list[tuple[int, int, str]]) -> None:
    cell = visits[0][0]
    causes = [cause for _, cause, _ in visits if cause != OPEN]
    if not causes:
        cases.open_by_cell[cell] += 1
    elif len(causes) > 1:
        cases.chains[cell, causes[0], causes[-1]] += 1
    elif visits[-1][1] == OPEN:
        cases.returned[cell, causes[0]] += 1
    else:
        cases.stayed[cell, causes[0]] += 1
