"""Random sequences of what can be done to two stores, against lists and dictionaries.

The model knows nothing of digests, tables or transactions: a job is a list of events and a status.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from swapinfer.errors import ConflictError, JobError
from swapinfer.ledger.exchange import export_job, import_job, move_job
from swapinfer.ledger.rescue import check, rescue
from swapinfer.ledger.store import Store

BY = {"who": "T. Echnician", "at": "2031-05-04T09:30:00Z", "pack": "0" * 64}
sides = st.integers(0, 1)
orders = st.sampled_from(["RO-1", "RO-2", "RO-3"])
payloads = st.fixed_dictionaries({"n": st.integers(0, 1), "text": st.sampled_from(["", "é"])})


@dataclass
class Job:
    """What the model remembers of a job."""

    ro: str
    status: str = "open"
    events: list[Any] = field(default_factory=list)


def conflict(jobs: dict[str, Job], ro: str, job: str = "") -> bool:
    """Whether the repair order is open in another job."""
    return any(
        other.ro == ro and other.status == "open" for id_, other in jobs.items() if id_ != job
    )


class TwoStores(RuleBasedStateMachine):
    """Jobs are opened, added to, closed, copied and moved to and fro."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.places = [Path(self.folder.name) / f"{side}.db" for side in range(2)]
        self.stores = [Store.open(place) for place in self.places]
        self.model: list[dict[str, Job]] = [{}, {}]
        self.files = 0

    def teardown(self) -> None:
        for store in self.stores:
            assert check(store).faults == ()
            store.close()
        self.folder.cleanup()

    def has_jobs(self) -> bool:
        return any(self.model)

    def choose(self, data: st.DataObject) -> tuple[int, str]:
        known = [(side, job) for side in range(2) for job in self.model[side]]
        return data.draw(st.sampled_from(known))

    @rule(side=sides, ro=orders, payload=payloads)
    def open_job(self, side: int, ro: str, payload: dict[str, Any]) -> None:
        if conflict(self.model[side], ro):
            with pytest.raises(ConflictError):
                self.stores[side].create_job(ro, payload, **BY)
            return
        job = self.stores[side].create_job(ro, payload, **BY).job
        self.model[side][job] = Job(ro, events=[("opened", {**payload, "ro": ro})])

    @precondition(has_jobs)
    @rule(data=st.data(), payload=payloads)
    def append(self, data: st.DataObject, payload: dict[str, Any]) -> None:
        side, job = self.choose(data)
        known = self.model[side][job]
        if known.status == "moved":
            with pytest.raises(JobError):
                self.stores[side].append(job, ("noted", payload), **BY)
            return
        (written,) = self.stores[side].append(
            job, ("noted", payload), **BY, expect_seq=len(known.events)
        )
        assert written.seq == len(known.events)
        known.events.append(("noted", payload))

    @precondition(has_jobs)
    @rule(data=st.data(), status=st.sampled_from(["open", "closed", "verified"]))
    def set_status(self, data: st.DataObject, status: str) -> None:
        side, job = self.choose(data)
        known = self.model[side][job]
        refused = known.status == "moved" or (
            status == "open" and conflict(self.model[side], known.ro, job)
        )
        if refused:
            with pytest.raises((JobError, ConflictError)):
                self.stores[side].append(job, ("closed", {}), **BY, summary={"status": status})
            return
        self.stores[side].append(job, ("closed", {}), **BY, summary={"status": status})
        known.events.append(("closed", {}))
        known.status = status

    @precondition(has_jobs)
    @rule(data=st.data())
    def copy_by_file(self, data: st.DataObject) -> None:
        side, job = self.choose(data)
        self.files += 1
        path = Path(self.folder.name) / f"{self.files}.json"
        export_job(self.stores[side], job, path)
        other = 1 - side
        if not self.accepts(other, job, self.model[side][job], status=None):
            with pytest.raises(ConflictError):
                import_job(self.stores[other], path)
            return
        import_job(self.stores[other], path)
        self.take(other, job, self.model[side][job], status=None)

    @precondition(has_jobs)
    @rule(data=st.data())
    def move(self, data: st.DataObject) -> None:
        side, job = self.choose(data)
        known, other = self.model[side][job], 1 - side
        if known.status == "moved":
            with pytest.raises(JobError):
                move_job(self.stores[side], self.stores[other], job)
        elif not self.accepts(other, job, known, known.status):
            with pytest.raises(ConflictError):
                move_job(self.stores[side], self.stores[other], job)
        else:
            move_job(self.stores[side], self.stores[other], job)
            self.take(other, job, known, known.status)
            known.status = "moved"

    def accepts(self, side: int, job: str, theirs: Job, status: str | None) -> bool:
        mine = self.model[side].get(job)
        if mine is None:
            return status not in {None, "open"} or not conflict(self.model[side], theirs.ro)
        shorter = min(len(mine.events), len(theirs.events))
        if mine.events[:shorter] != theirs.events[:shorter]:
            return False
        changes = len(theirs.events) > len(mine.events) or mine.status == "moved"
        becomes_open = changes and status == "open"
        return not (becomes_open and conflict(self.model[side], mine.ro, job))

    def take(self, side: int, job: str, theirs: Job, status: str | None) -> None:
        mine = self.model[side].get(job)
        if mine is None:
            self.model[side][job] = Job(theirs.ro, status or "open", list(theirs.events))
        elif len(theirs.events) > len(mine.events) or mine.status == "moved":
            mine.events += theirs.events[len(mine.events) :]
            mine.status = status or mine.status

    @rule(side=sides)
    def reopen(self, side: int) -> None:
        self.stores[side].close()
        self.stores[side] = Store.open(self.places[side], create=False)

    @rule(side=sides)
    def rescue_elsewhere(self, side: int) -> None:
        self.files += 1
        with Store.open(Path(self.folder.name) / f"saved {self.files}.db") as saved:
            if self.model[side]:
                assert rescue(self.places[side], saved).faults == ()
            self.agree(saved, self.model[side])

    @invariant()
    def stores_agree_with_the_model(self) -> None:
        for store, jobs in zip(self.stores, self.model, strict=True):
            self.agree(store, jobs)

    def agree(self, store: Store, jobs: dict[str, Job]) -> None:
        rows = store.jobs()
        assert {row.job: (row.ro, row.status, row.length) for row in rows} == {
            job: (known.ro, known.status, len(known.events)) for job, known in jobs.items()
        }
        for job, known in jobs.items():
            assert [(r.type, r.payload) for r in store.records(job)] == known.events


TestTwoStores = TwoStores.TestCase
TestTwoStores.settings = settings(max_examples=20, stateful_step_count=20, deadline=None)
