"""Tables of a history: checks row by row, links, counts, whatever form the tables have."""

from __future__ import annotations

import csv
from collections import Counter
from datetime import date
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from swapinfer.errors import LearnError
from swapinfer.learn.counts import OPEN, Counts, History, count_history, follow_chains, patterns_of
from swapinfer.learn.prior import Vocabulary
from swapinfer.learn.tables import FINDINGS, JOBS, Columns, strip_history

WORDS = Vocabulary(
    causes=("coil.open", "coil.hot", "plug.worn"),
    outcomes={"look": ("sound", "bad"), "ohms": ("low", "usual")},
    layouts=("inline-4",),
    fitments={"ignition": ("coil", "distributor"), "fuel": ("port",)},
    needs={"coil.open": {"ignition": ("coil",)}, "coil.hot": {"ignition": ("coil",)}},
)
SOUND, BAD, LOW, USUAL = range(4)


Row: TypeAlias = dict[str, str]


def job(name: str, cause: str = "", **more: str) -> Row:
    kind, _, mode = cause.partition(".")
    told = {
        "job": name,
        "opened": "2025-03-04",
        "family": "alder",
        "odometer_km": "90000",
        "layout": "inline-4",
        "ignition": "coil",
        "fuel": "port",
        "place": "2",
        "cause_kind": kind,
        "cause_mode": mode,
        "verified": "yes" if cause else "no",
    }
    return told | more


def finding(name: str, sequence: str, test: str, target: str, outcome: str) -> Row:
    return dict(zip(FINDINGS.names, (name, sequence, test, target, outcome), strict=True))


def write_rows(path: Path, rows: list[Row], columns: Columns) -> None:
    frame = pd.DataFrame(rows, columns=list(columns.names)).fillna("").astype(str)
    if path.suffix == ".parquet":
        frame.to_parquet(path, index=False)
    else:
        frame.to_csv(path, index=False)


def count(
    folder: Path, jobs: list[Row], findings: list[Row] | None = None, end: str = "csv"
) -> Counts:
    write_rows(folder / f"jobs.{end}", jobs, JOBS)
    path = None
    if findings is not None:
        path = folder / f"findings.{end}"
        write_rows(path, findings, FINDINGS)
    history = History(folder / f"jobs.{end}", path)
    return count_history(history, WORDS, refused_to=folder / "refused.csv")


def refused(folder: Path) -> list[dict[str, str]]:
    with (folder / "refused.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"opened": "31.3.2025"}, 'opened "31.3.2025" is not a date like 2026-03-31'),
        ({"odometer_km": "-4"}, 'odometer_km "-4" is not a number from 0 to 3e+06'),
        ({"odometer_km": "many"}, 'odometer_km "many" is not a number from 0 to 3e+06'),
        ({"layout": "inline4"}, 'layout "inline4" is not known; did you mean "inline-4"?'),
        ({"cause_mode": "opn"}, 'cause "coil.opn" is not known; did you mean "coil.open"?'),
        ({"cause_kind": ""}, "verified is yes, but no cause is given"),
        ({"cause_mode": ""}, "verified is yes, but no cause is given with its mode"),
        ({"ignition": "distributor"}, 'cause "coil.open" does not exist with ignition'),
        ({"verified": "maybe"}, 'verified "maybe" is not known; known: yes, no'),
        ({"family": "Mr Someone"}, 'family "Mr Someone" is not one word'),
        ({"confirmed_by": "looks"}, 'confirmed_by "looks" is not known; did you mean "look"?'),
        ({"comeback_of": "bad"}, "comeback_of names the job itself"),
        ({"job": ""}, 'job "" is not a job'),
    ],
)
def test_bad_rows_are_refused_with_line_and_reason(
    tmp_path: Path, change: dict[str, str], reason: str
) -> None:
    bad = job("bad", "coil.open") | change
    counts = count(tmp_path, [job("good", "coil.open"), bad])
    (row,) = refused(tmp_path)
    assert row["table"] == "jobs"
    assert row["line"] == "3"
    assert reason in row["reason"]
    assert counts.rows.jobs_used == 1
    assert counts.rows.rows_refused == 1


