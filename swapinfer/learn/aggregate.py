"""A shop's whole history as counts: what the models need, and nothing that grows with its rows."""

from __future__ import annotations

import csv
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.errors import LearnError
from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.chains import CaseCounts, follow_chains
from swapinfer.learn.checks import Vocabulary
from swapinfer.learn.count import (
    join_indexes,
    patterns_of,
    tally_findings,
    tally_jobs,
)
from swapinfer.learn.pieces import ClusterPieces, LocalPieces, Pieces, connect
from swapinfer.learn.scan import (
    OPEN,
    WEIGHED,
    Cell,
    JobIndex,
    JobTally,
    Links,
    hash_words,
    link,
    scan_findings,
    scan_jobs,
)
from swapinfer.learn.tables import FINDING_COLUMNS, JOB_COLUMNS

if TYPE_CHECKING:
    import pandas as pd
    from dask.distributed import Client

MAX_FAMILIES = 12
"""Families that the model tells apart; rarer ones are pooled as one."""


@dataclass(frozen=True, slots=True)
class History:
    """Where a shop's history lies.

    Attributes
    ----------
    jobs : Path
        Table of jobs, CSV or Parquet.
    findings : Path or None
        Table of findings.
    exact : mapping of str to ndarray of float, shape (cause,)
        For jobs whose findings an exact engine has weighed: log-likelihood under each cause, in
        the order of the vocabulary. For other jobs the product over their findings is taken.
    cluster : str
        Address of a Dask scheduler, or empty.
    """

    jobs: Path
    findings: Path | None = None
    exact: Mapping[str, FloatArray] = field(default_factory=dict)
    cluster: str = ""


@dataclass(frozen=True, slots=True)
class RowReport:
    """What happened to the rows of a history.

    Attributes
    ----------
    jobs_used, findings_used : int
        Rows that were counted.
    refused : Counter
        Rows refused, by table and reason (without the offending value's own wording).
    notes : Counter
        Things that are odd but not wrong, such as comebacks of jobs that the table does not hold.
    first_day, last_day : str
        Of the jobs counted.
    advised : Counter
        Jobs by whether their steps were chosen by advice.
    digest : str
        SHA-256 of the files.
    """

    jobs_used: int
    findings_used: int
    refused: Counter[str]
    notes: Counter[str]
    first_day: str
    last_day: str
    advised: Counter[str]
    digest: str

    @property
    def rows_refused(self) -> int:
        """Of both tables."""
        return self.refused.total()


@dataclass(frozen=True, slots=True)
class Counts:
    """Sufficient statistics of a history.

    Attributes
    ----------
    words : Vocabulary
        Causes and outcomes that numbers below refer to.
    cells : tuple of Cell
        Cells that numbers below refer to.
    cases : CaseCounts
        Verified causes, comebacks followed.
    patterns : Counter
        (cell, outcomes) to the number of unconfirmed jobs that showed just these.
    weighed_patterns : Counter
        The same of the unconfirmed jobs in `exact`; these tell about tests only.
    exact : Counter
        (cell, log-likelihoods) to the number of unconfirmed jobs weighed by an exact engine.
    sightings : Counter
        (cause, outcome, at the place complained of) to findings of confirmed jobs.
    unconfirmed : Counter
        Cell to unconfirmed jobs, with findings or without.
    rows : RowReport
        What was used and refused.
    """

    words: Vocabulary
    cells: tuple[Cell, ...]
    cases: CaseCounts
    patterns: Counter[tuple[int, tuple[int, ...]]]
    weighed_patterns: Counter[tuple[int, tuple[int, ...]]]
    exact: Counter[tuple[int, tuple[float, ...]]]
    sightings: Counter[tuple[int, int, bool]]
    unconfirmed: Counter[int]
    rows: RowReport

    @property
    def jobs_by_cell(self) -> FloatArray:
        """Jobs of each cell, confirmed or not; shape (cell,)."""
        total = self.cases.by_cell(len(self.cells))
        for cell, count in self.unconfirmed.items():
            total[cell] += count
        return total


