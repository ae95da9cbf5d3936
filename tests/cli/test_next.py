"""What `next` says: short, with its reason, checkable, and typed as it is printed."""

from __future__ import annotations

import re
import shlex
from typing import Any

import numpy as np
import pytest
from cli.conftest import Bay
from cli.read_aloud import JOBS

from swapinfer.commands.belief import WhyView
from swapinfer.commands.next import GLANCE, UNPROVEN
from swapinfer.commands.page import Page, exactness, show
from swapinfer.commands.record import record
from swapinfer.commands.shop import Shop
from swapinfer.commands.steps import commands_of
from swapinfer.ledger.events import Ran, Replaced
from swapinfer.pack.load import load_pack
from swapinfer.plan.actions import Action
from swapinfer.plan.priority import worst_tenth

TYPICAL = {"V": "12", "ohm": "2", "kPa": "300", "psi": "100", "%": "3", "mm": "1", "A": "5"}
"""A number that an instrument may well show, by unit."""


def play(bay: Bay, name: str) -> None:
    for line in JOBS[name]:
        bay.must(line)


def full_cautions(out: str) -> list[str]:
    """Lines of cautions in full, as they are wrapped."""
    found, inside = [], False
    for line in out.splitlines():
        inside = line.startswith("  CAUTION: ") or (inside and line.startswith("    "))
        found += [line] * inside
    return found


@pytest.mark.parametrize("name", JOBS)
def test_fits_at_a_glance(bay: Bay, name: str) -> None:
    play(bay, name)
    out = bay.must("next").out
    lines = out.splitlines()
    assert len(lines) - len(full_cautions(out)) <= GLANCE, out
    assert all(len(line) <= 80 for line in lines), out
    assert "bits" not in out
    facts = bay.must("next --json").facts
    first = facts["steps"][0]
    words = " ".join(out.split())
    assert first["reason"] in words
    assert first["change"] in words
    for command in first["commands"]:
        assert command in out, "commands are printed whole, to be copied"
    check_verdict(bay, facts, words)
    in_full = bay.must("next --full").out
    assert " bits" in in_full
    assert "expected in all" in in_full
    assert all(outcome["title"] in " ".join(in_full.split()) for outcome in first["outcomes"][:4])


def check_verdict(bay: Bay, facts: dict[str, Any], words: str) -> None:
    """Testing ends for a repair of the leading cause that is likely enough, and for no other."""
    leader = bay.must("belief --json").facts["causes"][0]
    replaced = re.findall(r"swapinfer replace (\S+)", " ".join(facts["steps"][0]["commands"]))
    stops = leader["place"] in replaced and leader["probability"] >= load_pack().costs.proof
    assert ("stop testing" in words) == stops
    assert (facts["verdict"] == "stop-testing") == stops
    assert (facts["verdict"] == "bet") == (bool(replaced) and not stops)
    assert (UNPROVEN in words) == bool(replaced)


def test_a_caution_is_told_in_full_until_work_that_carries_it_is_on_record(bay: Bay) -> None:
    bay.must("open RO-1 --layout v8 --fuel direct")
    pack = load_pack()
    road, live = pack.cautions["driving"], pack.cautions["ignition-voltage"]
    bay.must("codes --no-codes")
    assert road.text in " ".join(bay.must("next").out.split())
    bay.must("drive 15 --when warm,load --codes P0305")
    told = " ".join(bay.must("next").out.split())
    assert road.text not in told
    assert live.text in told
    cautions = bay.must("next --json").facts["steps"][0]["cautions"]
    known = {caution["id"]: caution["is_known"] for caution in cautions}
    assert not known["ignition-voltage"]
    assert live.text in " ".join(bay.must("next --full").out.split())
    bay.must("swap coil 5-1")
    bay.must("drive 15 --when warm,load --codes P0301")
    told = " ".join(bay.must("next").out.split())
    assert "CAUTION as before" in told
    assert live.text not in told
    assert live.name in told
    assert road.name in told
    assert road.text in " ".join(bay.must("next --full").out.split())
    bay.must("undo 2")
    bay.must("undo 4")
    assert road.text in " ".join(bay.must("next").out.split()), "undone work shows nothing"


