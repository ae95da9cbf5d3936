"""Pictures in the terminal: figures agree with the belief they draw, and fit a narrow screen."""

from __future__ import annotations

import re

import pytest
from cli.conftest import Bay

from swapinfer.commands.jobs import _days


def own(facts: dict[str, object], cylinder: int) -> list[float]:
    causes: list[dict[str, object]] = facts["causes"]  # type: ignore[assignment]
    named = re.compile(rf"(?<!bank){cylinder}$")
    return [float(str(c["probability"])) for c in causes if named.search(str(c["place"]))]


def test_suspicion_lies_between_the_largest_marginal_and_their_sum(opened: Bay) -> None:
    """P(any of several) is at least each one's and at most their sum (Boole's inequality)."""
    opened.must("drive 15 --when warm,load --codes P0303")
    picture = opened.must("picture --json").facts["cylinders"]
    marginals = own(opened.must("belief --json").facts, 3)
    assert max(marginals) - 0.001 <= picture["3"] <= sum(marginals) + 0.001
    assert picture["3"] > 0.9
    assert picture["1"] < 0.1


def test_suspicion_goes_with_the_part(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    opened.must("swap coil 3-2")
    opened.must("drive 15 --when warm,load --codes P0302")
    told = opened.must("picture --json").facts
    assert told["cylinders"]["2"] > 0.9
    assert told["cylinders"]["3"] < 0.1
    assert told["away"]["ignition coil from cylinder 3"] == "cylinder 2"
    drawing = opened.must("picture").out
    assert re.search(r"##9\d%", drawing)
    assert "on cylinder 2 now: ignition coil from cylinder 3" in drawing


@pytest.mark.parametrize("layout", ["inline-6", "v12", "v10"])
def test_large_engines_fit_sixty_columns(
    bay: Bay, monkeypatch: pytest.MonkeyPatch, layout: str
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    bay.must(f"open RO-1 --layout {layout}")
    assert max(map(len, bay.must("picture").out.splitlines())) <= 60


def test_history_ends_in_the_belief_and_leaves_out_what_was_undone(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    opened.must("drive 10 --codes P0301")
    opened.must("undo")
    opened.must("read coil-supply 3=12.4V --against 12.5V")
    moments = opened.must("history --json").facts["moments"]
    assert [moment["seq"] for moment in moments] == [0, 1, 4]
    causes = opened.must("belief --json").facts["causes"]
    assert moments[-1]["causes"] == causes[: len(moments[-1]["causes"])]
    assert "#" in opened.must("history").out


def test_jobs_show_age_and_what_is_away(opened: Bay) -> None:
    opened.must("swap coil 3-2")
    told = opened.must("jobs").out
    assert "today" in told
    assert re.search("AWAY FROM HOME: coil[23], coil[23]", " ".join(told.split()))


def test_age_counts_whole_days_across_months_and_zones() -> None:
    """28 days in February 2026; 09:00+01:00 is 08:00 UTC, three days to the minute."""
    start = "2026-02-27T08:00:00+00:00"
    assert _days(start, "2026-03-02T09:00:00+01:00") == 3
    assert _days(start, "2026-03-02T08:59:59+01:00") == 2
