"""Stores to test: SQLite in a temporary folder, PostgreSQL on a server of the session's own."""

from __future__ import annotations

import os
import secrets
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from swapinfer.ledger.connection import PASSWORD
from swapinfer.ledger.store import Store

BY = {"who": "T. Echnician", "at": "2031-05-04T09:30:00+02:00", "pack": "0" * 64}
"""Who, when and under which pack: what every record needs."""

Places = Callable[[], str]


def _server_binaries() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


@pytest.fixture(scope="session")
def postgres() -> Iterator[tuple[str, str]]:
    """Start a server on loopback; gives its URL without database, and the password."""
    binaries = _server_binaries()
    if binaries is None:
        pytest.skip("no PostgreSQL server is installed (package postgresql)")
    # The server refuses to run as root.
    as_owner = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    folder = Path(tempfile.mkdtemp(prefix="swapinfer-pg-"))
    port, password = _free_port(), secrets.token_urlsafe(24)
    (folder / "password").write_text(password, encoding="utf-8")
    if as_owner:
        for path in (folder, folder / "password"):
            shutil.chown(path, "postgres", "postgres")

    def run(name: str, *arguments: str) -> None:
        subprocess.run(
            [*as_owner, str(binaries / name), "-D", str(folder / "data"), *arguments],
            check=True, cwd=folder, stdout=subprocess.DEVNULL,
        )  # fmt: skip

    try:
        run(
            "initdb", "--username=shop", "--auth=scram-sha-256", "--encoding=UTF8",
            f"--pwfile={folder / 'password'}", "--locale=C", "--no-sync",
        )  # fmt: skip
        # The server itself is never killed here, so it need not wait for the disk.
        listen = f"-h 127.0.0.1 -p {port} -k {folder} -c max_connections=60 -c fsync=off"
        run("pg_ctl", "-w", "-l", str(folder / "log"), "-o", listen, "start")
        try:
            yield f"postgresql://shop@127.0.0.1:{port}", password
        finally:
            run("pg_ctl", "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder)


@pytest.fixture
def postgres_places(postgres: tuple[str, str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Places]:
    """Make empty databases, and drop them afterwards."""
    import psycopg

    server, password = postgres
    monkeypatch.setenv(PASSWORD, password)
    names: list[str] = []
    with psycopg.connect(f"{server}/postgres", password=password, autocommit=True) as admin:

        def make() -> str:
            names.append(f"shop_{secrets.token_hex(6)}")
            admin.execute(f"CREATE DATABASE {names[-1]}")
            return f"{server}/{names[-1]}"

        yield make
        for name in names:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def sqlite_places(tmp_path: Path) -> Places:
    """Name files where no store is yet."""
    return lambda: str(tmp_path / secrets.token_hex(6) / "shop.db")


@pytest.fixture(params=["sqlite", "postgresql"])
def places(request: pytest.FixtureRequest) -> Places:
    """Places for new stores, of both kinds."""
    fixture = {"sqlite": "sqlite_places", "postgresql": "postgres_places"}[request.param]
    made: Places = request.getfixturevalue(fixture)
    return made


@pytest.fixture
def store(places: Places) -> Iterator[Store]:
    """Open an empty store, of both kinds."""
    with Store.open(places()) as opened:
        yield opened


@pytest.fixture
def by() -> dict[str, str]:
    """Who, when and under which pack."""
    return dict(BY)