@pytest.mark.parametrize("name", ["it stayed", "every cylinder"])
def test_every_command_of_every_step_can_be_typed(bay: Bay, name: str) -> None:
    play(bay, name)
    typed = set()
    for step in bay.must("next --count 400 --json").facts["steps"]:
        for command in step["commands"]:
            line = command.removeprefix("swapinfer ")
            kind_of_command = re.sub(r"\d+", "1", line)
            if kind_of_command not in typed and not line.startswith(("close", "back")):
                typed.add(kind_of_command)
                bay.must(f"{filled(line)} --what-if")
    assert {line.split()[0] for line in typed} >= {"drive", "inspect", "read", "replace"}


def filled(line: str) -> str:
    """Put something that may be found in the place of what stands for it."""
    line = line.replace("--codes ...", "--no-codes")
    line = re.sub(r"\.\.\.([A-Za-z%]+)", lambda unit: f"{TYPICAL[unit[1]]}{unit[1]}", line)
    return re.sub(r" ([a-z-]+)\|\S+$", r" \1", line)


def test_commands_say_all_that_an_action_does(bay: Bay) -> None:
    bay.must("open RO-1 --layout v6 --ignition waste-spark")
    with Shop() as shop:
        job = shop.load().job
    pair = Action("swap", swaps=(("coil-pack1+4", "coil-pack2+5"), ("plug1", "plug2")))
    (line,) = commands_of(job, pair)
    bay.must(f"{line.removeprefix('swapinfer ')} --what-if")
    assert shlex.split(line)[2:] == ["coil-pack1+4", "coil-pack2+5", "plug", "1-2"]
    both = Action("replace", replaced=("plug1", "plug2"), drive_minutes=20.0, conditions=("hot",))
    assert commands_of(job, both) == (
        "swapinfer replace plug1",
        "swapinfer replace plug2",
        "swapinfer drive 20 --when hot --codes ...",
    )
    bay.must("swap plug 1-2")
    assert commands_of(job, Action("put-back", swaps=(("plug1", "plug2"),))) == ("swapinfer back",)


def test_a_repair_is_closed_as_verified_only_after_a_quiet_drive(bay: Bay) -> None:
    play(bay, "it moved with the coil")
    bay.must("replace coil1")
    bay.must("drive 45 --when warm,load --no-codes")
    (command,) = bay.must("next --json").facts["steps"][0]["commands"]
    assert command == "swapinfer close --cause coil3 --verified"
    bay.must(command.removeprefix("swapinfer "))
    assert bay.must("jobs --json").facts["jobs"][0]["status"] == "verified"


def test_what_is_advised_what_is_asked_and_what_closes_are_the_same_drive(bay: Bay) -> None:
    bay.must("open RO-1 --layout inline-4")
    bay.must("drive 17 --when warm,load --codes P0302")
    bay.must("swap coil 2-3")
    bay.must("drive 25 --when warm,load --codes P0303")
    repair = bay.must("next --json").facts["steps"][0]
    assert repair["commands"] == [
        "swapinfer replace coil3",
        "swapinfer drive 17 --when warm,load --codes ...",
    ]
    bay.must("replace coil3")
    assert bay.must("clean --json").facts["minutes"] == 17.0
    bay.must("drive 12 --when warm,load --no-codes")
    rest = bay.must("next --json").facts["steps"][0]
    assert (rest["drive_minutes"], bay.must("clean --json").facts["minutes"]) == (
        pytest.approx(5.0),
        5.0,
    )
    refused = bay("close --cause coil2 --verified")
    assert "drive 5 min" in refused.err
    bay.must("drive 5 --when warm,load --no-codes")
    (command,) = bay.must("next --json").facts["steps"][0]["commands"]
    bay.must(command.removeprefix("swapinfer "))
    assert bay.must("jobs --json").facts["jobs"][0]["status"] == "verified"


@pytest.mark.parametrize(
    ("name", "stops"), [("one cylinder", False), ("it moved with the coil", True)]
)
def test_both_verdicts_come_up(bay: Bay, name: str, stops: bool) -> None:
    play(bay, name)
    assert ("stop testing" in bay.must("next").out) == stops


