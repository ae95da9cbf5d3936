"""What was advised, what was done, and whether it was the same: told from the events alone."""

from __future__ import annotations

import io
import re

import pytest
from cli.conftest import Bay

from swapinfer.commands.history import split_steps
from swapinfer.ledger import events as ev


def advice_of(bay: Bay) -> dict[int, dict[str, object]]:
    moments = bay.must("history --json").facts["moments"]
    return {moment["seq"]: moment["advice"] for moment in moments if moment["advice"]}


def follow(bay: Bay) -> str:
    """Do what is advised, as it is printed; return its title."""
    first = bay.must("next --json").facts["steps"][0]
    for command in first["commands"]:
        line = command.removeprefix("swapinfer ").replace("codes ...", "codes P0303")
        line = line.replace("--pending ...", "--pending none")
        bay.must(re.sub(r" ([a-z-]+)\|\S+$", r" \1", line))
    return str(first["title"])


def test_advice_that_was_followed_is_told_as_it_was_given(opened: Bay) -> None:
    first, second = follow(opened), follow(opened)
    told = advice_of(opened)
    assert [one["followed"] for one in told.values()] == ["yes", "yes"]
    assert [one["advised"] for one in told.values()] == [first, second]
    assert all(one["advised_cost"] == one["done_cost"] for one in told.values())
    out = " ".join(opened.must("history").out.split())
    assert f"advised: {second}. followed: yes" in out


def test_what_was_done_instead_is_priced_as_the_plan_priced_it(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    steps = opened.must("next --count 400 --json").facts["steps"]
    look = next(step for step in steps if step["id"] == "plug-look-cylinder3")
    opened.must("inspect plug-look 3 clean")
    told = advice_of(opened)[2]
    assert told["advised"] == steps[0]["title"]
    assert told["followed"] == "no"
    assert told["done_cost"] == pytest.approx(look["expected_total"])
    assert told["advised_cost"] == pytest.approx(steps[0]["expected_total"])


def test_another_donor_is_in_part(bay: Bay) -> None:
    bay.must("open RO-1 --layout v8 --fuel direct")
    bay.must("drive 15 --when warm,load --codes P0305")
    bay.must("inspect boot-look 5 sound")
    bay.must("inspect plug-look 5 clean")
    first = bay.must("next --json").facts["steps"][0]
    assert first["commands"][0] == "swapinfer swap coil 5-1"
    bay.must("swap coil 5-3")
    bay.must("drive 15 --codes P0303")
    told = advice_of(bay)
    assert told[4]["followed"] == "in part"
    assert 5 not in told, "the drive after a swap belongs to it"


def test_undone_events_leave_no_trace(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    before = advice_of(opened)
    opened.must("replace coil2")
    opened.must("undo")
    assert advice_of(opened) == before


def test_report_over_all_jobs(opened: Bay) -> None:
    assert "no job has a step" in opened.must("jobs --advice").out
    follow(opened)
    opened.must("open RO-2 --layout inline-4 --odometer '148000 km' --driven '300 km'")
    opened.must("codes P0303 --pending none")
    opened.must("inspect plug-look 3 clean")
    report = {job["ro"]: job for job in opened.must("jobs --advice --json").facts["jobs"]}
    assert (report["RO-1"]["steps"], report["RO-1"]["followed"]) == (1, 1)
    assert (report["RO-2"]["steps"], report["RO-2"]["followed"]) == (2, 1)
    told = advice_of(opened).values()
    assert report["RO-2"]["done_cost"] == pytest.approx(sum(one["done_cost"] for one in told))
    assert report["RO-2"]["advised_cost"] <= report["RO-2"]["done_cost"]
    table = opened.must("jobs --advice").out
    assert "in all" in table
    assert all(len(line) <= 80 for line in table.splitlines())


def test_events_make_steps() -> None:
    """Work and the drive after it are one step, and so are the readings of one test."""
    read = [ev.Measured("compression", f"cylinder{c}", 170.0) for c in (1, 2)]
    look = ev.Inspected("plug-look", "cylinder1", "clean")
    swap, new = ev.Swapped((("coil3", "coil1"),)), ev.Replaced("coil1")
    ran = ev.Ran(10, (), ("P0301",))
    opened = ev.Opened("X", "inline-4", {})
    events = [opened, ran, *read, look, swap, ev.Noted("x"), new, ran, ran, ev.Closed(), ran]
    assert [step.at for step in split_steps(events)] == [1, 2, 4, 5, 9, 11]
    assert ("drive",) in split_steps(events)[3].deeds
    assert len(split_steps(events)[3].deeds) == 3


def test_guide_asks_for_ones_own_step_first(opened: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    best = opened.must("next --json").facts["steps"][0]["title"]
    monkeypatch.setattr("sys.stdin", io.StringIO("q\n"))
    assert best in " ".join(opened.must("guide").out.split()), "not asked unless wanted"
    opened.must("settings --set guess_first=yes")
    monkeypatch.setattr("sys.stdin", io.StringIO("fly\nlook at the plug\nq\n"))
    out = " ".join(opened.must("guide").out.split())
    before, _, after = out.partition("yours:")
    assert best not in before, "no advice before the guess"
    assert 'no step "fly"' in before
    assert after.startswith(" look at the plug: cylinder 3")
    assert best in after
    monkeypatch.setattr("sys.stdin", io.StringIO("\nq\n"))
    assert best in " ".join(opened.must("guide").out.split()), "Enter shows the advice"
    assert opened("settings --set guess_first=perhaps").code == 2