class RefusedRows:
    """Counts refused rows by reason and, if a path is given, writes them to a CSV file."""

    def __init__(self, path: Path | None) -> None:
        self.reasons: Counter[str] = Counter()
        self._file = path.open("w", encoding="utf-8", newline="") if path else None
        self._writer = csv.writer(self._file, lineterminator="\n") if self._file else None
        if self._writer:
            self._writer.writerow(["table", "line", "reason", "row"])

    def put(self, table: str, refused: pd.DataFrame) -> None:
        """Add refused rows of a table."""
        for reason in refused["reason"]:
            self.reasons[f"{table}: {reason}"] += 1
        if self._writer:
            rows = refused[["line", "reason", "row"]].sort_values("line", kind="stable")
            self._writer.writerows([table, *row] for row in rows.itertuples(index=False))

    def close(self) -> None:
        """Close the file."""
        if self._file:
            self._file.close()


def read_history(
    history: History,
    words: Vocabulary,
    *,
    refused_to: Path | None = None,
    max_families: int = MAX_FAMILIES,
) -> Counts:
    """Check and count a history.

    Parameters
    ----------
    history : History
        Where it lies.
    words : Vocabulary
        Words that are accepted.
    refused_to : Path, optional
        CSV file for refused rows, with line and reason.
    max_families : int
        Families that the model tells apart.

    Returns
    -------
    Counts
        The same to the last digit, whether read here or on a cluster.

    Raises
    ------
    LearnError
        If a file is missing or malformed as a whole, or no row is good.
    """
    side = RefusedRows(refused_to)
    try:
        with _connection(history) as client:
            return _read(history, words, side, max_families, client)
    finally:
        side.close()


def _connection(history: History) -> AbstractContextManager[Client | None]:
    return connect(history.cluster) if history.cluster else nullcontext()


def _pieces(path: Path, columns: tuple[str, ...], client: Client | None) -> Pieces:
    if client is None:
        return LocalPieces(path, columns)
    if path.suffix != ".parquet" and not path.is_dir():
        raise LearnError(f"{path}: a cluster reads Parquet; got {path.suffix or 'no suffix'}")
    return ClusterPieces(path, columns, client)


def _read(
    history: History, words: Vocabulary, side: RefusedRows, max_families: int, client: Client | None
) -> Counts:
    jobs = _pieces(history.jobs, JOB_COLUMNS, client)
    links = link(jobs.map(partial(scan_jobs, words=words)), max_families)
    tally = _JobTotals(links)
    for part in jobs.map(partial(tally_jobs, words=words, links=links)):
        side.put("jobs", part.refused)
        tally.add(part)
    if not tally.used:
        raise LearnError(
            f"{history.jobs}: not one row can be used; {commonest_reason(side.reasons)}"
        )
    cases, notes = follow_chains(tally.confirmed, tally.linked())
    index, exact = _take_exact(tally.index(), history.exact)
    found = _FindingTotals()
    if history.findings is not None:
        findings = _pieces(history.findings, FINDING_COLUMNS, client)
        found.read(findings, words, index, side)
    return Counts(
        words=words,
        cells=tuple(links.cells),
        cases=cases,
        patterns=found.patterns_with(OPEN),
        weighed_patterns=found.patterns_with(WEIGHED),
        exact=exact,
        sightings=found.sightings,
        unconfirmed=tally.unconfirmed + cases.open_by_cell,
        rows=RowReport(
            jobs_used=tally.used,
            findings_used=found.used,
            refused=side.reasons,
            notes=notes + found.notes,
            first_day=tally.first_day,
            last_day=tally.last_day,
            advised=tally.advised,
            digest=digest_files([p for p in (history.jobs, history.findings) if p]),
        ),
    )


