"""What a workshop does to its computer: one clear line each, and nothing acknowledged is lost."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from swapinfer.errors import InputError, JobError, LedgerError
from swapinfer.ledger.connection import POSTGRES_FAULTS, clear_errors
from swapinfer.ledger.store import Store, _require_row

By = dict[str, Any]
NOBODY = 65534


def test_file_and_folder_are_their_owners_alone(tmp_path: Path, by: By) -> None:
    path = tmp_path / "new" / "deep" / "shop.db"
    before = os.umask(0)
    try:
        with Store.open(path) as store:
            store.create_job("RO-1", {}, **by)
            files = sorted(path.parent.iterdir())
            assert [file.name for file in files] == ["shop.db", "shop.db-shm", "shop.db-wal"]
            assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_file_that_became_readable_by_others_is_closed_to_them(tmp_path: Path) -> None:
    path = tmp_path / "shop.db"
    Store.open(path).close()
    path.chmod(0o644)
    with Store.open(path):
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()}
    assert modes == dict.fromkeys(("shop.db", "shop.db-wal", "shop.db-shm"), 0o600)


def test_sqlite_waits_for_the_disk_at_every_commit(tmp_path: Path) -> None:
    """sqlite.org/pragma.html: journal mode WAL; synchronous 2 is FULL."""
    with Store.open(tmp_path / "shop.db") as store, store.reading() as connection:
        assert connection.execute("PRAGMA journal_mode") == [("wal",)]
        assert connection.execute("PRAGMA synchronous") == [(2,)]


@pytest.mark.parametrize("events", [0, 3])
def test_disk_that_fills_up(tmp_path: Path, by: By, events: int) -> None:
    """SQLite's own limit of pages makes it report a full disk (result code SQLITE_FULL)."""
    with Store.open(tmp_path / "shop.db") as store:
        job = store.create_job("RO-1", {}, **by).job
        for _ in range(events):
            store.append(job, ("noted", {}), **by)
        with store.reading() as connection:
            connection.execute("PRAGMA max_page_count = 1")
        with pytest.raises(LedgerError, match="its disk is full; make room and repeat"):
            store.append(job, ("noted", {"text": "x" * 1_000_000}), **by)
    with Store.open(tmp_path / "shop.db") as store:
        assert len(store.records(job)) == 1 + events
        store.append(job, ("noted", {}), **by)


FILL = """
import resource, sys
from swapinfer.errors import LedgerError
from swapinfer.ledger.store import Store, _require_row
place, job = sys.argv[1:]
with Store.open(place) as store:
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
    try:
        for number in range(1000):
            store.append(job, ("noted", {"text": "x" * 2000}), who="T",
                         at="2031-05-04T09:30:00Z", pack="p")
    except LedgerError as error:
        print(number)
        print(error)
"""


def test_write_that_the_system_refuses(tmp_path: Path, by: By) -> None:
    """The kernel stops the file from growing (setrlimit(2), RLIMIT_FSIZE) amid writes."""
    place = tmp_path / "shop.db"
    with Store.open(place) as store:
        job = store.create_job("RO-1", {}, **by).job
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(place), job], capture_output=True, text=True, check=True
    )
    acknowledged, message = done.stdout.splitlines()
    assert "its disk cannot be read or written" in message
    assert done.stderr == ""
    assert 0 < int(acknowledged) < 1000
    with Store.open(place) as store:
        assert len(store.records(job)) == 1 + int(acknowledged)


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """Make a folder that an unprivileged user can reach."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


READ_ONLY = """
import os, sys
from swapinfer.errors import LedgerError
from swapinfer.ledger.store import Store, _require_row
place, job, user = sys.argv[1:]
if os.geteuid() == 0:
    os.setgid(int(user))
    os.setuid(int(user))
for action in (
    lambda store: len(store.records(job)),
    lambda store: store.jobs()[0].ro,
    lambda store: store.append(job, ("noted", {}), who="T", at="2031-05-04T09:30:00Z", pack="p"),
):
    try:
        with Store.open(place) as store:
            print(action(store))
    except LedgerError as error:
        print(error)
