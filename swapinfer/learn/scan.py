"""What one piece of a table contributes; the same functions run here and on a cluster.

A table is gone over twice. The first pass collects what only the whole table can tell: which
engines and vehicles there are, which rows stand twice, which jobs came back or are spread over
pieces. The second pass counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from swapinfer.evidence.arrays import IntArray
from swapinfer.learn.checks import Vocabulary, check_findings, check_jobs, factorize, to_number

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

AGE_BANDS_KM = (60_000.0, 120_000.0, 180_000.0)
"""Edges of the age bands; a missing odometer is a band of its own."""
AGE_BANDS = ("to-60", "60-120", "120-180", "over-180", "unknown")
"""In thousands of kilometres."""
AGE_MIDDLES_KM = (35_000.0, 90_000.0, 150_000.0, 220_000.0)
"""Odometer at which the base pack is evaluated for each band but the last."""
OTHER = "other"
"""Family of all vehicles whose family is too rare to be one of the model's."""

OPEN, SET_ASIDE, WEIGHED = -1, -2, -3
"""In a job index: no cause was established; several were, or the job belongs to a comeback; none
was, and an exact engine has weighed the findings."""


class Cell(NamedTuple):
    """What a job's chances of causes depend on."""

    layout: str
    ignition: str
    fuel: str
    family: str
    age: str
    complaint: str


@dataclass(frozen=True, slots=True)
class Scanned:
    """First pass over one piece of a table.

    Attributes
    ----------
    keys : ndarray of uint64, shape (row,)
        Hash of what may occur once: job and cause, or job and sequence.
    jobs : ndarray of uint64
        Hashes of the jobs in the piece, ascending.
    cells : Counter
        Rows of each cell.
    returned : frozenset of str
        Jobs that a comeback names.
    """

    keys: NDArray[np.uint64]
    jobs: NDArray[np.uint64]
    cells: Counter[Cell]
    returned: frozenset[str]


@dataclass(frozen=True, slots=True)
class Links:
    """What the first pass found out about the whole table.

    Attributes
    ----------
    first_piece : dict of int to int
        Of keys that occur more than once: the piece of the first occurrence.
    spread : frozenset of int
        Hashes of jobs with rows in more than one piece.
    cells : dict of Cell to int
        Every cell, numbered; empty for findings.
    families : frozenset of str
        Families that keep their name.
    returned : frozenset of str
        Jobs that a comeback names.
    """

    first_piece: dict[int, int]
    spread: frozenset[int]
    cells: dict[Cell, int]
    families: frozenset[str]
    returned: frozenset[str]


@dataclass(frozen=True, slots=True)
class JobIndex:
    """Where each job belongs, for those who count findings; ascending by hash.

    Attributes
    ----------
    job, place : ndarray of uint64, shape (job,)
        Hashes of the job's name and of the place complained of.
    cell, cause, confirmed_by : ndarray of int, shape (job,)
        Numbers; cause may be `OPEN`, `SET_ASIDE` or `WEIGHED`, confirmed_by -1 when it is no test.
    """

    job: NDArray[np.uint64]
    place: NDArray[np.uint64]
    cell: NDArray[np.int32]
    cause: NDArray[np.int16]
    confirmed_by: NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class JobTally:
    """Second pass over one piece of the jobs table.

    Attributes
    ----------
    confirmed : Counter
        (cell, cause) of verified jobs that have nothing to do with a comeback.
    unconfirmed : Counter
        Cells of the others.
    linked : DataFrame
        Jobs that came back or are comebacks: job, cell, cause, comeback_of.
    index : JobIndex
        Of all jobs of the piece, not yet ascending.
    refused : DataFrame
        Rows that were refused: line, reason, row.
    used : int
        Rows that were counted.
    days : tuple of str
        First and last day, empty when there is none.
    advised : Counter
        Rows by ``advised``.
    """

    confirmed: Counter[tuple[int, int]]
    unconfirmed: Counter[int]
    linked: pd.DataFrame
    index: JobIndex
    refused: pd.DataFrame
    used: int
    days: tuple[str, str]
    advised: Counter[str]


@dataclass(frozen=True, slots=True)
class FindingTally:
    """Second pass over one piece of the findings table.

    Attributes
    ----------
    sightings : Counter
        (cause, test outcome, whether at the place complained of), from jobs confirmed by
        something else than the finding's test.
    self_confirmed : int
        Findings left out of `sightings` because their own test confirmed the cause.
    patterns : Counter
        (`OPEN` or `WEIGHED`, cell, outcomes at the place complained of) of unconfirmed jobs.
    split : ndarray of int, shape (row, 4)
        Of unconfirmed jobs with rows in other pieces: job's row in the index, `OPEN` or
        `WEIGHED`, cell, outcome.
    refused : DataFrame
        Rows that were refused.
    used : int
        Rows that were counted.
    """

    sightings: Counter[tuple[int, int, bool]]
    self_confirmed: int
    patterns: Counter[tuple[int, int, tuple[int, ...]]]
    split: IntArray
    refused: pd.DataFrame
    used: int


def hash_rows(frame: pd.DataFrame, columns: list[str]) -> NDArray[np.uint64]:
    """Hash the texts of several columns, the same on every machine."""
    from pandas.util import hash_pandas_object

    return np.asarray(hash_pandas_object(frame[columns], index=False), dtype=np.uint64)