def test_rows_of_the_wrong_width_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    write_rows(path, [job("a", "coil.open"), job("b", "coil.open")], JOBS)
    path.write_text(path.read_text().rstrip("\n") + ",extra\n", encoding="utf-8")
    counts = count_history(History(path), WORDS, refused_to=tmp_path / "refused.csv")
    assert counts.rows.jobs_used == 1
    assert "17 fields" in refused(tmp_path)[0]["reason"]


def test_missing_column_names_it(tmp_path: Path) -> None:
    path = tmp_path / "jobs.csv"
    path.write_text("job,opend\n", encoding="utf-8")
    with pytest.raises(LearnError, match='no column "opened"; did you mean "opend"'):
        count_history(History(path), WORDS)


def test_nothing_usable_says_why(tmp_path: Path) -> None:
    with pytest.raises(LearnError, match=r"not one row can be used; .* verified"):
        count(tmp_path, [job("a", verified="perhaps")])
    with pytest.raises(LearnError, match=r"^the rows given: not one row can be used; .* verified"):
        count_history(History([job("a", verified="perhaps")]), WORDS)


def test_a_repeated_row_counts_once_and_two_causes_count_both(tmp_path: Path) -> None:
    rows = [job("a", "coil.open"), job("a", "plug.worn"), job("a", "coil.open")]
    counts = count(tmp_path, rows)
    assert counts.cases.stayed == {(0, 0): 1, (0, 2): 1}
    assert refused(tmp_path)[0]["line"] == "4"


def test_jobs_without_a_cause_are_unconfirmed(tmp_path: Path) -> None:
    rows = [
        job("a", cause_kind="not-found"),
        job("b", cause_kind="declined"),
        job("c", "coil.hot", verified="no"),
    ]
    counts = count(tmp_path, rows)
    assert not counts.cases.stayed
    assert counts.unconfirmed == {0: 3}


def test_missing_odometer_is_a_band_of_its_own(tmp_path: Path) -> None:
    rows = [job("a", "coil.open", odometer_km=""), job("b", "coil.open", odometer_km="60000")]
    counts = count(tmp_path, rows)
    assert {cell.age for cell in counts.cells} == {"unknown", "60-120"}


def test_rare_families_are_one(tmp_path: Path) -> None:
    rows = [job(f"a{i}", "coil.open") for i in range(3)]
    rows += [job("b", "coil.open", family="birch"), job("c", "coil.open", family="cedar")]
    write_rows(tmp_path / "jobs.csv", rows, JOBS)
    counts = count_history(History(tmp_path / "jobs.csv"), WORDS, max_families=1)
    assert {cell.family: n for cell, n in zip(counts.cells, counts.jobs_by_cell, strict=True)} == {
        "alder": 3.0,
        "other": 2.0,
    }


def test_comebacks_are_linked_to_their_first_visit(tmp_path: Path) -> None:
    rows = [
        job("a", "coil.open"),
        job("a2", "plug.worn", comeback_of="a"),
        job("b", "coil.hot"),
        job("b2", comeback_of="b"),
        job("c"),
        job("c2", "coil.open", comeback_of="c"),
        job("d", "plug.worn", comeback_of="not-here"),
        job("e"),
        job("e2", comeback_of="e"),
    ]
    counts = count(tmp_path, rows)
    assert counts.cases.chains == {(0, 0, 2): 1}
    assert counts.cases.returned == {(0, 1): 1}
    assert counts.cases.stayed == {(0, 0): 1, (0, 2): 1}
    assert counts.unconfirmed == {0: 1}
    assert counts.rows.notes["comebacks whose first visit the table does not hold"] == 1


def test_comebacks_in_a_circle_end() -> None:
    import pandas as pd

    linked = pd.DataFrame(
        {"job": ["a", "b"], "cell": [0, 0], "cause": [1, OPEN], "comeback_of": ["b", "a"]}
    )
    cases, _ = follow_chains(Counter(), linked)
    assert cases.by_cause(2).sum() <= 2


