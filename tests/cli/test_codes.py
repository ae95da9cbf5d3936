"""What a vehicle comes in with is recorded as that, not as a drive."""

from __future__ import annotations

import pytest

from tests.cli.conftest import Bay


def probabilities(bay: Bay) -> dict[str, float]:
    return {one["element"]: one["probability"] for one in bay.must("belief --json").facts["causes"]}


@pytest.mark.usefixtures("opened")
def test_a_job_without_a_code_starts_with_reading_what_is_stored(bay: Bay) -> None:
    first, *_ = bay.must("next --json").facts["steps"]
    assert first["id"] == "codes"
    assert first["commands"][0].startswith("swapinfer codes ")
    without, *_ = bay.must("next --without scan-tool --json").facts["steps"]
    assert without["id"] != "codes"
    bay.must("codes P0302")
    assert bay.must("next --json").facts["steps"][0]["id"] != "codes"


def test_a_part_is_followed_from_what_was_stored(opened: Bay) -> None:
    opened.must("codes P0303 --pending P0300 --permanent none --frame warm,load")
    opened.must("swap coil 3-1")
    told = opened.must("drive 15 --when warm,load --codes P0301 --json").facts
    assert "the fault followed the ignition coil from cylinder 3" in " ".join(told["meaning"])
    shown = " ".join(opened.must("show").out.split())
    assert "codes P0303, pending P0300, none permanent, set in warm, load" in shown


def test_what_was_stored_is_no_drive(opened: Bay) -> None:
    """It is not what a repair is measured by, and verifies none."""
    opened.must("replace coil3")
    asked = opened.must("clean --json").facts
    opened.must("codes P0303 --frame hot,load")
    with_codes = opened.must("clean --json").facts
    assert (asked["minutes"], asked["conditions"]) != (0.0, None)
    assert with_codes["conditions"] == asked["conditions"]
    assert opened("close --cause coil3 --verified").code != 0


def test_a_counter_that_stands_out_on_arrival_is_weighed(opened: Bay) -> None:
    """How long the last cycle was nobody knows: of others it says nothing, unless that is told."""
    before = probabilities(opened)
    opened.must("codes --counts 1=0,2=0,3=140,4=1")
    untimed = probabilities(opened)
    opened.must("undo")
    told = opened.must("codes --counts '0C: 1=0,2=0,3=140,4=1' --since-start 12 --json").facts
    timed = probabilities(opened)
    assert before["coil3"] < 0.1 < untimed["coil3"] < 0.5
    assert timed["coil2"] < 0.5 * untimed["coil2"] <= before["coil2"]
    assert "misfire counts 1: 0, 2: 0, 3: 140, 4: 1 in 12 min" in told["said"][0]
    assert told["meaning"] == ["cylinder 3 misfired before the vehicle came in"]


def test_counters_at_nought_on_arrival_say_nothing_of_a_cycle_of_unknown_length(
    opened: Bay,
) -> None:
    opened.must("codes P0303 --pending P0303")
    without = probabilities(opened)
    opened.must("undo")
    told = opened.must("codes P0303 --pending P0303 --counts 1=0,2=0,3=0,4=0 --json").facts
    assert probabilities(opened) == without
    assert "may have been the way in" in told["meaning"][1]


@pytest.mark.parametrize(
    ("line", "code", "said"),
    [
        ("codes --counts '0B: 3=5'", 2, "test 0B is the average of ten driving cycles"),
        ("codes --counts 7=5", 8, "no cylinder 7"),
        ("codes --counts 3=200000 --since-start 2", 2, "misfire count of cylinder 3 must be"),
        ("codes --since-start 2", 2, "say what was read"),
    ],
)
def test_counters_that_cannot_be_are_refused_on_arrival(
    opened: Bay, line: str, code: int, said: str
) -> None:
    told = opened(line)
    assert told.code == code
    assert said in told.err
    assert len(told.err.splitlines()) == 1


def test_counters_read_late_belong_to_the_drive_before(opened: Bay) -> None:
    opened.must("drive 15 --when warm --felt rough")
    opened.must("codes --counts 3=140")
    late = probabilities(opened)
    assert "counts: read already" in opened("codes --counts 3=9").err
    assert "these belong to the drive before" in opened("codes P0303 --since-start 9").err
    opened.must("undo")
    opened.must("undo")
    opened.must("drive 15 --when warm --felt rough --counts 3=140")
    assert late == probabilities(opened)


def test_no_code_says_the_less_the_younger_the_memory(opened: Bay) -> None:
    before = probabilities(opened)
    leader = max(before, key=before.__getitem__)
    after = []
    for age in ("", "--cleared", "--unready"):
        opened.must(f"codes --no-codes {age}")
        after.append(probabilities(opened)[leader] / before[leader])
        opened.must("undo")
    assert after == sorted(after)
    assert 0.4 < after[0] < 0.9 < after[2] < 1.05


def test_codes_read_late_belong_to_the_drive_before(opened: Bay) -> None:
    opened.must("drive 15 --when warm --felt rough")
    opened.must("codes P0303 --pending none")
    late = probabilities(opened)
    opened.must("undo")
    opened.must("undo")
    opened.must("drive 15 --when warm --felt rough --codes P0303 --pending none")
    assert probabilities(opened) == pytest.approx(late)


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["codes"], "say what was read"),
        (["codes P0302 --no-codes"], "--no-codes says that none is stored"),
        (["codes P0302", "codes P0303"], "read already (#1)"),
        (["drive 5 --felt rough", "codes P0302 --cleared"], "belong to the drive before (#1)"),
        (["codes P03"], "P03"),
        (["codes P0302 --frame uphill"], 'no condition "uphill"'),
        (["codes P0309"], "P0309"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(opened: Bay, lines: list[str], said: str) -> None:
    *before, last = lines
    for line in before:
        opened.must(line)
    told = opened(last)
    assert told.code != 0
    assert said in told.err
    assert len(told.err.splitlines()) == 1
