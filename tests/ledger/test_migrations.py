"""Schema migrations, from nothing and from the first released schema, in both databases."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import swapinfer.ledger
from swapinfer.ledger import connect, tables
from swapinfer.ledger.record import GENESIS, Record, seal
from swapinfer.ledger.schema import migrate, schema_of
from swapinfer.ledger.store import Store

By = dict[str, Any]


def engine_of(place: str) -> sa.Engine:
    """Connect to a place where no store is yet, without making one."""
    where = connect.locate(place)
    if isinstance(where, sa.URL):
        return connect.postgres_engine(where, 10)
    where.parent.mkdir(parents=True)
    connect.create_sqlite(where)
    return connect.sqlite_engine(where, 10)


def fill_first_schema(place: str, by: By) -> list[Record]:
    """Write a job as the first release did: that schema's columns, no summary, no packs."""
    first = seal("j" * 32, 0, "opened", {"ro": "RO-1"}, **by, previous=GENESIS)
    second = seal("j" * 32, 1, "noted", {"text": "é"}, **by, previous=first.digest)
    engine = engine_of(place)
    migrate(engine, "0001")
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        assert schema_of(connection) == "0001"
        for record in (first, second):
            connection.execute(
                sa.text(
                    "INSERT INTO records VALUES (:job, :seq, :type, :payload, :who, :at, :pack, "
                    ":program, :previous, :digest)"
                ),
                {
                    **record.to_json(),
                    "payload": '{"ro":"RO-1"}' if not record.seq else '{"text":"é"}',
                },
            )
        connection.execute(
            sa.text("INSERT INTO jobs VALUES (:id, 'RO-1', 'open', :at, :at, 2, :head)"),
            {"id": first.job, "at": "2031-05-04T07:30:00+00:00", "head": second.digest},
        )
    engine.dispose()
    return [first, second]


def test_first_released_schema_is_brought_up_to_date(places: Callable[[], str], by: By) -> None:
    place = places()
    written = fill_first_schema(place, by)
    with Store.open(place) as store:
        job = store.find_job("RO-1").job
        assert store.records(job) == written
        assert store.job(job).summary == {}
        store.keep_pack("44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a", "{}")
        store.append(job, "closed", {}, **by, summary={"status": "closed"})
    with Store.open(place, create=False) as store:
        assert [row.status for row in store.jobs()] == ["closed"]
        assert len(store.records(job)) == 3


@pytest.mark.parametrize("start", ["nothing", "first schema"])
def test_migrated_schema_is_the_one_the_code_names(
    places: Callable[[], str], by: By, start: str
) -> None:
    """Alembic's own comparison of database and tables finds no difference."""
    place = places()
    if start == "first schema":
        fill_first_schema(place, by)
    with Store.open(place) as store, store.engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": tables.VERSION_TABLE}
        )
        differences = compare_metadata(context, tables.metadata)
    # The one index that only the migrations name; test_repair_order_is_open_once shows it works.
    assert [(kind, thing.name) for kind, thing in differences] == [
        ("remove_index", "jobs_one_open_per_ro")
    ]


def test_schema_versions_named_are_those_of_the_scripts() -> None:
    config = Config()
    folder = Path(swapinfer.ledger.__file__).with_name("migrations")
    config.set_main_option("script_location", str(folder))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    newest_first = [script.revision for script in scripts.walk_revisions()]
    assert tuple(reversed(newest_first)) == tables.SCHEMAS
    assert len(scripts.get_heads()) == 1


def test_failed_migration_leaves_the_old_schema(places: Callable[[], str], by: By) -> None:
    """A table in the way stops the second migration after its first statement."""
    place = places()
    written = fill_first_schema(place, by)
    where = connect.locate(place)
    engine = (
        connect.postgres_engine(where, 10)
        if isinstance(where, sa.URL)
        else connect.sqlite_engine(where, 10)
    )
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        connection.exec_driver_sql("CREATE TABLE packs (other INTEGER)")
    with pytest.raises(sa.exc.DBAPIError):
        migrate(engine)
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        assert schema_of(connection) == "0001"
        columns = sa.inspect(connection).get_columns("jobs")
        assert "summary" not in {column["name"] for column in columns}
        connection.exec_driver_sql("DROP TABLE packs")
    engine.dispose()
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


def test_opening_a_current_store_loads_no_migration_tool(tmp_path: Path) -> None:
    Store.open(tmp_path / "shop.db").close()
    code = (
        "import sys; from swapinfer.ledger.store import Store; "
        f"Store.open({str(tmp_path / 'shop.db')!r}).jobs(); "
        "print({'alembic', 'sqlalchemy.orm', 'psycopg', 'sqlalchemy.dialects.postgresql'} "
        "& set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
