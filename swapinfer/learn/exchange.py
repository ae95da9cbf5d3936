"""Cases that shops give each other: verified causes counted by engine, age and family.

Such a table names no job, no day and no vehicle; who learns adds others' counts to the own.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from msgspec.structs import replace

from swapinfer.errors import LearnError
from swapinfer.learn.counts import CaseCounts, Counts
from swapinfer.learn.prior import AGE_BANDS, MAX_FAMILIES, OTHER, Cell, Vocabulary
from swapinfer.learn.tables import CASES, WHOLE, Checks, digest_of, numbers_of, read_table

if TYPE_CHECKING:
    import pandas as pd

Key = TypeVar("Key", bound=tuple[Any, ...])

Case: TypeAlias = tuple[Cell, str, str, bool, int]
"""Cell, first and last verified cause (the last empty where there is no other), whether it came
back, and how many."""


def write_cases(counts: Counts, path: Path) -> None:
    """Write the verified cases of the own history alone as a CSV file for other shops."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(CASES.names)
        for cell, cause, then, came_back, n in sorted(_cases_of(counts)):
            writer.writerow([*cell, cause, then, "yes" if came_back else "no", n])


def _cases_of(counts: Counts) -> Iterator[Case]:
    cells, causes, cases = counts.cells, counts.words.causes, counts.cases
    for came_back, counter in ((False, cases.stayed), (True, cases.returned)):
        for (cell, cause), n in counter.items():
            yield cells[cell], causes[cause], "", came_back, n
    for (cell, first, last), n in cases.chains.items():
        yield cells[cell], causes[first], causes[last], True, n


def read_cases(
    paths: Sequence[Path], words: Vocabulary
) -> tuple[list[Case], dict[str, pd.DataFrame]]:
    """Read the cases of other shops; and refused rows, by the file's name.

    Raises
    ------
    LearnError
        If a table cannot be read, or two are the same and would count twice.
    """
    seen: dict[str, Path] = {}
    read = [_read(path, words) for path in paths]
    for path in paths:
        before = seen.setdefault(digest_of([path]), path)
        if before is not path:
            raise LearnError(f"{path} holds the same cases as {before}; name it once")
    refused = {str(path): bad for path, (_, bad) in zip(paths, read, strict=True)}
    return [case for cases, _ in read for case in cases], refused


def _read(path: Path, words: Vocabulary) -> tuple[list[Case], pd.DataFrame]:
    frame = read_table(path, CASES)
    rows = Checks(frame, CASES)
    rows.unknown("layout", words.layouts)
    for axis, values in words.fitments.items():
        rows.unknown(axis, values)
    rows.not_word("family")
    rows.not_word("complaint")
    rows.unknown("age", AGE_BANDS)
    rows.unknown("cause", words.causes)
    rows.unknown("then", ("", *words.causes))
    rows.unknown("came_back", ("yes", "no"))
    rows.unlike("cases", WHOLE, "a whole number from 1")
    for axis in words.fitments:
        rows.misfits(axis, words.needs)
        rows.misfits(axis, words.needs, "then")
    rows.refuse(
        (frame["then"] != "") & (frame["came_back"] == "no"),
        lambda _: "then names a cause, but came_back is no",
    )
    good, refused = rows.split()
    numbers = numbers_of(good["cases"])
    told = good[[*Cell._fields, "cause", "then", "came_back"]].astype(object)
    cases = [
        (Cell(*row[:6]), row[6], row[7], row[8] == "yes", int(n))
        for row, n in zip(told.itertuples(index=False, name=None), numbers, strict=True)
    ]
    return cases, refused


def add_cases(counts: Counts, others: Iterable[Case]) -> Counts:
    """Add cases of other shops to a history, as if all shops were one.

    A family that is not among the own counts as `OTHER` once there are many.
    """
    own = {cell.family for cell in counts.cells}
    theirs: list[Case] = [(_of_few(one[0], own), *one[1:]) for one in others]
    cells = tuple(sorted({*counts.cells, *(one[0] for one in theirs)}))
    number = {cell: at for at, cell in enumerate(cells)}
    moved = [number[cell] for cell in counts.cells]
    cause = {name: at for at, name in enumerate(counts.words.causes)}
    added = CaseCounts()
    for cell, first, last, came_back, n in theirs:
        at = number[cell], cause[first]
        if last:
            added.chains[*at, cause[last]] += n
        elif came_back:
            added.returned[at] += n
        else:
            added.stayed[at] += n

    def with_others(part: Counts) -> Counts:
        mine = part.cases
        return replace(
            part,
            cells=cells,
            cases=CaseCounts(
                stayed=_moved(mine.stayed, moved) + added.stayed,
                returned=_moved(mine.returned, moved) + added.returned,
                chains=_moved(mine.chains, moved) + added.chains,
                open_by_cell=Counter({moved[at]: n for at, n in mine.open_by_cell.items()}),
            ),
            patterns=_moved(part.patterns, moved),
            weighed_patterns=_moved(part.weighed_patterns, moved),
            exact=_moved(part.exact, moved),
            unconfirmed=Counter({moved[at]: n for at, n in part.unconfirmed.items()}),
        )

    split = counts.split
    if split is not None:
        earlier, later = with_others(split.earlier), _moved(split.later, moved)
        split = replace(split, earlier=earlier, later=later)
    rows = replace(counts.rows, theirs=sum(n for *_, n in theirs))
    return replace(with_others(counts), rows=rows, split=split)


def _of_few(cell: Cell, own: set[str]) -> Cell:
    """Pool a family that the own history does not name, once it names as many as there may be."""
    is_kept = cell.family in own or len(own) < MAX_FAMILIES
    return cell if is_kept else cell._replace(family=OTHER)


def _moved(counter: Counter[Key], to: list[int]) -> Counter[Key]:
    """Give the cells in a counter's keys other numbers."""
    renamed: Counter[Any] = Counter({(to[key[0]], *key[1:]): n for key, n in counter.items()})
    return renamed
