"""Schema migrations, from nothing and from the first released schema, in both databases."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from swapinfer.errors import LedgerError
from swapinfer.ledger.connection import POSTGRES, Connection, connect, create_sqlite, locate
from swapinfer.ledger.database import schema_of
from swapinfer.ledger.record import GENESIS, Record, seal
from swapinfer.ledger.store import Store

By = dict[str, Any]

FIRST_RELEASE = """
CREATE TABLE store_schema (
    version_num VARCHAR(32) NOT NULL,
    CONSTRAINT store_schema_pkc PRIMARY KEY (version_num)
);
INSERT INTO store_schema VALUES ('0001');
CREATE TABLE jobs (
    id TEXT NOT NULL,
    ro TEXT NOT NULL,
    status TEXT NOT NULL,
    opened_at TEXT NOT NULL,
    updated_at TEXT NOT NULL,
    length INTEGER NOT NULL,
    head TEXT NOT NULL,
    PRIMARY KEY (id)
);
CREATE INDEX jobs_by_ro ON jobs (ro);
CREATE INDEX jobs_by_status ON jobs (status, updated_at);
CREATE UNIQUE INDEX jobs_one_open_per_ro ON jobs (ro) WHERE status = 'open';
CREATE TABLE records (
    job TEXT NOT NULL,
    seq INTEGER NOT NULL,
    type TEXT NOT NULL,
    payload TEXT NOT NULL,
    who TEXT NOT NULL,
    at TEXT NOT NULL,
    pack TEXT NOT NULL,
    program TEXT NOT NULL,
    previous TEXT NOT NULL,
    digest TEXT NOT NULL,
    PRIMARY KEY (job, seq)
);
CREATE TABLE settings (
    "key" TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY ("key")
)
"""
"""What the first release's own tool made in both databases, read back from SQLite."""

SECOND_RELEASE = """
DELETE FROM store_schema;
INSERT INTO store_schema VALUES ('0002');
ALTER TABLE jobs ADD COLUMN summary TEXT DEFAULT '{}' NOT NULL;
CREATE TABLE packs (
    digest TEXT NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (digest)
)
"""
"""What the second release's own tool added, likewise."""


@contextmanager
def writing_to(place: str) -> Iterator[Connection]:
    """Write to a place whatever stands there; a file is made."""
    where = locate(place)
    if isinstance(where, Path) and not where.exists():
        where.parent.mkdir(parents=True)
        create_sqlite(where)
    with closing(connect(where, 10)) as opened, opened.transaction("BEGIN") as connection:
        yield connection


def make_as_released(place: str, *releases: str) -> None:
    """Make the tables of earlier releases."""
    with writing_to(place) as connection:
        for statement in ";".join(releases).split(";"):
            connection.execute(statement)


def fill_first_schema(place: str, by: By) -> list[Record]:
    """Write a job as the first release did: that schema's columns, no summary, no packs."""
    first = seal("j" * 32, 0, "opened", {"ro": "RO-1"}, **by, previous=GENESIS)
    second = seal("j" * 32, 1, "noted", {"text": "é"}, **by, previous=first.digest)
    make_as_released(place, FIRST_RELEASE)
    with writing_to(place) as connection:
        for record, payload in ((first, '{"ro":"RO-1"}'), (second, '{"text":"é"}')):
            row = {**record.to_json(), "payload": payload}
            connection.execute(
                "INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", list(row.values())
            )
        at = "2031-05-04T07:30:00+00:00"
        connection.execute(
            "INSERT INTO jobs VALUES (?, 'RO-1', 'open', ?, ?, 2, ?)",
            [first.job, at, at, second.digest],
        )
    return [first, second]


def test_first_released_schema_is_brought_up_to_date(places: Callable[[], str], by: By) -> None:
    place = places()
    written = fill_first_schema(place, by)
    with Store.open(place) as store:
        job = store.find_job("RO-1").job
        assert store.records(job) == written
        assert store.job(job).summary == {}
        store.keep_pack("44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a", "{}")
        store.append(job, ("closed", {}), **by, summary={"status": "closed"})
    with Store.open(place, create=False) as store:
        assert [row.status for row in store.jobs()] == ["closed"]
        assert len(store.records(job)) == 3


def structure_of(place: str) -> set[tuple[Any, ...]]:
    """Columns and indexes as the database itself describes them."""
    with writing_to(place) as connection:
        if connection.dialect is POSTGRES:
            return {
                *connection.execute(
                    "SELECT table_name, column_name, ordinal_position, data_type, is_nullable, "
                    "column_default FROM information_schema.columns WHERE table_schema = 'public'"
                ),
                *connection.execute("SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'"),
            }
        return {
            *connection.execute(
                'SELECT m.name, c.name, cid, c.type, "notnull", dflt_value, pk '
                "FROM sqlite_master m, pragma_table_info(m.name) c WHERE m.type = 'table'"
            ),
            *connection.execute(
                'SELECT m.name, i.name, i."unique", partial, seqno, c.name, x.sql '
                "FROM sqlite_master m, pragma_index_list(m.name) i, pragma_index_info(i.name) c "
                "LEFT JOIN sqlite_master x ON x.name = i.name WHERE m.type = 'table'"
            ),
        }


@pytest.mark.parametrize("releases", [(), (FIRST_RELEASE,), (FIRST_RELEASE, SECOND_RELEASE)])
def test_opening_leads_to_the_tables_of_the_second_release(
    places: Callable[[], str], releases: tuple[str, ...]
) -> None:
    released, place = places(), places()
    make_as_released(released, FIRST_RELEASE, SECOND_RELEASE)
    if releases:
        make_as_released(place, *releases)
    before = structure_of(place) if releases else set()
    Store.open(place).close()
    assert structure_of(place) == structure_of(released)
    assert (before == structure_of(place)) == (len(releases) == 2)


def test_failed_migration_leaves_the_old_schema(places: Callable[[], str], by: By) -> None:
    """A table in the way stops the second migration after its first statement."""
    place = places()
    written = fill_first_schema(place, by)
    with writing_to(place) as connection:
        connection.execute("CREATE TABLE packs (other INTEGER)")
    before = structure_of(place)
    with pytest.raises(LedgerError, match=r"packs.* already exists"):
        Store.open(place)
    assert structure_of(place) == before
    with writing_to(place) as connection:
        assert schema_of(connection) == "0001"
        connection.execute("DROP TABLE packs")
    with Store.open(place) as store:
        assert store.records(written[0].job) == written


@pytest.mark.parametrize("start", ["nothing", "first schema"])
def test_many_that_open_at_once_migrate_once(places: Callable[[], str], by: By, start: str) -> None:
    place = places()
    if start == "first schema":
        fill_first_schema(place, by)

    def open_and_write(number: int) -> str:
        with Store.open(place) as store:
            return store.create_job(f"RO-{number + 10}", {}, **by).job

    with ThreadPoolExecutor(8) as pool:
        jobs = list(pool.map(open_and_write, range(8)))
    with Store.open(place) as store:
        assert {row.job for row in store.jobs()} >= set(jobs)
        assert len(store.jobs()) == 8 + (start == "first schema")


def test_opening_a_file_loads_no_other_databases_driver(tmp_path: Path) -> None:
    code = (
        "import sys; from swapinfer.ledger.store import Store; "
        f"Store.open({str(tmp_path / 'shop.db')!r}).jobs(); "
        "print('psycopg' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