def test_findings_are_counted_by_what_they_can_prove(tmp_path: Path) -> None:
    jobs = [job("a", "coil.open", confirmed_by="ohms"), job("b"), job("c")]
    findings = [
        finding("a", "1", "look", "2", "bad"),
        finding("a", "2", "look", "3", "sound"),
        finding("a", "3", "ohms", "2", "low"),
        finding("b", "1", "ohms", "2", "low"),
        finding("b", "2", "look", "", "bad"),
        finding("b", "3", "look", "4", "sound"),
        finding("c", "1", "look", "2", "bad"),
        finding("c", "2", "ohms", "2", "low"),
        finding("x", "1", "ohms", "2", "low"),
        finding("c", "2", "ohms", "2", "usual"),
    ]
    counts = count(tmp_path, jobs, findings)
    assert counts.sightings == {(0, BAD, True): 1, (0, SOUND, False): 1}
    assert counts.rows.notes["findings whose own test confirmed the cause"] == 1
    assert counts.patterns == {(0, (BAD, LOW)): 2}
    assert sorted(row["line"] for row in refused(tmp_path)) == ["10", "11"]


def test_jobs_weighed_by_an_exact_engine_leave_the_patterns(tmp_path: Path) -> None:
    write_rows(tmp_path / "jobs.csv", [job("a"), job("b")], JOBS)
    rows = [finding(name, "1", "look", "2", "bad") for name in "ab"]
    write_rows(tmp_path / "findings.csv", rows, FINDINGS)
    exact = {"not-here": np.zeros(3), "a": np.array([0.0, -1.0, -2.0])}
    history = History(tmp_path / "jobs.csv", tmp_path / "findings.csv", exact)
    counts = count_history(history, WORDS)
    assert counts.exact == {(0, (0.0, -1.0, -2.0)): 1}
    assert counts.patterns == {(0, (BAD,)): 1}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 5), st.integers(0, 8)), max_size=40),
)
def test_patterns_agree_with_a_plain_loop(findings: list[tuple[int, int]]) -> None:
    rows = np.array([(job_, -1, job_ % 2, shown) for job_, shown in findings], dtype=np.int64)
    expected: Counter[tuple[int, tuple[int, ...]]] = Counter()
    for one in {job_ for job_, _ in findings}:
        shown = tuple(sorted(outcome for job_, outcome in findings if job_ == one))
        expected[one % 2, shown] += 1
    assert patterns_of(rows.reshape(-1, 4))[OPEN] == expected


def random_history(seed: int, size: int) -> tuple[list[Row], list[Row]]:
    rng = np.random.default_rng(seed)
    causes = ["", *WORDS.causes]
    jobs = [
        job(
            f"j{i}",
            causes[rng.integers(4)],
            family=("alder", "birch", "")[rng.integers(3)],
            odometer_km=str(rng.integers(300_000)),
            confirmed_by=("look", "ohms", "repair", "")[rng.integers(4)],
            comeback_of=f"j{rng.integers(i)}" if i and rng.random() < 0.1 else "",
        )
        for i in range(size)
    ]
    jobs += [jobs[int(i)] for i in rng.integers(size, size=5)]
    shown = [(test, name) for test, names in WORDS.outcomes.items() for name in names]
    findings = []
    for i in range(3 * size):
        test, outcome = shown[rng.integers(4)]
        target = ("2", "3", "")[rng.integers(3)]
        findings.append(finding(f"j{rng.integers(size + 2)}", str(i % 7), test, target, outcome))
    return jobs, findings


