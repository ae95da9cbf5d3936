"""Damage is found, placed, told in one line; what verifies is saved."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from swapinfer.errors import InputError, LedgerError, SwapinferError
from swapinfer.ledger.record import Record
from swapinfer.ledger.rescue import USUAL_PAGE_SIZE, check, rescue, scan_rows
from swapinfer.ledger.store import Store

By = dict[str, Any]
PACK = '{"name":"base"}'
DIGEST = sha256(PACK.encode()).hexdigest()


def fill(store: Store, by: By, jobs: int, events: int) -> dict[str, list[Record]]:
    """Some events are longer than a page."""
    store.keep_pack(DIGEST, PACK)
    by = {**by, "pack": DIGEST}
    for number in range(jobs):
        job = store.create_job(f"RO-{number}", {}, **by, summary={"n": number}).job
        for event in range(events):
            store.append(
                job, ("noted", {"text": f"é {event}" * (1 + 2000 * (event % 7 == 5))}), **by
            )
    return {row.job: store.records(row.job) for row in store.jobs()}


def test_sound_store_has_nothing_to_report(store: Store, by: By) -> None:
    kept = fill(store, by, jobs=3, events=4)
    found = check(store)
    assert (found.jobs, found.records) == (3, 15)
    assert found.faults == found.remarks == ()
    assert sorted(map(len, kept.values())) == [5, 5, 5]


def test_clock_set_back_and_missing_pack_are_remarked(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job
    store.append(job, ("noted", {}), **{**by, "at": "1999-01-01T00:00:00Z"})
    found = check(store)
    assert found.faults == ()
    assert found.remarks[0] == ("job RO-1: record 1 is dated before record 0: a clock was set back")
    assert "pack 000000000000 is not kept here" in found.remarks[1]


TAMPERINGS = {
    "payload": (
        """UPDATE records SET payload = '{"text":"x"}' WHERE job = ? AND seq = 2""",
        "record 2 was altered",
    ),
    "payload no JSON": (
        "UPDATE records SET payload = '{' WHERE job = ? AND seq = 2",
        "record 2 was altered",
    ),
    "who": (
        "UPDATE records SET who = 'Other' WHERE job = ? AND seq = 3",
        "record 3 was altered",
    ),
    "digest": (
        "UPDATE records SET digest = previous WHERE job = ? AND seq = 1",
        "record 1 was altered",
    ),
    "removed": ("DELETE FROM records WHERE job = ? AND seq = 2", "record 2 is missing"),
    "removed at the end": (
        "DELETE FROM records WHERE job = ? AND seq = 4",
        "4 records stand where the index knows 5",
    ),
    "removed wholly": (
        "DELETE FROM records WHERE job = ?",
        "0 records stand where the index knows 5",
    ),
    "renumbered": (
        "UPDATE records SET seq = 9 WHERE job = ? AND seq = 4",
        "record 4 is missing: record 9 stands in its place",
    ),
}


@pytest.mark.parametrize("name", sorted(TAMPERINGS))
def test_tampering_is_found_and_placed(store: Store, by: By, name: str) -> None:
    change, message = TAMPERINGS[name]
    kept = fill(store, by, jobs=2, events=4)
    job = next(iter(kept))
    with store.writing() as connection:
        connection.execute(change, [job])
    with pytest.raises(LedgerError, match=message):
        store.records(job)
    found = check(store)
    assert (found.jobs, found.records) == (1, 5)
    assert len(found.faults) == 1
    assert message in found.faults[0]


def test_records_without_a_job_are_reported(store: Store, by: By) -> None:
    kept = fill(store, by, jobs=2, events=1)
    job = next(iter(kept))
    with store.writing() as connection:
        connection.execute("DELETE FROM jobs WHERE id = ?", [job])
    assert f"job {job}: the index does not know it" in check(store).faults[0]


def test_altered_repair_order_in_the_index_is_reported(store: Store, by: By) -> None:
    fill(store, by, jobs=1, events=1)
    with store.writing() as connection:
        connection.execute("UPDATE jobs SET ro = 'RO-9'")
    assert "the index has another repair order (RO-9)" in check(store).faults[0]


def test_damaged_index_row_is_reported(store: Store, by: By) -> None:
    fill(store, by, jobs=1, events=1)
    with store.writing() as connection:
        connection.execute("UPDATE jobs SET summary = '{'")
    assert "its index row is damaged" in check(store).faults[0]


def test_rescue_of_a_sound_store_saves_everything(tmp_path: Path, by: By) -> None:
    with Store.open(tmp_path / "a.db") as store, Store.open(tmp_path / "b.db") as saved:
        kept = fill(store, by, jobs=12, events=14)
        done = rescue(tmp_path / "a.db", saved)  # its log not yet written back
        assert (done.jobs, done.records, done.faults) == (12, 180, ())
        assert check(saved).remarks == ()  # the pack is there
        assert {row.job: saved.records(row.job) for row in saved.jobs()} == kept
        assert {row.job: row.summary["n"] for row in saved.jobs()} == {
            row.job: row.summary["n"] for row in store.jobs()
        }
        assert saved.pack(DIGEST) == PACK
        assert check(saved).faults == ()


def test_rescue_from_the_log_alone(tmp_path: Path, by: By) -> None:
    """The file itself is gone; its log still holds every committed page."""
    with Store.open(tmp_path / "a.db") as store:
        with store.reading() as connection:
            connection.execute("PRAGMA wal_autocheckpoint = 0")
        job = store.create_job("RO-1", {}, **by).job
        for number in range(20):
            store.append(job, ("noted", {"n": number}), **by)
        kept = store.records(job)
        log = (tmp_path / "a.db-wal").read_bytes()
    (tmp_path / "b.db-wal").write_bytes(log)
    with Store.open(tmp_path / "saved.db") as saved:
        done = rescue(tmp_path / "b.db", saved)
        assert (done.jobs, done.records, done.faults) == (1, 21, ())
        assert saved.records(job) == kept


def test_uncommitted_pages_of_the_log_are_not_taken(tmp_path: Path, by: By) -> None:
    """sqlite.org/fileformat2.html 4.1: a frame counts up to the last one that marks a commit."""
    with Store.open(tmp_path / "a.db") as store:
        store.create_job("RO-1", {}, **by)
    size = USUAL_PAGE_SIZE
    with Store.open(tmp_path / "a.db") as store:
        job = store.jobs()[0].job
        store.append(job, ("noted", {}), **by)
        log = bytearray((tmp_path / "a.db-wal").read_bytes())
    frames = [32 + number * (size + 24) for number in range((len(log) - 32) // (size + 24))]
    committed = [start for start in frames if log[start + 4 : start + 8] != bytes(4)]
    assert committed
    log[committed[-1] + 4 : committed[-1] + 8] = bytes(4)
    (tmp_path / "b.db-wal").write_bytes(log)
    with Store.open(tmp_path / "saved.db") as saved, pytest.raises(LedgerError):
        rescue(tmp_path / "b.db", saved)


def test_jobs_without_their_index_rows_are_saved_all_the_same(tmp_path: Path, by: By) -> None:
    """Two jobs of one repair order: which of them is open is lost, so one counts as closed."""
    path = tmp_path / "a.db"
    with Store.open(path) as store:
        for status in ("closed", "open"):
            job = store.create_job("RO-1", {}, **by).job
            store.append(job, ("noted", {}), **by, summary={"status": status})
        with store.writing() as connection:
            connection.execute("DELETE FROM jobs")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("VACUUM")  # nor are they left in unused space
    with Store.open(tmp_path / "b.db") as saved:
        done = rescue(path, saved)
        assert (done.jobs, done.records, done.faults) == (2, 4, ())
        assert sorted(row.status for row in saved.jobs()) == ["closed", "open"]


def test_rescue_again_adds_nothing_and_keeps_the_summary(tmp_path: Path, by: By) -> None:
    with Store.open(tmp_path / "a.db") as store, Store.open(tmp_path / "b.db") as saved:
        told = {"length": 1, "status": "closed"}
        job = store.create_job("RO-1", {}, **by, summary=told).job
        assert [rescue(tmp_path / "a.db", saved).records for _ in "ab"] == [1, 1]
        assert len(saved.records(job)) == 1
        assert saved.job(job).summary == told
        assert saved.job(job).status == "closed"


def test_rows_are_read_as_sqlite_reads_them(tmp_path: Path) -> None:
    """SQLite itself is the oracle: every storage class, payloads around the overflow limits."""
    path = tmp_path / "t.db"
    numbers = [0, 1, -1, 127, -128, 2**15, -(2**23), 2**31, 2**47, -(2**63), 2**63 - 1]
    texts = ["", "é", *("x" * size for size in (4040, 4061, 4062, 4096, 8150, 100_000))]
    rows = [(number, 1.5, None, b"\x00\xff", text) for number in numbers for text in texts]
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE t (a, b, c, d, e)")
        connection.executemany("INSERT INTO t VALUES (?, ?, ?, ?, ?)", rows)
        connection.commit()
        assert connection.execute("SELECT * FROM t").fetchall() == rows
    found = [row for row in scan_rows(path) if len(row) == 5 and row[1] == 1.5]
    assert sorted(found, key=repr) == sorted(rows, key=repr)


def _without_tail_of(chain: list[Record], saved: list[Record]) -> bool:
    return saved == chain[: len(saved)]


@pytest.mark.parametrize("flips", [1, 8, 64])
def test_byte_flips_never_pass_and_never_trace(tmp_path: Path, by: By, flips: int) -> None:
    """Whatever is damaged: true records or a clear line, and every saved chain is a prefix."""
    sound = tmp_path / "sound.db"
    with Store.open(sound) as store:
        kept = fill(store, by, jobs=8, events=10)
    chance = random.Random(flips)
    saved_records = 0
    for trial in range(12):
        path = tmp_path / f"{trial}.db"
        content = bytearray(sound.read_bytes())
        for _ in range(flips):
            content[chance.randrange(len(content))] ^= chance.randrange(1, 256)
        path.write_bytes(content)
        _read_everything(path, kept)
        shutil.copy(path, tmp_path / "untouched.db")
        with Store.open(tmp_path / f"saved-{trial}.db") as saved:
            rescue(path, saved)
            rows = saved.jobs()
            assert all(_without_tail_of(kept[row.job], saved.records(row.job)) for row in rows)
            saved_records += sum(row.length for row in rows)
        assert path.read_bytes() == (tmp_path / "untouched.db").read_bytes()
    # A flip costs a job its records from there on: never more than the job.
    assert saved_records >= 12 * (88 - 11 * min(flips, 8))
    assert flips > 1 or saved_records >= 12 * 77


def _read_everything(path: Path, kept: dict[str, list[Record]]) -> None:
    try:
        with Store.open(path, create=False) as store:
            check(store)
            for job, chain in kept.items():
                try:
                    assert store.records(job) == chain
                except LedgerError as error:
                    assert "\n" not in str(error)  # noqa: PT017  one line is the claim
    except SwapinferError as error:
        assert "\n" not in str(error)  # noqa: PT017  one line is the claim


def test_loss_is_told_job_by_job(tmp_path: Path, by: By) -> None:
    path = tmp_path / "a.db"
    with Store.open(path) as store:
        kept = fill(store, by, jobs=2, events=4)
        job = next(iter(kept))
        with store.writing() as connection:
            connection.execute("UPDATE records SET payload = '{}' WHERE job = ? AND seq = 2", [job])
    with Store.open(tmp_path / "b.db") as saved:
        done = rescue(path, saved)
        assert (done.jobs, done.records) == (2, 7)
        (loss,) = done.faults
        assert loss == (
            f"job {kept[job][0].payload['ro']}: records 0 to 1 of 5 saved; "
            "record 2 is lost or altered, 2 after it no longer follow"
        )


@pytest.mark.parametrize("size", [0, 15, 100, 5000, 20_000])
def test_cut_off_file_gives_what_it_has(tmp_path: Path, by: By, size: int) -> None:
    path = tmp_path / "a.db"
    with Store.open(path) as store:
        kept = fill(store, by, jobs=3, events=4)
    content = path.read_bytes()
    path.write_bytes(content[:size])
    _read_everything(path, kept)
    with Store.open(tmp_path / "b.db") as saved:
        try:
            rescue(path, saved)
        except LedgerError as error:
            assert "nothing in it verifies" in str(error)  # noqa: PT017  or it saved some
        assert all(_without_tail_of(kept[row.job], saved.records(row.job)) for row in saved.jobs())


def test_file_that_is_no_store_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a store\n" * 1000)
    with Store.open(tmp_path / "b.db") as saved:
        with pytest.raises(LedgerError, match="nothing in it verifies"):
            rescue(tmp_path / "notes.txt", saved)
        with pytest.raises(InputError, match="into itself"):
            rescue(tmp_path / "b.db", saved)
