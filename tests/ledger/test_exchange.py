"""Jobs in files and between stores, in both databases."""

from __future__ import annotations

import csv
import hashlib
import json
import stat
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from swapinfer.commands import run
from swapinfer.errors import ConflictError, InputError, JobError, LedgerError, SwapinferError
from swapinfer.ledger.exchange import (
    Tally,
    backup,
    export_job,
    import_job,
    job_document,
    move_job,
    restore,
    write_csv,
)
from swapinfer.ledger.record import GENESIS, seal
from swapinfer.ledger.store import Store

By = dict[str, Any]
PACK = '{"name":"base"}'
DIGEST = hashlib.sha256(PACK.encode()).hexdigest()


@pytest.fixture
def by(by: By) -> By:
    """Records under a pack that the store keeps."""
    return {**by, "pack": DIGEST}


def fill(store: Store, by: By, ro: str = "RO-1", events: int = 4) -> str:
    store.keep_pack(DIGEST, PACK)
    job = store.create_job(ro, {"layout": "i4"}, **by, summary={"vehicle": "red"}).job
    for number in range(events):
        store.append(job, ("noted", {"text": f"é {number}", "x": number / 7}), **by)
    return job


def test_export_and_import_keep_chain_and_pack(
    store: Store, places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    job = fill(store, by)
    export_job(store, job, tmp_path / "job.json")
    with Store.open(places()) as other:
        done = import_job(other, tmp_path / "job.json", lambda chain: {"n": len(chain)})
        assert (done.job, done.added) == (job, 5)
        assert other.records(job) == store.records(job)
        assert other.pack(DIGEST) == PACK
        assert other.find_job("RO-1").summary == {"n": 5}
        assert import_job(other, tmp_path / "job.json").added == 0
        store.append(job, ("noted", {}), **by)
        export_job(store, job, tmp_path / "later.json")
        assert import_job(other, tmp_path / "later.json").added == 1
        assert import_job(other, tmp_path / "job.json").added == 0
        assert other.records(job) == store.records(job)


def test_job_that_went_on_differently_is_refused(
    store: Store, places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    job = fill(store, by)
    export_job(store, job, tmp_path / "job.json")
    with Store.open(places()) as other:
        import_job(other, tmp_path / "job.json")
        other.append(job, ("noted", {"text": "there"}), **by)
        store.append(job, ("ran", {"minutes": 5}), **by)
        export_job(other, job, tmp_path / "other.json")
    before = store.records(job)
    with pytest.raises(ConflictError, match=r"went on differently here: record 5 .*\(ran\)"):
        import_job(store, tmp_path / "other.json")
    assert store.records(job) == before


def test_import_does_not_open_a_repair_order_twice(
    store: Store, places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    with Store.open(places()) as other:
        export_job(other, fill(other, by), tmp_path / "job.json")
    fill(store, by)
    with pytest.raises(ConflictError, match="RO-1 is open in another job"):
        import_job(store, tmp_path / "job.json")
    assert len(store.jobs()) == 1


FORGERIES: dict[str, Callable[[Any], object]] = {
    "payload": lambda d: d["records"][2]["payload"].update(text="forged"),
    "who": lambda d: d["records"][1].update(who="Someone"),
    "removed": lambda d: d["records"].pop(2),
    "cut at the start": lambda d: d["records"].pop(0),
    "empty": lambda d: d["records"].clear(),
    "exchanged": lambda d: d["records"].insert(1, d["records"].pop(2)),
    "extra field": lambda d: d["records"][0].update(extra=1),
    "missing field": lambda d: d["records"][0].pop("at"),
    "wrong type": lambda d: d["records"][0].update(seq="0"),
    "no object": lambda d: d["records"].append(1),
    "pack": lambda d: d["packs"].update({DIGEST: "{}"}),
    "pack no text": lambda d: d["packs"].update({DIGEST: 1}),
    "packs no object": lambda d: d.update(packs=[]),
    "format": lambda d: d.update(format="swapinfer-job/2"),
    "extra": lambda d: d.update(more=1),
}


@pytest.mark.parametrize("forgery", sorted(FORGERIES))
def test_forged_file_is_refused_whole(
    sqlite_places: Callable[[], str], by: By, tmp_path: Path, forgery: str
) -> None:
    with Store.open(sqlite_places()) as store:
        document = job_document(store, fill(store, by))
    FORGERIES[forgery](document)
    path = tmp_path / "job.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    with Store.open(sqlite_places()) as other:
        with pytest.raises(LedgerError, match=r"job\.json: "):
            import_job(other, path)
        assert other.jobs() == []
        assert not other.has_pack(DIGEST)


def test_valid_chain_that_is_no_job_is_refused(
    sqlite_places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    record = seal("j", 0, "noted", {"ro": "RO-1"}, **by, previous=GENESIS)
    document = {"format": "swapinfer-job/1", "records": [record.to_json()], "packs": {}}
    (tmp_path / "job.json").write_text(json.dumps(document), encoding="utf-8")
    with (
        Store.open(sqlite_places()) as store,
        pytest.raises(LedgerError, match='begins with a record "opened"'),
    ):
        import_job(store, tmp_path / "job.json")


@settings(
    deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150
)
@given(data=st.data())
def test_damaged_file_is_refused_or_says_the_same(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Random bytes of an exported file are exchanged or the file is cut off."""
    folder = tmp_path_factory.getbasetemp() / "damaged"
    path, whole = folder / "job.json", folder / "whole.json"
    if not folder.exists():
        with Store.open(folder / "a.db") as store:
            by = {"who": "T", "at": "2031-05-04T09:30:00Z", "pack": DIGEST}
            export_job(store, fill(store, by), whole)
        Store.open(folder / "b.db").close()
    content = bytearray(whole.read_bytes())
    if data.draw(st.booleans(), label="cut"):
        del content[data.draw(st.integers(0, len(content) - 3)) :]
    else:
        content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))
    path.write_bytes(content)
    with Store.open(folder / "b.db") as other:
        try:
            job = import_job(other, path).job
        except LedgerError:
            return
        with Store.open(folder / "a.db") as store:
            assert other.records(job) == store.records(job)


@settings(
    deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=100
)
@given(
    st.binary(max_size=60)
    | st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | st.sampled_from([b"[" * 50_000, b"1e999", b'{"format": NaN}', b"null", b"9" * 5000])
)
def test_arbitrary_files_are_refused_in_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "job.json"
    path.write_bytes(content)
    with Store.open(tmp_path / "s.db") as store:
        with pytest.raises(SwapinferError) as caught:
            import_job(store, path)
        assert "\n" not in str(caught.value)
        assert store.jobs() == []


def test_missing_file_and_existing_target_are_named(store: Store, by: By, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.json: cannot be read"):
        import_job(store, tmp_path / "gone.json")
    job = fill(store, by)
    (tmp_path / "job.json").touch()
    with pytest.raises(InputError, match="is there already"):
        export_job(store, job, tmp_path / "job.json")
    with pytest.raises(LedgerError, match="no such file or directory"):
        export_job(store, job, tmp_path / "nowhere" / "job.json")
    with pytest.raises(LedgerError, match="name too long"):
        export_job(store, job, tmp_path / ("x" * 3000))
    with pytest.raises(InputError, match="is no file name"):
        export_job(store, job, Path())
    assert [path.name for path in tmp_path.glob("*.json")] == ["job.json"]


def test_job_moves_from_sqlite_to_postgresql_and_back(
    sqlite_places: Callable[[], str], postgres_places: Callable[[], str], by: By
) -> None:
    with Store.open(sqlite_places()) as bench, Store.open(postgres_places()) as shop:
        job = fill(bench, by)
        begun = bench.records(job)
        assert move_job(bench, shop, job) == 5
        assert shop.records(job) == begun
        assert shop.pack(DIGEST) == PACK
        assert shop.job(job).summary == {"vehicle": "red", "status": "open"}
        assert bench.job(job).status == "moved"
        assert bench.records(job) == begun
        with pytest.raises(JobError, match="was moved to another store"):
            bench.append(job, ("noted", {}), **by)
        with pytest.raises(JobError, match="was moved to another store"):
            move_job(bench, shop, job)
        (more,) = shop.append(job, ("noted", {"text": "in the shop"}), **by)
        assert move_job(shop, bench, job) == 1
        assert bench.records(job) == [*begun, more]
        assert (bench.job(job).status, shop.job(job).status) == ("open", "moved")
        bench.append(job, ("noted", {}), **by)
        with pytest.raises(InputError, match="is in store"):
            move_job(bench, bench, job)


def test_move_that_is_refused_leaves_the_job_where_it_was(
    sqlite_places: Callable[[], str], by: By
) -> None:
    with Store.open(sqlite_places()) as ours, Store.open(sqlite_places()) as theirs:
        job = fill(ours, by)
        fill(theirs, by)
        with pytest.raises(ConflictError, match="RO-1 is open in another job"):
            move_job(ours, theirs, job)
        assert ours.job(job).status == "open"
        ours.append(job, ("noted", {}), **by)


def test_interrupted_move_can_be_repeated(sqlite_places: Callable[[], str], by: By) -> None:
    """As if the process died after the target had the job and before the source knew."""
    with Store.open(sqlite_places()) as ours, Store.open(sqlite_places()) as theirs:
        job = fill(ours, by)
        theirs.receive(ours.records(job))
        assert move_job(ours, theirs, job) == 0
        assert ours.job(job).status == "moved"


def test_sqlite_backup_while_others_write_is_a_whole_store(
    sqlite_places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    place, stop = sqlite_places(), threading.Event()
    with Store.open(place) as store:
        job = fill(store, by)
        started = threading.Event()

        def write() -> None:
            with Store.open(place) as mine:
                while not stop.is_set():
                    mine.append(job, ("noted", {}), **by)
                    started.set()

        writer = threading.Thread(target=write)
        writer.start()
        started.wait(20)
        before = store.job(job).length
        try:
            for number in range(5):
                assert backup(store, tmp_path / f"{number}.db") == []
        finally:
            stop.set()
            writer.join()
        assert before >= 6
        for number in range(5):
            path = tmp_path / f"{number}.db"
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
            with Store.open(path, create=False) as copy:
                chain = copy.records(job)
                assert len(chain) >= before
                assert chain == store.records(job)[: len(chain)]
        with pytest.raises(InputError, match="is there already"):
            backup(store, tmp_path / "0.db")
    assert sorted(path.suffix for path in tmp_path.iterdir() if path.is_file()) == [".db"] * 5


def test_postgresql_backup_restores_into_either(
    postgres_places: Callable[[], str], places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    path = tmp_path / "shop.jsonl"
    with Store.open(postgres_places()) as shop:
        jobs = [fill(shop, by, f"RO-{number}") for number in range(3)]
        assert backup(shop, path) == []
        kept = {job: shop.records(job) for job in jobs}
    with Store.open(places()) as other:
        assert restore(other, path) == Tally(jobs=3, records=15)
        assert {job: other.records(job) for job in jobs} == kept
        assert other.pack(DIGEST) == PACK
        with pytest.raises(LedgerError, match="holds 3 jobs already"):
            restore(other, path)
        assert {job: other.records(job) for job in jobs} == kept
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    for damaged, message in (
        (lines[:-1], "3 jobs are in it"),
        (lines[:2] + lines[3:], "2 jobs are in it"),
        (lines[1:], "no backup"),
        ([*lines[:2], lines[2].replace("noted", "rated"), *lines[3:]], "was altered"),
    ):
        path.write_text("".join(damaged), encoding="utf-8")
        with Store.open(places()) as other:
            with pytest.raises(LedgerError, match=message):
                restore(other, path)
            assert other.jobs() == []


def test_sqlite_backup_restores_into_either_and_stays_as_it_was(
    sqlite_places: Callable[[], str], places: Callable[[], str], by: By, tmp_path: Path
) -> None:
    path = tmp_path / "copy.db"
    with Store.open(sqlite_places()) as shop:
        jobs = [fill(shop, by, f"RO-{number}") for number in range(3)]
        backup(shop, path)
        kept = {job: shop.records(job) for job in jobs}
    before = path.read_bytes()
    with Store.open(places()) as other:
        assert restore(other, path) == Tally(jobs=3, records=15)
        assert {job: other.records(job) for job in jobs} == kept
        with pytest.raises(LedgerError, match="holds 3 jobs already"):
            restore(other, path)
    assert path.read_bytes() == before
    path.write_bytes(before[: len(before) // 2])
    with Store.open(places()) as other:
        with pytest.raises(LedgerError, match=path.name):
            restore(other, path)
        assert other.jobs() == []


def test_restoring_by_command(
    places: Callable[[], str], sqlite_places: Callable[[], str], tmp_path: Path
) -> None:
    full, empty, copy = places(), sqlite_places(), tmp_path / "copy"
    Path(empty).parent.mkdir()
    assert run(["open", "RO-1", "--store", full, "--who", "me"]) == 0
    assert run(["drive", "10", "--codes", "P0303", "--store", full, "--who", "me"]) == 0
    assert run(["store", "backup", str(copy), "--store", full]) == 0
    assert run(["store", "restore", str(copy), "--store", empty]) == 0
    assert run(["store", "check", "--store", empty]) == 0
    with Store.open(empty) as there:
        (row,) = there.jobs()
        assert (row.ro, row.length, row.summary["complaint"]) == ("RO-1", 2, "")
    assert run(["store", "restore", str(copy), "--store", empty]) == LedgerError.exit_code


def test_csv_cells_are_neutralised_as_owasp_asks(tmp_path: Path) -> None:
    """OWASP, "CSV Injection": = + - @ tab, carriage return (and NUL: OWASP ASVS) at the start."""
    path = tmp_path / "jobs.csv"
    evil = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\0=1", "  =1", "\uff1d1"]
    write_csv({path: [{"=h": text, "n": number} for number, text in enumerate(evil, -3)]})
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["'=h", "n"]
    assert [row[0] for row in rows[1:]] == ["'" + text for text in evil]
    assert [row[1] for row in rows[1:]] == [str(number) for number in range(-3, 7)]


@settings(deadline=None)
@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "text": st.text(st.characters(codec="utf-8", exclude_characters="\0")),
                "number": st.integers(-(2**40), 2**40) | st.floats(allow_nan=False),
            }
        ),
        max_size=5,
    )
)
def test_csv_reads_back_with_no_cell_that_starts_a_formula(rows: list[dict[str, Any]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        write_csv({path: rows})
        with path.open(encoding="utf-8", newline="") as file:
            back = list(csv.DictReader(file))
        assert [entry.name for entry in Path(folder).iterdir()] == ["t.csv"]
    assert len(back) == len(rows)
    for row, read in zip(rows, back, strict=True):
        assert type(row["number"])(read["number"]) == row["number"]
        assert read["text"] in {row["text"], "'" + row["text"]}
        assert read["text"][:1] not in set("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def test_csv_of_nothing_and_of_a_place_that_is_not_there(tmp_path: Path) -> None:
    write_csv({tmp_path / "empty.csv": []})
    assert (tmp_path / "empty.csv").read_bytes().strip() == b""
    with pytest.raises(LedgerError, match="no such file or directory"):
        write_csv({tmp_path / "nowhere" / "t.csv": [{"a": 1}]})