def test_own_step_first_is_priced_in_a_line(bay: Bay) -> None:
    bay.must("open RO-1 --layout v8 --fuel direct")
    bay.must("drive 15 --when warm,load --codes P0305")
    facts = bay.must("next --json --count 400").facts
    best, steps = facts["steps"][0], {step["id"]: step for step in facts["steps"]}
    mine = bay.must("next --mine 'swap coil' --json").facts["mine"]
    assert mine["id"].startswith("swap-coil5-")
    look = bay.must("next --mine compression --json").facts["mine"]
    assert look["id"].startswith("compression")
    assert look["more"] > 0.0
    if look["id"] in steps:
        more = steps[look["id"]]["expected_total"] - best["expected_total"]
        assert look["more"] == pytest.approx(more)
    assert look["share"] == pytest.approx(look["more"] / best["expected_total"])
    assert look["is_told_apart"] == (look["share"] > load_pack().costs.resolution)
    word = "worth an argument" if look["is_told_apart"] else "as you like"
    assert word in " ".join(bay.must("next --mine compression").out.split())
    same = " ".join(bay.must(f"next --mine {best['id']}").out.split())
    assert "no dearer than what is advised" in same


def test_own_step_that_was_not_considered_is_one_line_with_near_matches(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    told = opened("next --mine 'swap distributor'")
    assert told.code == 2
    assert len(told.err.strip().splitlines()) == 1
    assert "swap distributor" in told.err
    near = opened("next --mine plug-lok-cylinder3")
    assert 'did you mean "plug-look-cylinder3"' in near.err


def test_whether_it_is_exact_is_said_wherever_a_probability_is(opened: Bay) -> None:
    """Drives in which every cylinder misfires, repairs between: too much for an exact pass."""
    codes = ("P0300", "P0301", "P0302", "P0303", "P0304", "P0171")
    drive = Ran(10.0, ("warm", "idle"), codes)
    events = [event for n in range(1, 4) for event in (drive, Replaced(f"plug{n}"))]
    with Shop() as shop:
        told = record(shop, lambda _job: [*events, drive])
    assert not told.exact
    sure = exactness(told.off_by, is_exact=False)
    assert sure in " ".join(show(told, Page()).split())
    assert sure in " ".join(opened.must("next").out.split())


def test_an_exact_one_says_nothing_of_it(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    for command in ("next", "why", "belief", "drive 15 --no-codes --what-if"):
        assert "exact" not in opened.must(command).out, command


def test_why_says_it_too() -> None:
    view = WhyView("RO-1", "plug3", "coil3", 0.5, -10.0, 0.0, (), exact=False, off_by=0.02)
    assert "50 % (not exact: off by at most 2.0 %)" in show(view, Page())


def test_a_bound_that_says_nothing_is_not_told() -> None:
    assert exactness(1.0, is_exact=False) == " (not exact)"
    assert exactness(0.011, is_exact=False) == " (not exact: off by at most 1.1 %)"


def test_draws_say_how_often_the_step_holds_and_what_is_sturdier(bay: Bay) -> None:
    """Whatever the draws, a step said to be sturdier loses less in the worst tenth of them."""
    bay.must("open RO-1 --layout inline-4")
    bay.must("drive 10 --when load --codes P0302")
    first = bay.must("next --json").facts
    drawn = bay.must("next --draws 20 --json").facts
    held = drawn["held"]
    assert drawn["steps"][0]["id"] == first["steps"][0]["id"]
    assert first["held"] is None
    assert (held["draws"], 0 <= held["holds"] <= 20) == (20, True)
    assert bool(held["instead"]) == (held["holds"] < 20)
    if held["sturdier"]:
        assert held["sturdier_above"] < held["above"]
    assert f"holds under {held['holds']} of 20 draws" in bay.must("next --draws 20").out


def test_the_worst_tenth_is_the_mean_of_the_worst_draws() -> None:
    above_ds = np.column_stack([np.arange(20.0), np.full(20, 3.0)])
    assert worst_tenth(above_ds).tolist() == [18.5, 3.0]
    assert worst_tenth(above_ds[:3]).tolist() == [2.0, 3.0]
