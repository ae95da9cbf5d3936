"""Readings at the shell: what is taken over, what is refused, what is asked about once."""

from __future__ import annotations

import os
import re
import sys

import pexpect
import pytest
from cli.conftest import Bay

from swapinfer.commands.shop import Shop
from swapinfer.ledger import events as ev

PROGRAM = "from swapinfer.commands import main; main()"


def measured() -> list[ev.Measured]:
    with Shop() as shop:
        standing = shop.load().job.standing
    return [event for _, event in standing if isinstance(event, ev.Measured)]


def test_battery_of_the_same_day_is_taken_over_and_said(opened: Bay) -> None:
    assert "--against" in opened("read coil-supply 3=12.4V").err
    told = opened.must("read coil-supply 3=12.4V --against 12.5V")
    assert "a good one reads 12.2 to 12.5 V at 12.5 V" in told.out
    told = opened.must("read injector-supply 3=12.3V")
    assert "note: against the battery's 12.5 V of " in told.out
    assert "event 1" in told.out
    assert [event.reference for event in measured()] == [12.5, 12.5]
    opened.must("undo 2")
    opened.must("undo 1")
    assert opened("read coil-supply 3=12.4V").code == 2, "what is undone is not taken over"


def test_battery_of_another_day_is_not_taken_over(opened: Bay) -> None:
    event = ev.Measured("coil-supply", "cylinder3", 12.4, "12.4V", reference=12.5)
    with Shop() as shop:
        loaded = shop.load()
        shop.store.append(
            loaded.id,
            (event.type, event.to_json()),
            who="T. Echnician",
            at="2020-02-01T09:00:00+00:00",
            pack=loaded.records[0].pack,
            expect_seq=1,
            summary={},
        )
    told = opened("read coil-supply 1=12.4V")
    assert told.code == 2
    assert "--against" in told.err


def test_wanted_figure_holds_for_the_job(opened: Bay) -> None:
    told = opened.must("read fuel-pressure 54psi --wanted 58psi")
    assert "58 psi wanted" in told.out
    told = opened.must("read fuel-pressure 3.7bar")
    assert "where 3.999 bar is wanted" in told.out
    assert "note: against the maker's figure of 58 psi, event 1" in told.out
    told = opened.must("read fuel-pressure 3.7bar --wanted 3bar")
    assert "note: against" not in told.out
    told = opened.must("show")
    assert "43.51 psi wanted" in " ".join(told.out.split())
    file = opened.folder / "claim.md"
    opened.must(f"claim --md {file}")
    assert "fuel pressure, 58 psi wanted" in file.read_text(encoding="utf-8")


def test_a_doubtful_value_is_refused_without_a_terminal_and_taken_by_insisting(
    opened: Bay,
) -> None:
    told = opened("read compression 1=12 2=11.8 3=6 4=12.1")
    assert told.code == 11
    assert told.out == ""
    assert "write 12bar or 12psi; to insist add --yes" in told.err
    assert measured() == []
    opened.must("read compression 3=12 --yes")
    assert measured()[0].value == 12
    opened.must("read compression 3=12psi")


@pytest.mark.parametrize(("answer", "taken"), [("y", 1), ("n", 0), ("", 0)])
def test_at_a_terminal_it_is_asked_once(opened: Bay, answer: str, taken: int) -> None:
    assert opened.folder
    here = {**os.environ, "COLUMNS": "80", "TERM": "dumb", "NO_COLOR": "1"}
    child = pexpect.spawn(
        sys.executable,
        ["-c", PROGRAM, "read", "compression", "3=12"],
        env=here,
        encoding="utf-8",
        timeout=120,
        dimensions=(24, 80),
    )
    child.expect(r"write 12bar or 12psi\.\s+Record it as typed\? \[y/N\]:")
    child.sendline(answer)
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == (0 if taken else 11)
    assert len(measured()) == taken


def test_bare_numbers_are_in_the_shops_units(bay: Bay) -> None:
    bay.must("settings --set pressure=bar --set distance=mi")
    bay.must("open RO-1 --odometer 92000 --driven 100 --newer coil2=1000")
    with Shop() as shop:
        opening = shop.load().job.opening
    assert opening.odometer_km == pytest.approx(92_000 * 1.609344)
    assert opening.driven_km == pytest.approx(160.9344)
    assert opening.newer["coil2"] == pytest.approx(1609.344)
    told = bay.must("read compression 1=12.1 2=12 3=6 4=12.2")
    assert "174 psi (entered as 12 bar)" in told.out
    assert "bar here" in told.out
    assert "cylinder sealing, cylinder 3" in told.out


def test_units_that_nobody_chose_are_shown_as_usual(bay: Bay) -> None:
    bay.must("settings --set shop=Yard")
    assert re.search(r"pressure +psi \(by default\)", bay.must("settings").out)
    assert bay.must("settings --json").facts["values"]["pressure"] == ""
    bay.must("open RO-1 --odometer 92000 --fuel direct")
    bay.must("read rail-pressure 5000")
    assert measured()[0].value == 5000


def test_plug_is_named_by_its_place(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    opened.must("swap plug 3-1")
    told = opened.must("inspect plug-look plug1 oil")
    assert "this spark plug last ran in cylinder 3, so this tells of that one" in told.out
    assert "for the cylinder sealing, cylinder 3 (" in " ".join(told.out.split())
