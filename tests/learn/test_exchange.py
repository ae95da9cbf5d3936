"""Shops that give each other their cases learn as if they were one, and give nothing away."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import pytest

from swapinfer.errors import LearnError
from swapinfer.learn.counts import Counts, History, count_history
from swapinfer.learn.learn import add_cases, read_cases, write_cases
from swapinfer.learn.prior import vocabulary
from swapinfer.learn.tables import CASES
from swapinfer.pack.load import load_pack

WORDS = vocabulary(load_pack())


def job(name: str, family: str, cause: str, **more: str) -> dict[str, str]:
    kind, _, mode = cause.partition(".")
    return {
        "job": name,
        "opened": "2031-02-03",
        "family": family,
        "odometer_km": "90000",
        "layout": "inline-4",
        "ignition": "coil-on-plug",
        "fuel": "port",
        "cause_kind": kind,
        "cause_mode": mode,
        "verified": "yes" if mode else "no",
        **more,
    }


NORTH = [
    job("sentinel-1", "heron", "coil.breakdown"),
    job("sentinel-2", "heron", "coil.breakdown", opened="2031-03-03"),
    job("sentinel-3", "marten", "plug.worn"),
    job("sentinel-4", "marten", "boot.torn", comeback_of="sentinel-3"),
    job("sentinel-5", "marten", "plug.worn"),
    job("sentinel-6", "marten", "not-found", comeback_of="sentinel-5"),
    job("sentinel-7", "", "not-found"),
]
SOUTH = [
    job("a", "heron", "coil.breakdown", opened="2031-05-03"),
    job("b", "otter", "coil.hot", odometer_km=""),
    job("c", "heron", "not-found"),
]


def named(counts: Counts) -> Counter[tuple[object, ...]]:
    """Verified cases by what their cells and causes are called."""
    causes, cases = counts.words.causes, counts.cases
    told: Counter[tuple[object, ...]] = Counter()
    for what, counter in (("stayed", cases.stayed), ("returned", cases.returned)):
        for (cell, cause), n in counter.items():
            told[what, counts.cells[cell], causes[cause]] += n
    for (cell, first, last), n in cases.chains.items():
        told["chain", counts.cells[cell], causes[first], causes[last]] += n
    return told


@pytest.fixture
def north(tmp_path: Path) -> Path:
    """Cases of one shop, as another gets them."""
    write_cases(count_history(History(NORTH), WORDS), tmp_path / "cases.csv")
    return tmp_path / "cases.csv"


def test_two_shops_count_as_one(north: Path) -> None:
    """Against the rows of both in one table."""
    cases, refused = read_cases([north], WORDS)
    assert refused[str(north)].empty
    south = count_history(History(SOUTH), WORDS)
    both = add_cases(south, cases)
    whole = count_history(History([*NORTH, *SOUTH]), WORDS)
    assert named(both) == named(whole)
    assert both.rows.theirs == 4
    open_jobs = {both.cells[at]: n for at, n in both.unconfirmed.items() if n}
    assert open_jobs == {south.cells[at]: n for at, n in south.unconfirmed.items() if n}
    assert both.split is not None
    assert south.split is not None
    assert both.split.later.total() == south.split.later.total()
    assert named(both.split.earlier) == named(south.split.earlier) + named(
        count_history(History(NORTH), WORDS)
    )


def test_without_others_nothing_changes() -> None:
    cases, refused = read_cases([], WORDS)
    south = count_history(History(SOUTH), WORDS, refused_before=refused)
    assert named(add_cases(south, cases)) == named(south)
    assert south.rows.rows_refused == 0


def test_nothing_is_given_away_but_counts(north: Path) -> None:
    text = north.read_text(encoding="utf-8")
    assert "sentinel" not in text
    assert "2031" not in text
    with north.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == CASES.names
    assert sum(int(row["cases"]) for row in rows) == 4


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ("coil.breakdwn,,no,2", 'cause "coil.breakdwn" is not known; did you mean'),
        ("coil.breakdown,,no,0", 'cases "0" is not a whole number from 1'),
        ("coil.breakdown,,perhaps,2", 'came_back "perhaps" is not known'),
        ("coil.breakdown,plug.worn,no,2", "came_back is no"),
        ("rotor.burnt,,no,2", "does not exist with ignition"),
    ],
)
def test_a_bad_row_is_refused_and_the_others_are_taken(
    change: str, reason: str, tmp_path: Path
) -> None:
    engine = "inline-4,coil-on-plug,port,heron,60-120,"
    lines = [",".join(CASES.names), f"{engine},{change}", f"{engine},plug.worn,,no,3"]
    (tmp_path / "cases.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    cases, refused = read_cases([tmp_path / "cases.csv"], WORDS)
    assert [n for *_, n in cases] == [3]
    (bad,) = refused.values()
    assert bad["line"].tolist() == [2]
    assert reason in bad["reason"].iloc[0]
    counts = count_history(History(SOUTH), WORDS, refused_before=refused)
    assert counts.rows.rows_refused == 1


def test_the_same_cases_twice_are_refused(north: Path, tmp_path: Path) -> None:
    (tmp_path / "again.csv").write_bytes(north.read_bytes())
    with pytest.raises(LearnError, match="the same cases"):
        read_cases([north, tmp_path / "again.csv"], WORDS)