def hash_words(words: pd.Series) -> NDArray[np.uint64]:
    """Hash the texts of one column."""
    from pandas.util import hash_array

    out: NDArray[np.uint64] = hash_array(words.to_numpy(dtype=object), categorize=True)
    return out


def age_band(odometer_km: pd.Series) -> np.ndarray:
    """Name the age band of each odometer reading."""
    number = to_number(odometer_km)
    band = np.searchsorted(AGE_BANDS_KM, number, side="right")
    return np.asarray(AGE_BANDS, dtype=object)[np.where(np.isnan(number), len(AGE_BANDS) - 1, band)]


def distinct_jobs(good: pd.DataFrame) -> NDArray[np.uint64]:
    """Hashes of the jobs that rows belong to, ascending."""
    return np.unique(hash_words(good["job"])).astype(np.uint64)


def scan_jobs(_: int, frame: pd.DataFrame, *, words: Vocabulary) -> Scanned:
    """Go over a piece of the jobs table for the first time."""
    good, _refused = check_jobs(frame, words)
    parents = good["comeback_of"]
    return Scanned(
        keys=hash_rows(good, ["job", "cause"]),
        jobs=distinct_jobs(good),
        cells=_count_cells(good),
        returned=frozenset(parents[parents != ""]),
    )


def _count_cells(good: pd.DataFrame) -> Counter[Cell]:
    codes, texts = factorize(cell_texts(good, good["family"]))
    rows = np.bincount(codes, minlength=len(texts))
    return Counter({Cell(*text.split("\n")): int(n) for text, n in zip(texts, rows, strict=True)})


def cell_texts(good: pd.DataFrame, family: pd.Series) -> pd.Series:
    """Join the fields of each row's cell by line ends."""
    age = pd_series(age_band(good["odometer_km"]), good)
    parts = (good["ignition"], good["fuel"], family, age, good["complaint"])
    texts = good["layout"]
    for part in parts:
        texts = texts + "\n" + part
    return texts


def pd_series(values: np.ndarray, like: pd.DataFrame) -> pd.Series:
    """Make a column for a frame."""
    import pandas as pd

    return pd.Series(values, index=like.index, dtype=object)


def scan_findings(_: int, frame: pd.DataFrame, *, words: Vocabulary) -> Scanned:
    """Go over a piece of the findings table for the first time."""
    good, _refused = check_findings(frame, words)
    return Scanned(
        keys=hash_rows(good, ["job", "sequence"]),
        jobs=distinct_jobs(good),
        cells=Counter(),
        returned=frozenset(),
    )


def link(scans: Iterable[Scanned], max_families: int) -> Links:
    """Put the first pass together.

    Parameters
    ----------
    scans : iterable of Scanned
        In the order of the pieces.
    max_families : int
        The commonest that keep their names; the others become `OTHER`.

    Returns
    -------
    Links
    """
    keys, jobs, pieces = [], [], []
    counted: Counter[Cell] = Counter()
    returned: set[str] = set()
    for number, scan in enumerate(scans):
        keys.append(scan.keys)
        jobs.append(scan.jobs)
        pieces.append(np.full(len(scan.keys), number, dtype=np.int32))
        counted.update(scan.cells)
        returned |= scan.returned
    families: Counter[str] = Counter()
    for cell, rows in counted.items():
        families[cell.family] += rows
    kept = frozenset(name for name, _ in sorted(families.items(), key=_commonest)[:max_families])
    renamed = {_rename(cell, kept) for cell in counted}
    return Links(
        first_piece=_first_pieces(keys, pieces),
        spread=_spread(jobs),
        cells={cell: number for number, cell in enumerate(sorted(renamed))},
        families=kept,
        returned=frozenset(returned),
    )


def _commonest(item: tuple[str, int]) -> tuple[int, str]:
    return -item[1], item[0]


def _rename(cell: Cell, kept: frozenset[str]) -> Cell:
    return cell if cell.family in kept else cell._replace(family=OTHER)


def _first_pieces(
    keys: list[NDArray[np.uint64]], pieces: list[NDArray[np.int32]]
) -> dict[int, int]:
    if not keys:
        return {}
    key, piece = np.concatenate(keys), np.concatenate(pieces)
    distinct, at, count = np.unique(key, return_index=True, return_counts=True)
    often = count > 1
    return dict(zip(distinct[often].tolist(), piece[at[often]].tolist(), strict=True))


def _spread(jobs: list[NDArray[np.uint64]]) -> frozenset[int]:
    if not jobs:
        return frozenset()
    distinct, count = np.unique(np.concatenate(jobs), return_counts=True)
    return frozenset(distinct[count > 1].tolist())


def drop_repeated(
    good: pd.DataFrame, keys: NDArray[np.uint64], piece: int, links: Links, *, say: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part rows that occur for the first time from their repetitions."""
    import pandas as pd

    suspects = np.isin(keys, np.fromiter(links.first_piece, np.uint64, len(links.first_piece)))
    repeated = np.zeros(len(good), dtype=bool)
    seen: set[int] = set()
    for row in np.flatnonzero(suspects):
        key = int(keys[row])
        repeated[row] = key in seen or links.first_piece[key] != piece
        seen.add(key)
    bad = good.loc[repeated]
    refused = pd.DataFrame({"line": bad["line"], "reason": say, "row": bad["job"]})
    return good.loc[~repeated], refused
