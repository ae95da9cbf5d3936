"""Second pass over a piece of a history: counting."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.evidence.arrays import IntArray
from swapinfer.learn.checks import (
    Vocabulary,
    check_findings,
    check_jobs,
    factorize,
    shown_names,
)
from swapinfer.learn.scan import (
    OPEN,
    OTHER,
    SET_ASIDE,
    WEIGHED,
    Cell,
    FindingTally,
    JobIndex,
    JobTally,
    Links,
    cell_texts,
    drop_repeated,
    hash_rows,
    hash_words,
)

if TYPE_CHECKING:
    import pandas as pd


def tally_jobs(piece: int, frame: pd.DataFrame, *, words: Vocabulary, links: Links) -> JobTally:
    """Count the jobs of a piece.

    Parameters
    ----------
    piece : int
        Its number.
    frame : DataFrame
        Its rows, as read.
    words : Vocabulary
        Words that are accepted.
    links : Links
        Result of the first pass.

    Returns
    -------
    JobTally
    """
    import pandas as pd

    good, refused = check_jobs(frame, words)
    keys = hash_rows(good, ["job", "cause"])
    good, again = drop_repeated(
        good, keys, piece, links, say="the same job with the same cause stands in an earlier row"
    )
    cell = _cells(good, links)
    confirmed = (good["verified"] == "yes").to_numpy()
    cause = np.where(confirmed, _numbers(good["cause"], words.causes), OPEN)
    linked = (good["job"].isin(links.returned) | (good["comeback_of"] != "")).to_numpy()
    plain = confirmed & ~linked
    pairs = cell[plain] * len(words.causes) + cause[plain]
    return JobTally(
        confirmed=Counter(
            {divmod(pair, len(words.causes)): n for pair, n in _count(pairs).items()}
        ),
        unconfirmed=Counter(_count(cell[~confirmed & ~linked])),
        linked=pd.DataFrame(
            {
                "job": good["job"].to_numpy()[linked],
                "cell": cell[linked],
                "cause": cause[linked],
                "comeback_of": good["comeback_of"].to_numpy()[linked],
            }
        ),
        index=_index(good, cell, np.where(linked, SET_ASIDE, cause), words),
        refused=pd.concat([refused, again], ignore_index=True),
        used=len(good),
        days=(str(good["opened"].min()), str(good["opened"].max())) if len(good) else ("", ""),
        advised=Counter(good["advised"]),
    )


def _cells(good: pd.DataFrame, links: Links) -> IntArray:
    family = good["family"].where(good["family"].isin(links.families), OTHER)
    codes, distinct = factorize(cell_texts(good, family))
    numbers = [links.cells[Cell(*text.split("\n"))] for text in distinct]
    out: IntArray = np.array(numbers, dtype=np.int64)[codes]
    return out


def _numbers(names: pd.Series, known: tuple[str, ...]) -> IntArray:
    """Position of each name among those known, -1 where it is none of them."""
    at = {name: number for number, name in enumerate(known)}
    codes, distinct = factorize(names)
    out: IntArray = np.array([at.get(name, -1) for name in distinct], dtype=np.int64)[codes]
    return out


def _count(numbers: IntArray) -> dict[int, int]:
    distinct, count = np.unique(numbers, return_counts=True)
    return dict(zip(distinct.tolist(), count.tolist(), strict=True))


def _index(good: pd.DataFrame, cell: IntArray, cause: IntArray, words: Vocabulary) -> JobIndex:
    return JobIndex(
        job=hash_words(good["job"]),
        place=hash_words(good["place"]),
        cell=cell.astype(np.int32),
        cause=cause.astype(np.int16),
        confirmed_by=_numbers(good["confirmed_by"], tuple(words.outcomes)).astype(np.int16),
    )


def join_indexes(parts: list[JobIndex]) -> JobIndex:
    """Put the indexes of all pieces together; a job with several causes is set aside.

    Parameters
    ----------
    parts : list of JobIndex
        At least one.

    Returns
    -------
    JobIndex
        One entry a job, ascending by hash.
    """
    job = np.concatenate([part.job for part in parts])
    distinct, at, count = np.unique(job, return_index=True, return_counts=True)
    cause = np.concatenate([part.cause for part in parts])[at]
    return JobIndex(
        job=distinct,
        place=np.concatenate([part.place for part in parts])[at],
        cell=np.concatenate([part.cell for part in parts])[at],
        cause=np.where(count > 1, np.int16(SET_ASIDE), cause),
        confirmed_by=np.concatenate([part.confirmed_by for part in parts])[at],
    )


def tally_findings(
    piece: int, frame: pd.DataFrame, *, words: Vocabulary, links: Links, index: JobIndex
) -> FindingTally:
    """Count the findings of a piece.

    Parameters
    ----------
    piece : int
        Its number.
    frame : DataFrame
        Its rows, as read.
    words : Vocabulary
        Words that are accepted.
    links : Links
        Result of the first pass over the findings.
    index : JobIndex
        Of all jobs.

    Returns
    -------
    FindingTally
    """
    import pandas as pd

    good, refused = check_findings(frame, words)
    keys = hash_rows(good, ["job", "sequence"])
    good, again = drop_repeated(
        good, keys, piece, links, say="the same sequence number stands in an earlier row of the job"
    )
    job = hash_words(good["job"])
    at = np.minimum(np.searchsorted(index.job, job), len(index.job) - 1)
    known = index.job[at] == job
    orphans = good.loc[~known, ["line", "job"]]
    orphans = orphans.assign(reason="no such job in the jobs table").rename(columns={"job": "row"})
    good, at, job = good.loc[known], at[known], job[known]
    shown = _numbers(good["shown"], shown_names(words))
    here = (hash_words(good["target"]) == index.place[at]) | (good["target"] == "").to_numpy()
    test = _numbers(good["test"], tuple(words.outcomes))
    sightings, self_confirmed = _sightings(index.cause[at], shown, here, test, index, at)
    patterns, split = _patterns(index, at, shown, here, job, links)
    return FindingTally(
        sightings=sightings,
        self_confirmed=self_confirmed,
        patterns=patterns,
        split=split,
        refused=pd.concat([refused, again, orphans], ignore_index=True),
        used=len(good),
    )


def _sightings(
    cause: IntArray,
    shown: IntArray,
    here: np.ndarray,
    test: IntArray,
    index: JobIndex,
    at: IntArray,
) -> tuple[Counter[tuple[int, int, bool]], int]:
    verified = cause >= 0
    own = verified & (index.confirmed_by[at] == test)
    rows = np.stack([cause, shown, here], axis=1).astype(np.int64)[verified & ~own]
    distinct, count = np.unique(rows, axis=0, return_counts=True)
    counted = {
        (c, s, bool(h)): n for (c, s, h), n in zip(distinct.tolist(), count.tolist(), strict=True)
    }
    return Counter(counted), int(own.sum())


def _patterns(
    index: JobIndex,
    at: IntArray,
    shown: IntArray,
    here: np.ndarray,
    job: np.ndarray,
    links: Links,
) -> tuple[Counter[tuple[int, int, tuple[int, ...]]], IntArray]:
    cause = index.cause[at]
    tells = ((cause == OPEN) | (cause == WEIGHED)) & here
    rows = np.stack([at, cause, index.cell[at], shown], axis=1).astype(np.int64)[tells]
    elsewhere = np.isin(job[tells], np.fromiter(links.spread, np.uint64, len(links.spread)))
    return patterns_of(rows[~elsewhere]), rows[elsewhere]


def patterns_of(rows: IntArray) -> Counter[tuple[int, int, tuple[int, ...]]]:
    """Collect the outcomes of each job, and count jobs alike in everything.

    Parameters
    ----------
    rows : ndarray of int, shape (finding, 4)
        Job, how its cause is known, cell, outcome.

    Returns
    -------
    Counter
        (how its cause is known, cell, ascending outcomes) to the number of jobs.
    """
    if not len(rows):
        return Counter()
    rows = rows[np.lexsort((rows[:, 3], rows[:, 0]))]
    starts = np.flatnonzero(np.diff(rows[:, 0], prepend=-1))
    position = np.arange(len(rows)) - np.repeat(starts, np.diff([*starts, len(rows)]))
    table = np.full((len(starts), 3 + int(position.max())), -1, dtype=np.int64)
    table[:, :2] = rows[starts, 1:3]
    table[np.cumsum(position == 0) - 1, 2 + position] = rows[:, 3]
    distinct, count = np.unique(table, axis=0, return_counts=True)
    return Counter(
        {
            (cause, cell, tuple(one for one in outcomes if one >= 0)): n
            for (cause, cell, *outcomes), n in zip(distinct.tolist(), count.tolist(), strict=True)
        }
    )