def test_batches_of_any_size_give_the_same_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Duplicates, comebacks and jobs whose findings are spread over batches included."""
    from swapinfer.learn import tables

    jobs, findings = random_history(3, 120)
    for end in ("csv", "parquet"):
        whole = count(tmp_path, jobs, findings, end)
        for rows in (11, 50):
            with monkeypatch.context() as smaller:
                smaller.setattr(tables, "BATCH_ROWS", rows)
                assert count(tmp_path, jobs, findings, end) == whole


def test_parquet_and_csv_give_the_same_counts(tmp_path: Path) -> None:
    jobs, findings = random_history(4, 80)
    a, b = count(tmp_path, jobs, findings, "csv"), count(tmp_path, jobs, findings, "parquet")
    assert replace(a, rows=replace(a.rows, digest="")) == replace(
        b, rows=replace(b.rows, digest="")
    )


def test_a_folder_of_parquet_files_gives_the_same_counts(tmp_path: Path) -> None:
    """Files in the order of their names; a line is counted through all of them."""
    jobs, findings = random_history(5, 200)
    jobs[150]["verified"] = "perhaps"
    here = count(tmp_path, jobs, findings, "parquet")
    said = refused(tmp_path)
    folder = tmp_path / "folder"
    folder.mkdir()
    for part in range(4):
        write_rows(folder / f"jobs-{part}.parquet", jobs[part * 60 : (part + 1) * 60], JOBS)
    there = count_history(
        History(folder, tmp_path / "findings.parquet"), WORDS, refused_to=tmp_path / "refused.csv"
    )
    assert replace(there, rows=here.rows) == here
    assert refused(tmp_path) == said


def test_rows_in_memory_give_the_same_counts(tmp_path: Path) -> None:
    jobs, findings = random_history(7, 80)
    there = count(tmp_path, jobs, findings)
    here = count_history(History(jobs, findings), WORDS)
    assert replace(here, rows=there.rows) == there
    assert here.rows.refused == there.rows.refused


def test_numbers_and_nothing_in_parquet_are_what_they_are_in_csv(tmp_path: Path) -> None:
    """Columns of numbers with gaps, and days as days, as other programs write them."""
    rows = [job("a", "coil.open"), job("b", "coil.open", odometer_km="")]
    there = count(tmp_path, rows)
    typed = pa.Table.from_pylist(rows)
    for name, values in {
        "odometer_km": pa.array([90000.0, np.nan]),
        "exposure_km": pa.array([5, None]),
        "opened": pa.array([date(2025, 3, 4)] * 2),
    }.items():
        typed = typed.drop_columns(name) if name in typed.column_names else typed
        typed = typed.append_column(name, values)
    pq.write_table(typed, tmp_path / "typed.parquet")
    here = count_history(History(tmp_path / "typed.parquet"), WORDS)
    assert replace(here, rows=there.rows) == there
    assert here.rows.refused.total() == 0


def test_stripped_tables_hold_no_name_and_give_the_same_counts(tmp_path: Path) -> None:
    jobs, findings = random_history(6, 60)
    before = count(tmp_path, jobs, findings)
    bare = tmp_path / "bare"
    bare.mkdir()
    strip_history(
        tmp_path / "jobs.csv",
        tmp_path / "findings.csv",
        jobs_to=bare / "jobs.csv",
        findings_to=bare / "findings.csv",
    )
    text = (bare / "jobs.csv").read_text(encoding="utf-8")
    assert "j1," not in text
    assert "2025-03-04" not in text
    after = count_history(History(bare / "jobs.csv", bare / "findings.csv"), WORDS)
    assert after.cases == before.cases
    assert after.patterns == before.patterns
    assert after.sightings == before.sightings
    assert after.rows.jobs_used == before.rows.jobs_used


def test_an_empty_file_is_an_empty_table(tmp_path: Path) -> None:
    write_rows(tmp_path / "jobs.csv", [job("a", "coil.open")], JOBS)
    (tmp_path / "findings.csv").write_text("\r\n", encoding="utf-8")
    history = History(tmp_path / "jobs.csv", tmp_path / "findings.csv")
    assert count_history(history, WORDS).rows.findings_used == 0
    with pytest.raises(LearnError, match="the table is empty"):
        count_history(History(tmp_path / "findings.csv"), WORDS)
