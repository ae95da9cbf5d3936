"""What is said on the side changes neither belief nor plan, and is not made to wait for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cli.conftest import Bay


def test_a_note_leaves_belief_and_plan_as_they_were(opened: Bay) -> None:
    driven = opened.must("drive 15 --when warm --codes P0303 --json").facts
    for line in ("note 'washed last week' --json", "note 'came back wet' --json"):
        noted = opened.must(line).facts
        assert noted["next"] == driven["next"]
        assert noted["after"] == driven["after"]


def test_a_note_under_other_figures_is_planned_anew(opened: Bay) -> None:
    driven = opened.must("drive 15 --when warm --codes P0303 --json").facts
    opened.must("settings --set rate_per_hour=500")
    noted = opened.must("note 'washed last week' --json").facts
    best = opened.must("next --json").facts["steps"][0]
    assert noted["next"]["expected_total"] == best["expected_total"]
    assert noted["next"]["expected_total"] > driven["next"]["expected_total"]


def test_undoing_is_planned_anew(opened: Bay) -> None:
    first = opened.must("drive 15 --when warm --codes P0303 --json").facts
    second = opened.must("drive 15 --when warm --codes P0301 --json").facts
    undone = opened.must("undo --json").facts
    assert undone["next"] == first["next"] != second["next"]
    assert opened.must("note 'wrong vehicle' --json").facts["next"] == first["next"]
