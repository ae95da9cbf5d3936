"""What a store keeps, lists and refuses, in SQLite and PostgreSQL alike."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swapinfer.errors import ConflictError, InputError, JobError, LedgerError
from swapinfer.ledger.record import GENESIS, verify_chain
from swapinfer.ledger.store import Store

By = dict[str, Any]
AWKWARD = "é 😀 \u0000 \u2028 '; DROP TABLE jobs; -- \\ \""


def test_job_reads_back_as_written(store: Store, by: By) -> None:
    first = store.create_job("RO-1", {"layout": "i4", "odometer_km": 81_250.5}, **by)
    written = [
        record
        for number in (0, -1, 2**63, 0.1, 5e-324, True)
        for record in store.append(
            first.job, ("noted", {"text": AWKWARD, "n": number, "deep": [{"a": None}]}), **by
        )
    ]
    chain = store.records(first.job)
    assert chain == [first, *written]
    assert [record.seq for record in chain] == list(range(7))
    assert chain[0].previous == GENESIS
    assert chain[0].payload["ro"] == "RO-1"
    assert [record.previous for record in chain[1:]] == [record.digest for record in chain[:-1]]
    verify_chain(chain)


def test_index_follows_the_records(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by, summary={"vehicle": "red"}).job
    row = store.job(job)
    assert (row.ro, row.status, row.length, row.summary) == ("RO-1", "open", 1, {"vehicle": "red"})
    assert row.opened_at == row.updated_at == "2031-05-04T07:30:00+00:00"
    later = {**by, "at": "2031-05-04T09:31:00+02:00"}
    store.append(job, ("noted", {}), **later)
    assert store.job(job).summary == {"vehicle": "red"}
    summary = {"n": 3, "status": "closed"}
    (last,) = store.append(job, ("closed", {}), **later, summary=summary)
    row = store.job(job)
    assert (row.status, row.length, row.head) == ("closed", 3, last.digest)
    assert row.summary == summary
    assert row.updated_at == "2031-05-04T07:31:00+00:00"


def test_lists_by_status_last_changed_first(store: Store, by: By) -> None:
    jobs = [
        store.create_job(f"RO-{hour}", {}, **{**by, "at": f"2031-05-04T{hour:02}:00:00Z"}).job
        for hour in (3, 1, 2)
    ]
    store.append(jobs[1], ("closed", {}), **by, summary={"status": "verified"})
    assert [row.ro for row in store.jobs("open")] == ["RO-3", "RO-2"]
    assert [row.ro for row in store.jobs("verified")] == ["RO-1"]
    assert [row.ro for row in store.jobs()] == ["RO-1", "RO-3", "RO-2"]
    assert [row.ro for row in store.jobs(limit=1)] == ["RO-1"]


def test_repair_order_is_open_once(store: Store, by: By) -> None:
    old = store.create_job("RO-1", {}, **by).job
    with pytest.raises(ConflictError, match="RO-1 is open in another job"):
        store.create_job("RO-1", {}, **by)
    store.append(old, ("closed", {}), **by, summary={"status": "closed"})
    assert store.find_job("RO-1").job == old
    new = store.create_job("RO-1", {}, **by).job
    assert store.find_job("RO-1").job == new
    with pytest.raises(ConflictError, match="RO-1 is open in another job"):
        store.append(old, ("reopened", {}), **by, summary={"status": "open"})
    assert len(store.records(old)) == 2


def test_names_the_repair_order_that_was_meant(store: Store, by: By) -> None:
    store.create_job("RO-1234", {}, **by)
    with pytest.raises(
        JobError, match='no job with repair order "RO-1243"; did you mean "RO-1234"'
    ):
        store.find_job("RO-1243")
    with pytest.raises(JobError, match='no job "x"'):
        store.records("x")
    with pytest.raises(JobError, match='no job "x"'):
        store.append("x", ("noted", {}), **by)


def test_events_that_belong_together_are_recorded_all_or_none(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job
    both = [("swapped", {"n": 1}), ("ran", {"n": 2})]
    written = store.append(job, *both, **by, summary={"n": 3})
    assert store.records(job)[1:] == written
    assert [(record.type, record.payload) for record in written] == both
    assert store.job(job).summary == {"n": 3}
    with pytest.raises(LedgerError, match="cannot be recorded"):
        store.append(job, ("ran", {}), ("ran", {"x": float("nan")}), **by)
    assert len(store.records(job)) == store.job(job).length == 3
    with pytest.raises(ConflictError, match="record 2 was to be next, but 3 are there"):
        store.append(job, *both, **by, expect_seq=2)


def test_place_is_that_of_its_opening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by: By
) -> None:
    monkeypatch.chdir(tmp_path)
    with Store.open("shop.db") as store:
        (tmp_path / "elsewhere").mkdir()
        monkeypatch.chdir(tmp_path / "elsewhere")
        job = store.create_job("RO-1", {}, **by).job
        assert len(store.records(job)) == 1
        assert store.path == tmp_path / "shop.db"


def test_overtaken_writer_learns_who_was_first(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job
    store.append(job, ("noted", {}), **{**by, "who": "First"}, expect_seq=1)
    with pytest.raises(ConflictError, match=r"record 1 was to be next, but 2 .* by First \(noted"):
        store.append(job, ("noted", {}), **by, expect_seq=1)
    assert len(store.records(job)) == 2


def test_later_of_two_conflicting_moves_is_refused(places: Callable[[], str], by: By) -> None:
    """Two technicians move the same coil at once; a barrier makes them start together."""
    place = places()
    with Store.open(place) as store:
        job = store.create_job("RO-1", {}, **by).job

    barrier, outcomes = threading.Barrier(2), {}

    def move(to: int) -> None:
        with Store.open(place) as mine:
            barrier.wait()
            try:
                mine.append(job, ("swapped", {"to": to}), **by, expect_seq=1)
                outcomes[to] = "done"
            except ConflictError as error:
                outcomes[to] = str(error)

    threads = [threading.Thread(target=move, args=(to,)) for to in (3, 4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    won = next(to for to, outcome in outcomes.items() if outcome == "done")
    assert "record 1 was to be next, but 2 are there" in outcomes[7 - won]
    with Store.open(place) as store:
        assert [record.payload.get("to") for record in store.records(job)] == [None, won]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"at": "2031-05-04T09:30:00"}, "says no offset"),
        ({"at": "yesterday"}, "is not ISO 8601"),
        ({"who": " "}, "technician's name must be"),
        ({"who": "a\nb"}, "technician's name must be"),
        ({"who": "x" * 201}, "technician's name must be"),
    ],
)
def test_refuses_unusable_circumstances(store: Store, by: By, change: By, message: str) -> None:
    with pytest.raises(InputError, match=message):
        store.create_job("RO-1", {}, **{**by, **change})
    assert store.jobs() == []


@pytest.mark.parametrize("ro", ["", "  ", "RO\x00", "R" * 201])
def test_refuses_unusable_repair_orders(store: Store, by: By, ro: str) -> None:
    with pytest.raises(InputError, match="repair-order number must be"):
        store.create_job(ro, {}, **by)


def test_refuses_unknown_status(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job
    with pytest.raises(LedgerError, match='cannot be "close"; did you mean "closed"'):
        store.append(job, ("closed", {}), **by, summary={"status": "close"})
    assert len(store.records(job)) == 1


def test_text_is_bound_never_spliced(store: Store, by: By) -> None:
    evil = "'); DROP TABLE records; --"
    job = store.create_job(evil, {evil: evil}, **{**by, "who": evil}).job
    store.append(job, (evil, {}), **by)
    store.choose_job(evil, job)
    assert store.find_job(evil).job == job
    assert store.current_job(evil) == job
    assert store.jobs(evil) == []
    assert len(store.records(job)) == 2


def test_keeps_packs_by_digest(store: Store) -> None:
    text = '{"name":"base é"}'
    digest = hashlib.sha256(text.encode()).hexdigest()
    with pytest.raises(LedgerError, match="is not kept here"):
        store.pack(digest)
    store.keep_pack(digest, text)
    store.keep_pack(digest, text)
    assert store.pack(digest) == text
    with pytest.raises(LedgerError, match="another digest"):
        store.keep_pack("0" * 64, text)
    with store.writing() as connection:
        connection.execute("UPDATE packs SET text = '{}'")
    with pytest.raises(LedgerError, match="was altered"):
        store.pack(digest)


def test_current_job_is_each_users_own(store: Store) -> None:
    assert store.current_job("a") is None
    store.choose_job("a", "1")
    store.choose_job("b", "2")
    store.choose_job("a", "3")
    assert (store.current_job("a"), store.current_job("b")) == ("3", "2")


def test_clock_set_backwards_is_accepted(store: Store, by: By) -> None:
    job = store.create_job("RO-1", {}, **by).job
    store.append(job, ("noted", {}), **{**by, "at": "1999-01-01T00:00:00Z"})
    assert [record.seq for record in store.records(job)] == [0, 1]
