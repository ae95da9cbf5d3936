"""Repairs: which one, what must come off for it, what it takes; sums worked by hand."""

from __future__ import annotations

import pytest

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.pack.model import Pack, known_fix
from swapinfer.plan.actions import Action, title_action, work_of
from swapinfer.plan.costing import Costing, PlanSettings


@pytest.fixture(scope="module")
def costing(pack: Pack, settings: PlanSettings) -> Costing:
    opening = ev.Opened("1001", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
    return Costing(gather_evidence(replay(enumerate([opening]), pack)).job, settings)


def test_a_repair_of_a_known_mode_takes_what_that_mode_takes(costing: Costing, pack: Pack) -> None:
    """Setting a valve's clearance needs the valve cover off, not the head."""
    sealing = pack.kinds["sealing"]
    repair = costing.repair(sealing, {"tight-valve": 1.0})
    assert repair.fix.title == "set the valve clearance"
    assert "head-off" not in repair.opens_p
    assert repair.opens_p["valve-cover"] == 1.0
    minutes, _ = costing.reach(repair.opens_p)
    names = ["engine-cover", "ignition-off", "valve-cover"]
    tables = [pack.access[name] for name in names]
    assert minutes == sum(table.open_minutes + table.close_minutes for table in tables)


def test_access_common_to_two_ways_of_failing_is_counted_once(costing: Costing) -> None:
    sealing = costing.job.pack.kinds["sealing"]
    repair = costing.repair(sealing, {"tight-valve": 3.0, "burnt-valve": 1.0})
    assert repair.opens_p["valve-cover"] == pytest.approx(1.0)
    assert repair.opens_p["head-off"] == pytest.approx(0.25)
    both = [costing.repair(sealing, {mode: 1.0}) for mode in ("tight-valve", "burnt-valve")]
    far, near = (costing.reach(one.opens_p)[0] for one in both)
    assert costing.reach(repair.opens_p)[0] == pytest.approx(0.75 * far + 0.25 * near)
    assert repair.effort.minutes == pytest.approx(0.75 * 60 + 0.25 * sealing.fix.minutes)


def test_a_repair_is_named_by_the_mode_once_it_is_known(costing: Costing) -> None:
    sensor = costing.job.pack.kinds["mixture-sensor"]
    leak = {"exhaust-leak": 0.3, "lies-lean": 0.1}
    assert costing.repair(sensor, leak).fix.title == "seal the exhaust leak"
    assert costing.repair(sensor, {"exhaust-leak": 0.1, "lies-lean": 0.3}).fix == sensor.fix
    action = Action("replace", replaced=("mixture-sensorbank1",))
    title = title_action(costing.job.engine, action, lambda _: costing.repair(sensor, leak).fix)
    assert title == "seal the exhaust leak (bank 1)"
    sealing = costing.job.pack.kinds["sealing"]
    unclear = dict.fromkeys(sealing.modes, 1.0)
    assert known_fix(sealing.fix_shares(unclear)) is None
    assert costing.repair(sealing, unclear).fix == sealing.fix


def test_reseating_is_work_of_its_own(costing: Costing) -> None:
    costs = costing.settings.costs
    assert costs.reseat_minutes > 0.0
    alone = Action("reseat", reseated=("injector-wiring1",))
    work = work_of(
        costing, alone, lambda place: costing.repair(costing.job.engine.kind_of(place), {})
    )
    assert work.effort.minutes == costs.read_minutes + costs.reseat_minutes
    assert work.effort.parts == costs.reseat_price


def test_what_a_repair_leaves_open_is_what_every_way_of_failing_needs(pack: Pack) -> None:
    """Nobody knows yet whether the head came off or only the valve cover."""
    opening = ev.Opened("1001", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
    job = replay(enumerate([opening, ev.Replaced("sealing1")]), pack)
    assert job.open_access == {"engine-cover", "ignition-off", "valve-cover"}
