"""Counts of what a pack holds and of where its numbers come from."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from swapinfer.pack.model import Pack


@dataclass(frozen=True, slots=True)
class Census:
    """What a pack holds.

    Attributes
    ----------
    layouts, fitments, kinds, modes, tests, codes, cautions : int
        Counts; fitments are values over all axes.
    numbers : int
        Numbers in the files, a list of them counting once.
    by_grade : dict of str to int
        Numbers of each grade of source, most first.
    by_source : dict of str to int
        Numbers of each source, most first.
    """

    layouts: int
    fitments: int
    kinds: int
    modes: int
    tests: int
    codes: int
    cautions: int
    numbers: int
    by_grade: dict[str, int]
    by_source: dict[str, int]

    def share(self, grade: str) -> float:
        """Share of the numbers that have this grade of source."""
        return self.by_grade.get(grade, 0) / self.numbers


def census(pack: Pack) -> Census:
    """Count what a pack holds.

    Parameters
    ----------
    pack : Pack
        Any.

    Returns
    -------
    Census
        Of it.
    """
    by_source = Counter(pack.provenance.values())
    by_grade: Counter[str] = Counter()
    for name, count in by_source.items():
        by_grade[pack.sources[name].grade] += count
    return Census(
        layouts=len(pack.layouts),
        fitments=sum(map(len, pack.fitments.values())),
        kinds=len(pack.kinds),
        modes=sum(len(kind.modes) for kind in pack.kinds.values()),
        tests=len(pack.tests),
        codes=len(pack.codes),
        cautions=len(pack.cautions),
        numbers=len(pack.provenance),
        by_grade=dict(by_grade.most_common()),
        by_source=dict(by_source.most_common()),
    )
