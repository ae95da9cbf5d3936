"""Which numbers move decisions most: intervals, what gives way, and that the largest lead."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from docs.shapes import schema_of

from swapinfer.commands import weights
from swapinfer.commands.page import Page, show
from swapinfer.commands.shop import Shop
from swapinfer.pack.load import load_pack
from swapinfer.pack.tables import pack_to_json

ENGINE = ("inline-4", "coil-on-plug", "port")


def test_chances_beside_a_changed_one_give_way_in_proportion() -> None:
    table = json.loads(pack_to_json(load_pack()))
    before = load_pack().kinds["coil"].modes["breakdown"].severity
    changed = weights.changed_pack(table, "element.coil.mode.breakdown.severity.rare", 0.5)
    after = changed.kinds["coil"].modes["breakdown"].severity
    assert after["rare"] == 0.5
    assert sum(after.values()) == pytest.approx(1.0, abs=1e-12)
    assert after["hard"] / after["intermittent"] == pytest.approx(
        before["hard"] / before["intermittent"]
    )


def test_a_chance_moves_by_its_odds_and_a_life_by_its_factor() -> None:
    low, high = weights.ends_of("element.coil.mode.breakdown.severity.rare", 0.25, 3.0)
    assert (low, high) == pytest.approx((0.1, 0.5))  # odds 1/3 to 1/9 and to 1
    assert weights.ends_of("element.x.mode.y.life_km.median", 2e6, 4.0) == (5e5, 8e6)


def test_every_end_of_a_spread_is_one_that_a_pack_may_have() -> None:
    table = json.loads(pack_to_json(load_pack()))
    for end in weights.ends_of("element.coil.lot_spread", 2.0, 2.5):
        changed = weights.changed_pack(table, "element.coil.lot_spread", end)
        assert changed.kinds["coil"].lot_spread == end


def test_the_rates_of_severities_are_weighed_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(weights, "CAUSES", ("severity",))
    monkeypatch.setattr(weights, "LOOKED_AT", 0)
    monkeypatch.setattr(weights, "PLANNED", 2)
    with Shop(str(tmp_path / "jobs.db"), "t") as shop:
        view = weights.weigh_numbers(shop, *ENGINE)
    jsonschema.validate(view.to_json(), schema_of(weights.InfluenceView))
    assert view.tried == 18  # six numbers of each of three severities
    assert len(view.numbers) == 2
    for one in view.numbers:
        assert one.low < one.value < one.high
        assert one.belief_moved > 0.0
    # A drive that shows something says most about how often a fault shows.
    assert any(one.path.endswith("rate_per_min") for one in view.numbers)
    told = show(view, Page(80))
    assert all(len(line) <= 80 for line in told.splitlines())
    assert view.numbers[0].path in told.replace("\n", "").replace(" ", "")
