"""A command that is refused, or only reads, leaves the disk as it was."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from cli.conftest import Bay

from swapinfer.errors import ConflictError
from swapinfer.ledger.store import Store


def snapshot(folder: Path) -> dict[str, tuple[int, str]]:
    """Mode and contents of everything below a folder."""
    return {
        str(path.relative_to(folder)): (
            path.stat().st_mode,
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
        )
        for path in sorted(folder.rglob("*"))
    }


@pytest.fixture
def work(opened: Bay, monkeypatch: pytest.MonkeyPatch) -> Bay:
    """A shop with one job, in a folder with all that a command may be pointed at by mistake."""
    folder = opened.folder / "work"
    (folder / "a-folder").mkdir(parents=True)
    (folder / "empty").touch()
    (folder / "text").write_text("no store, no table, no picture\n" * 40, encoding="utf-8")
    os.chmod(folder / "text", 0o644)  # noqa: PTH101  as an editor leaves it
    (folder / "header.csv").write_text("job,opened\n", encoding="utf-8")
    (folder / "exposure.csv").write_text("kind,count,from_km,to_km\n", encoding="utf-8")
    opened.must(f"store backup '{folder / 'copy.db'}'")
    opened.must(f"export '{folder / 'RO-1.json'}'")
    monkeypatch.chdir(folder)
    return Bay(folder, opened.capture)


READING = (
    "jobs", "use RO-1", "show", "parts", "belief", "why", "next", "why-not compression", "clean",
    "plan", "picture", "history", "tests", "drive 10 --no-codes", "swap coil 1-2", "back",
    "reseat coil1", "replace coil1", "read compression 1=100psi", "inspect plug-look 3 oil",
    "note x", "undo", "close", "reopen", "guide", "export new.json",
    "claim --html new.html", "store check", "store backup new.db", "store move new.db",
    "store seal new.txt",
    "store tables a.csv b.csv", "priors learn --out new", "priors compare base base",
    "drive 10 --no-codes --what-if",
)  # fmt: skip


@pytest.mark.parametrize("line", READING)
def test_only_what_may_begin_a_store_makes_one(work: Bay, line: str) -> None:
    before = snapshot(work.folder)
    for place in ("new.db", "new/new.db"):
        told = work(f"{line} --store {place}")
        assert told.code == 9, told.err
        assert told.err.count("\n") == 1
        assert "there is no such file" in told.err
    assert snapshot(work.folder) == before


REFUSED = {
    "rescue of a text": ("store rescue text --store new/new.db", 3),
    "rescue of nothing": ("store rescue nowhere --store new.db", 2),
    "rescue of a folder": ("store rescue . --store new.db", 2),
    "rescue of what no disk holds": (f"store rescue {'x' * 300} --store new.db", 2),
    "priors that no disk holds": (f"open RO-2 --priors {'x' * 300} --store new.db", 7),
    "more modes than causes": ("close --mode hot", 2),
    "restore of a text": ("store restore text --store new.db", 3),
    "import of a text": ("import text --store new.db", 3),
    "move of no job": ("store move new.db --job RO-9", 9),
    "opening an engine that is none": ("open RO-2 --layout inline-99 --store new.db", 2),
    "opening without a number": ("open ' ' --store new/deep/new.db", 2),
    "text as a store": ("jobs --store text", 3),
    "opening in a text": ("open RO-2 --store text", 3),
    "empty file as a store": ("jobs --store empty", 3),
    "opening in an empty file": ("open RO-2 --store empty", 3),
    "folder as a store": ("open RO-2 --store a-folder", 3),
    "opening twice": ("open RO-1", 10),
    "one bad path of two": ("claim --html good.html --md nowhere/bad.md", 6),
    "a folder for a file": ("claim --html good.html --json-file a-folder", 6),
    "two forms in one file": ("claim --html good.html --md good.html", 2),
    "tables, one bad path": ("store tables good.csv nowhere/bad.csv", 3),
    "learning from nothing": ("priors learn --out new/deep", 5),
    "learning from a missing table": ("priors learn nowhere.csv --out new", 5),
    "learning from an empty table": ("priors learn empty --out new", 5),
    "learning from a header": ("priors learn header.csv --out new", 5),
    "learning into a file": ("priors learn header.csv --out text", 2),
    "lives of a missing table": ("priors lives nowhere.csv --out new", 5),
    "lives of an empty table": ("priors lives empty --out new", 5),
    "lives of a header": ("priors lives exposure.csv --out new", 5),
    "lives of a folder": ("priors lives a-folder --out new", 5),
    "stripping a missing table": ("priors strip nowhere.csv --out new", 5),
    "stripping a text": ("priors strip text --out new", 5),
    "stripping, second missing": ("priors strip header.csv nowhere.csv --out new", 5),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusal_changes_nothing(work: Bay, name: str) -> None:
    line, code = REFUSED[name]
    before = snapshot(work.folder)
    told = work(line)
    assert told.code == code, told.err
    assert told.out == ""
    assert told.err.count("\n") == 1, told.err
    assert "loading the sampler" not in told.err
    assert snapshot(work.folder) == before


def test_what_may_begin_a_store_does(work: Bay) -> None:
    work.must("open RO-2 --store opened/deep/x.db")
    work.must("import RO-1.json --store imported.db")
    work.must("store restore copy.db --store restored.db")
    work.must("store rescue copy.db --store rescued.db")
    for store in ("imported.db", "restored.db", "rescued.db"):
        listed = work.must(f"jobs --store {store} --json").facts["jobs"]
        assert [job["ro"] for job in listed] == ["RO-1"]
    work.must("store move moved.db --job RO-1")
    assert work.must("jobs --store moved.db --json").facts["jobs"][0]["ro"] == "RO-1"


def test_a_new_store_in_which_someone_else_has_a_job_stays(tmp_path: Path) -> None:
    place = tmp_path / "new" / "jobs.db"
    by = {"who": "A. Other", "at": "2031-05-04T09:30:00+02:00", "pack": "0" * 64}

    def after_someone_else() -> None:
        with Store.founding(place) as mine, Store.open(place) as theirs:
            theirs.create_job("RO-1", {}, **by)
            mine.create_job("RO-1", {}, **by)

    with pytest.raises(ConflictError):
        after_someone_else()
    with Store.open(place, create=False) as kept:
        assert [row.ro for row in kept.jobs()] == ["RO-1"]


def test_a_device_is_written_to_and_stays_a_device(work: Bay) -> None:
    work.must("claim --md /dev/null --html good.html")
    assert Path("/dev/null").is_char_device()
    assert (work.folder / "good.html").read_bytes()


@pytest.mark.parametrize(
    "line",
    ["priors learn", "priors learn header.csv", "priors lives exposure.csv", "priors lives empty"],
)
def test_tables_are_looked_at_before_the_sampler_is_loaded(work: Bay, line: str) -> None:
    """In a process of its own, since other tests load samplers into this one."""
    script = (
        "import sys; from swapinfer.commands import run; "
        "print(run(sys.argv[1:]), sorted({'pymc', 'nutpie', 'numba', 'arviz'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *line.split()],
        cwd=work.folder,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "5 []\n", done.stderr