def commonest_reason(reasons: Counter[str]) -> str:
    """Say why most rows of a table were refused."""
    if not reasons:
        return "the table is empty"
    reason, count = reasons.most_common(1)[0]
    return f"the commonest reason ({count} rows) is: {reason}"


class _JobTotals:
    """Sums of the tallies of all pieces of the jobs table."""

    def __init__(self, links: Links) -> None:
        self.links = links
        self.confirmed: Counter[tuple[int, int]] = Counter()
        self.unconfirmed: Counter[int] = Counter()
        self.advised: Counter[str] = Counter()
        self.used = 0
        self.first_day = self.last_day = ""
        self._linked: list[pd.DataFrame] = []
        self._indexes: list[JobIndex] = []

    def add(self, part: JobTally) -> None:
        self.confirmed.update(part.confirmed)
        self.unconfirmed.update(part.unconfirmed)
        self.advised.update(part.advised)
        self.used += part.used
        self._linked.append(part.linked)
        self._indexes.append(part.index)
        days = [day for day in (self.first_day, self.last_day, *part.days) if day]
        self.first_day, self.last_day = min(days, default=""), max(days, default="")

    def linked(self) -> pd.DataFrame:
        import pandas as pd

        return pd.concat(self._linked, ignore_index=True)

    def index(self) -> JobIndex:
        return join_indexes(self._indexes)


class _FindingTotals:
    """Sums of the tallies of all pieces of the findings table."""

    def __init__(self) -> None:
        self.sightings: Counter[tuple[int, int, bool]] = Counter()
        self.patterns: Counter[tuple[int, int, tuple[int, ...]]] = Counter()
        self.notes: Counter[str] = Counter()
        self.used = 0
        self._split: list[np.ndarray] = []

    def read(self, findings: Pieces, words: Vocabulary, index: JobIndex, side: RefusedRows) -> None:
        links = link(findings.map(partial(scan_findings, words=words)), max_families=0)
        count = partial(tally_findings, words=words, links=links, index=index)
        for part in findings.map(count):
            side.put("findings", part.refused)
            self.sightings.update(part.sightings)
            self.patterns.update(part.patterns)
            self.notes["findings whose own test confirmed the cause"] += part.self_confirmed
            self.used += part.used
            self._split.append(part.split)

    def patterns_with(self, cause: int) -> Counter[tuple[int, tuple[int, ...]]]:
        """Patterns of whole jobs and of those that were spread over pieces; `OPEN` or `WEIGHED`."""
        split = np.concatenate([np.zeros((0, 4), int), *self._split])
        everything = self.patterns + patterns_of(split)
        return Counter(
            {(cell, outcomes): n for (of, cell, outcomes), n in everything.items() if of == cause}
        )


def _take_exact(
    index: JobIndex, exact: Mapping[str, FloatArray]
) -> tuple[JobIndex, Counter[tuple[int, tuple[float, ...]]]]:
    """Mark unconfirmed jobs that an exact engine has weighed in the index, and count them."""
    import pandas as pd

    counted: Counter[tuple[int, tuple[float, ...]]] = Counter()
    if not exact:
        return index, counted
    job = hash_words(pd.Series(list(exact), dtype=object))
    at = np.minimum(np.searchsorted(index.job, job), len(index.job) - 1)
    cause = index.cause.copy()
    for row, name, vector in zip(at, job, exact.values(), strict=True):
        if index.job[row] == name and cause[row] == OPEN:
            counted[int(index.cell[row]), tuple(map(float, vector))] += 1
            cause[row] = WEIGHED
    return replace(index, cause=cause), counted


def digest_files(paths: Iterable[Path]) -> str:
    """SHA-256 of one or several files or folders of files, hexadecimal."""
    digest = hashlib.sha256()
    for path in paths:
        for file in sorted(path.rglob("*.parquet")) if path.is_dir() else [path]:
            with file.open("rb") as stream:
                for block in iter(partial(stream.read, 1 << 20), b""):
                    digest.update(block)
    return digest.hexdigest()
