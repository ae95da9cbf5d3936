"""A vehicle that comes back says that its repair did not cure it, code or no code."""

from __future__ import annotations

import pytest
from cli.conftest import Bay

from swapinfer import JobCard, Opened, Ran, Swapped, belief
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import Closed, Reopened, Replaced

OPENING = Opened(
    "RO-7",
    "inline-4",
    {"ignition": "coil-on-plug", "fuel": "port"},
    odometer_km=148_000.0,
    driven_km=300.0,
)
WORK = (
    Ran(15, ("warm",), ("P0303",)),
    Swapped((("coil3", "coil2"),)),
    Ran(15, ("warm",), ("P0303",)),
    Replaced("plug3"),
)
CLOSED = (Ran(90, ("warm",), (), pending=()), Closed(("plug3",), ("worn",), verified=True))
LINES = (
    "open RO-7 --odometer '148000 km' --driven '300 km'",
    "drive 15 --when warm --codes P0303",
    "swap coil 3-2",
    "drive 15 --when warm --codes P0303",
    "replace plug3",
    "drive 90 --when warm --no-codes",
    "close --cause plug3 --mode worn --verified",
)


def faults(*later: Event) -> dict[str, float]:
    """Probability of each element's being, or having been, at fault, after a repair and more."""
    frame = belief(JobCard.open(OPENING).then(*WORK, *later))
    return dict(zip(frame["element"], frame["fault"], strict=True))


@pytest.fixture
def closed(bay: Bay) -> Bay:
    """A plug was replaced, the drive after it was clean, and the job closed."""
    for line in LINES:
        bay.must(line)
    return bay


def test_the_repair_falls_the_other_suspects_rise_and_nothing_is_handed_over(closed: Bay) -> None:
    told = closed.must("reopen 'rough again' --driven '480 km' --json").facts
    assert any("plug from cylinder 3" in said for said in told["meaning"])
    assert told["before"][0]["element"] == "plug3"
    before = {cause["element"]: cause["probability"] for cause in told["before"]}
    after = {cause["element"]: cause["probability"] for cause in told["after"]}
    assert after["plug3"] < 0.7 * before["plug3"]
    others = [element for element in after if element != "plug3"]
    assert others
    assert all(after[element] > 5.0 * before[element] for element in others)
    assert told["next"]["minutes"] > 0
    silent = closed.must("drive 480 --no-codes --felt rough --json").facts
    assert silent["next"]["minutes"] > 0
    assert "hand" not in closed.must("next").out.split("next:")[1].splitlines()[0]
    assert closed("close --cause plug3 --verified").code not in (0, 1)


def test_from_python_it_is_the_same(closed: Bay) -> None:
    told = closed.must("reopen 'rough again' --driven '480 km' --json").facts
    mine = faults(*CLOSED, Reopened("rough again", driven_km=480.0))
    for cause in told["after"]:
        assert cause["probability"] == pytest.approx(mine[cause["element"]], abs=1e-9)


@pytest.mark.parametrize(
    ("told", "same"),
    [
        (Reopened(odometer_km=148_480.0), Reopened(driven_km=480.0)),
        (Reopened(odometer_km=120_000.0), Reopened()),
        (Reopened(days=12.0), Reopened(driven_km=480.0)),
        (Reopened(days=1.0, odometer_km=148_480.0), Reopened(driven_km=480.0)),
    ],
    ids=["the clock", "a clock turned back", "days", "days and the clock"],
)
def test_how_far_it_was_driven_may_be_told_in_several_ways(told: Reopened, same: Reopened) -> None:
    """Twelve days are 480 km at the pack's 40 km a day."""
    assert faults(*CLOSED, told) == pytest.approx(faults(*CLOSED, same), abs=1e-12)


def test_any_return_speaks_against_the_repair_and_a_late_one_less() -> None:
    """What failed on the way is as likely as the way is long: hazards add up."""
    held, soon = faults(*CLOSED)["plug3"], faults(*CLOSED, Reopened(driven_km=300.0))["plug3"]
    late = faults(*CLOSED, Reopened(driven_km=60_000.0))["plug3"]
    assert soon < late < held


def test_a_return_is_no_drive_and_a_closing_undone_is_no_return(closed: Bay) -> None:
    before = faults(*CLOSED)
    closed.must("undo")
    shown = closed.must("belief --json").facts["causes"]
    assert shown[0]["probability"] == pytest.approx(before[shown[0]["element"]], abs=1e-9)
    closed.must("close --cause plug3 --verified")
    closed.must("reopen")
    runs = [e for e in closed.must("show --json").facts["events"] if e["event"] == "ran"]
    assert len(runs) == 3


def test_what_was_felt_outweighs_a_code_that_is_missing() -> None:
    """After a repair a drive without a code speaks for it, but not where it felt rough."""
    repaired = faults()["plug3"]
    assert repaired < faults(Ran(60, ("warm",), (), pending=()))["plug3"]
    assert repaired > faults(Ran(60, ("warm",), (), felt="rough", pending=()))["plug3"]
    smooth = faults(Ran(60, ("warm",), (), felt="smooth", pending=()))["plug3"]
    assert smooth == pytest.approx(faults(Ran(60, ("warm",), (), pending=()))["plug3"], abs=1e-12)