try:
    Store.open(place + "/../new.db")
except LedgerError as error:
    print(error)
"""


def test_read_only_store_can_be_read(public_folder: Path, by: By) -> None:
    place = public_folder / "store" / "shop.db"
    with Store.open(place) as store:
        job = store.create_job("RO-1", {}, **by).job
    place.chmod(0o444)
    place.parent.chmod(0o555)
    if os.geteuid() == 0:
        os.chown(place, NOBODY, NOBODY)
        os.chown(place.parent, NOBODY, NOBODY)
    done = subprocess.run(
        [sys.executable, "-c", READ_ONLY, str(place), job, str(NOBODY)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    place.parent.chmod(0o755)
    length, ro, append, new = done.stdout.splitlines()
    assert (length, ro) == ("1", "RO-1")
    assert append == f"store {place}: it is read-only; nothing can be recorded in it"
    assert "choose a place that you can write to" in new
    assert done.stderr == ""


def test_folder_that_vanishes_takes_no_acknowledgement_with_it(tmp_path: Path, by: By) -> None:
    place = tmp_path / "stick" / "shop.db"
    with Store.open(place) as store:
        job = store.create_job("RO-1", {}, **by).job
        place.parent.rename(tmp_path / "unplugged")
        with pytest.raises(LedgerError, match="the file was exchanged or removed meanwhile"):
            store.append(job, ("noted", {}), **by)
        assert not place.exists()
    with Store.open(tmp_path / "unplugged" / "shop.db") as store:
        assert len(store.records(job)) == 1
    with pytest.raises(LedgerError, match="there is no such file"):
        Store.open(place, create=False)


def test_lost_file_beside_its_log_is_not_begun_anew(tmp_path: Path, by: By) -> None:
    place = tmp_path / "shop.db"
    with Store.open(place) as store:
        store.create_job("RO-1", {}, **by)
        shutil.copytree(tmp_path, tmp_path / "copy")
    lost = tmp_path / "copy" / "shop.db"
    lost.unlink()
    with pytest.raises(LedgerError, match=r"the file is gone but its log shop\.db-wal is there"):
        Store.open(lost)
    assert not lost.exists()


def test_locked_store_is_told_after_the_wait(places: Callable[[], str], by: By) -> None:
    place = places()
    with Store.open(place) as store:
        job = store.create_job("RO-1", {}, **by).job
        with store.writing() as connection, Store.open(place, timeout=0.2) as other:
            _require_row(connection, job, lock=True)
            assert len(other.records(job)) == 1
            with pytest.raises(LedgerError, match="another process keeps it locked; repeat"):
                other.append(job, ("noted", {}), **by)
        store.append(job, ("noted", {}), **by)
        assert len(store.records(job)) == 2


def _write_other_database(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipes (name)")
        connection.commit()


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda path: path.write_text("dear diary\n" * 500), "the file is damaged or is no store"),
        (lambda path: path.touch(), "this is no store of swapinfer, or its start is lost"),
        (_write_other_database, "this is no store of swapinfer, or its start is lost"),
        (lambda path: path.mkdir(), "this is a folder; name a file in it"),
    ],
)
def test_what_is_no_store_is_left_alone(
    tmp_path: Path, make: Callable[[Path], object], message: str
) -> None:
    path = tmp_path / "thing"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    path.chmod(0o755)
    with pytest.raises(LedgerError, match=message):
        Store.open(path)
    assert (path.read_bytes() if path.is_file() else None) == before
    assert stat.S_IMODE(path.stat().st_mode) == 0o755


def test_newer_schema_is_refused_untouched(places: Callable[[], str], by: By) -> None:
    place = places()
    with Store.open(place) as store:
        store.create_job("RO-1", {}, **by)
        with store.writing() as connection:
            connection.execute("UPDATE store_schema SET version_num = '0099'")
    with pytest.raises(
        LedgerError, match=r'schema "0099" is newer than this program, which knows 0001 to \d{4}'
    ):
        Store.open(place)


def test_failing_transaction_leaves_nothing_and_the_store_usable(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job

    def append_and_fail() -> None:
        with store.writing():
            store.append(job, ("noted", {}), **by)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        append_and_fail()
    assert len(store.records(job)) == 1
    store.append(job, ("noted", {}), **by)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("mysql://x@y/z", 'stores of kind "mysql" are not known; accepted: a file, or postgresql'),
        ("postgresql://a b:@@:x/y", "the store's URL cannot be read; accepted"),
        ("postgresql://a@b:99999/y", "the store's URL cannot be read; accepted"),
    ],
)
def test_unknown_urls_are_refused(place: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        Store.open(place)


def test_tables_made_for_work_that_fails_go_again(postgres_places: Callable[[], str]) -> None:
    place = postgres_places()
    with pytest.raises(ValueError, match="no"), Store.founding(place):
        raise ValueError("no")
    with pytest.raises(JobError, match="it has no tables yet"):
        Store.open(place, create=False)
    with Store.founding(place) as store:
        assert store.jobs() == []
    with pytest.raises(ValueError, match="no"), Store.founding(place):
        raise ValueError("no")
    with Store.open(place, create=False) as store:
        assert store.jobs() == [], "tables that were there stay"


def test_postgresql_that_is_not_there(postgres_places: Callable[[], str]) -> None:
    place = postgres_places()
    with pytest.raises(LedgerError, match=r'database "shop_\w+_not" does not exist'):
        Store.open(place + "_not")
    with pytest.raises(LedgerError, match=r"store postgresql://shop@127.0.0.1:1/x: ") as e:
        Store.open("postgresql://shop@127.0.0.1:1/x")
    assert "\n" not in str(e.value)
    with pytest.raises(JobError, match="it has no tables yet"):
        Store.open(place, create=False)


def test_postgresql_that_stops_in_between(postgres_places: Callable[[], str], by: By) -> None:
    """The server ends the connection amid a transaction: the outcome is told as unsure."""
    place = postgres_places()
    with Store.open(place) as store, Store.open(place) as other:
        job = store.create_job("RO-1", {}, **by).job

        def append_while_cut() -> None:
            with store.writing():
                with other.writing() as connection:
                    connection.execute(
                        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                        "WHERE datname = current_database() AND pid <> pg_backend_pid()"
                    )
                store.append(job, ("noted", {}), **by)

        with pytest.raises(LedgerError, match="look whether the last event is there"):
            append_while_cut()
        assert len(store.records(job)) == 1


def test_postgresql_that_only_reads(postgres_places: Callable[[], str], by: By) -> None:
    with Store.open(postgres_places()) as store:
        job = store.create_job("RO-1", {}, **by).job
        with store.reading() as connection:
            connection.execute("SET default_transaction_read_only = on")
        with pytest.raises(LedgerError, match="it is read-only; nothing can be recorded"):
            store.append(job, ("noted", {}), **by)
        assert len(store.records(job)) == 1


@pytest.mark.parametrize("state", ["08006", "53100", "40P01", "57P01", "42501", "XX001"])
def test_every_kind_of_postgresql_error_becomes_one_line(
    postgres_places: Callable[[], str], state: str
) -> None:
    """The server itself raises each SQLSTATE (PostgreSQL manual, appendix A)."""
    expected = next(text for known, text in POSTGRES_FAULTS.items() if state.startswith(known))
    with Store.open(postgres_places()) as store:
        with pytest.raises(LedgerError) as caught, store.writing() as connection:
            connection.execute(f"DO $$ BEGIN RAISE EXCEPTION 'x' USING ERRCODE = '{state}'; END $$")
        assert str(caught.value) == f"store {store}: {expected}"


def test_errors_outside_databases_pass_through_unchanged() -> None:
    with pytest.raises(KeyError), clear_errors("x"):
        raise KeyError
