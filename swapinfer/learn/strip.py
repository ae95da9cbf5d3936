"""A copy of a history that says nothing about whose vehicles they were."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from swapinfer.learn.aggregate import History
from swapinfer.learn.tables import FINDING_COLUMNS, JOB_COLUMNS, read_chunks

if TYPE_CHECKING:
    import pandas as pd


def strip_history(history: History, *, jobs_to: Path, findings_to: Path | None = None) -> int:
    """Copy a history without anything personal.

    Only documented columns are kept; they hold words of the pack, numbers and the shop's own
    words for families and complaints. Jobs get running numbers instead of their names, and days
    become the first of their month.

    Parameters
    ----------
    history : History
        Tables to copy.
    jobs_to : Path
        CSV file to write.
    findings_to : Path, optional
        CSV file for the findings; needed if the history has any that are wanted.

    Returns
    -------
    int
        Jobs that were renamed.

    Raises
    ------
    LearnError
        If a table cannot be read.
    """
    names: dict[str, str] = {}
    _write(jobs_to, _jobs(history.jobs, names), JOB_COLUMNS)
    if history.findings is not None and findings_to is not None:
        _write(findings_to, _findings(history.findings, names), FINDING_COLUMNS)
    return len(names)


def _renamed(words: pd.Series, names: dict[str, str]) -> list[str]:
    return [names.setdefault(w.strip(), str(len(names) + 1)) if w.strip() else "" for w in words]


def _jobs(path: Path, names: dict[str, str]) -> Iterator[pd.DataFrame]:
    for frame in read_chunks(path, JOB_COLUMNS):
        good = frame.loc[frame["width"] == 0].copy()
        good["job"] = _renamed(good["job"], names)
        good["comeback_of"] = _renamed(good["comeback_of"], names)
        good["opened"] = good["opened"].str.strip().str.replace(r"-\d\d$", "-01", regex=True)
        yield good


def _findings(path: Path, names: dict[str, str]) -> Iterator[pd.DataFrame]:
    for frame in read_chunks(path, FINDING_COLUMNS):
        good = frame.loc[frame["width"] == 0].copy()
        good["job"] = _renamed(good["job"], names)
        yield good


def _write(path: Path, frames: Iterator[pd.DataFrame], columns: tuple[str, ...]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for frame in frames:
            writer.writerows(frame[list(columns)].to_numpy().tolist())
