"""Writers killed at random moments, and many at once: what was acknowledged is there, once."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from swapinfer.ledger.rescue import check
from swapinfer.ledger.store import Store

Places = Callable[[], str]


@pytest.fixture(scope="module")
def ledger() -> ModuleType:
    """Load the benchmark, whose processes these tests use."""
    path = Path(__file__).parents[2] / "benchmarks" / "ledger.py"
    spec = importlib.util.spec_from_file_location("ledger_benchmark", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "kills"), [("sqlite", 200), ("postgres", 30)])
def test_kill_9_loses_nothing_acknowledged(
    request: pytest.FixtureRequest, ledger: ModuleType, kind: str, kills: int
) -> None:
    place = request.getfixturevalue(f"{kind}_places")()
    outcome = ledger.kill_writers(place, kills, seed=2)
    assert outcome.lost == 0
    assert outcome.acknowledged > kills
    with Store.open(place) as store:
        found = check(store)
        # No job's chain is broken, and nothing stands outside a chain.
        assert found.faults == ()
        assert found.records >= outcome.acknowledged


@pytest.mark.parametrize("jobs", [1, 10])
def test_sixteen_writers_lose_double_and_reorder_nothing(
    places: Places, ledger: ModuleType, jobs: int
) -> None:
    outcome = ledger.write_at_once(places(), 16, 10, jobs)
    assert outcome.written == 160
    assert (outcome.lost, outcome.doubled, outcome.reordered) == (0, 0, 0)


def test_sixteen_processes_make_one_store(places: Places, ledger: ModuleType) -> None:
    """None of them finds a store there; each opens a job of its own in it."""
    place = places()
    with ledger.Writers() as writers:
        pids = [writers.start(place, number, 2) for number in range(16)]
        assert [len(writers.wait(pid)) for pid in pids] == [3] * 16
    with Store.open(place, create=False) as store:
        assert sorted(row.ro for row in store.jobs()) == sorted(f"RO-{n}" for n in range(16))
        assert check(store).records == 48


def test_a_store_that_another_process_made_just_now_is_not_gone(
    sqlite_places: Places, ledger: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between two looks, for the file and for its log, someone else may make both."""
    place, first_look = Path(sqlite_places()), True
    with Store.open(place) as store:
        store.create_job("RO-1", {}, who="T", **ledger.WHO)
        assert Path(f"{place}-wal").exists()
        look = Path.exists

        def too_early(path: Path) -> bool:
            nonlocal first_look
            if path == place and first_look:
                first_look = False
                return False
            return look(path)

        monkeypatch.setattr(Path, "exists", too_early)
        with Store.open(place) as same:
            assert [row.ro for row in same.jobs()] == ["RO-1"]
    assert not first_look


def test_the_count_of_losses_can_fail(sqlite_places: Places, ledger: ModuleType) -> None:
    """Negative control: an acknowledgement without a record counts as a loss."""
    with Store.open(sqlite_places()) as store:
        job = store.create_job("RO-1", {}, who="T", **ledger.WHO).job
        assert ledger._lost(store, [(job, 0)]) == 0
        assert ledger._lost(store, [(job, 0), (job, 1)]) == 2
        assert ledger._lost(store, [("gone", 0)]) == 1
