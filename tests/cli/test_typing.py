"""What people type: it works as meant, or one line names the form that does."""

from __future__ import annotations

from typing import Any

import pytest
from cli.conftest import Bay

from swapinfer.commands.shop import Shop


def newest(count: int = 1) -> list[Any]:
    with Shop() as shop:
        return [event for _, event in shop.load().job.standing[-count:]]


RUNS = {
    "drive 10 --codes P0300 P0303": ("P0300", "P0303"),
    "drive 10 --codes P0300,P0303": ("P0300", "P0303"),
    "drive 10 --codes P0300, P0303": ("P0300", "P0303"),
    "drive 10 --codes P303": ("P0303",),
    "drive 10 --codes p303": ("P0303",),
    "drive 10 --codes none": (),
    "drive 10 min --codes none": (),
}


@pytest.mark.parametrize("line", RUNS)
def test_codes(opened: Bay, line: str) -> None:
    opened.must(line)
    (run,) = newest()
    assert (run.minutes, run.codes) == (10, RUNS[line])


def test_conditions_and_counters_by_spaces(opened: Bay) -> None:
    opened.must("drive 12,5 --when warm load --counts 1=0 2:140")
    (run,) = newest()
    assert (run.minutes, run.conditions, run.counts) == (12.5, ("warm", "load"), {1: 0, 2: 140})


READINGS = {
    "read compression 178 95 180 176": [("1", 178), ("2", 95), ("3", 180), ("4", 176)],
    "read compression 178 psi 95 psi 180 psi 176 psi": [
        ("1", 178), ("2", 95), ("3", 180), ("4", 176)
    ],
    "read compression 178 - 180 -": [("1", 178), ("3", 180)],
    "read compression 1=178 psi": [("1", 178)],
    "read compression 1=178 psi 2=95 psi": [("1", 178), ("2", 95)],
    "read compression 3:95": [("3", 95)],
    "read compression 3: 95": [("3", 95)],
    "read compression cylinder 3 = 95": [("3", 95)],
    "read compression 1=178,2=95,5": [("1", 178), ("2", 95.5)],
}  # fmt: skip


@pytest.mark.parametrize("line", READINGS)
def test_readings(opened: Bay, line: str) -> None:
    opened.must(line)
    wanted = READINGS[line]
    made = newest(len(wanted))
    assert [(event.target.removeprefix("cylinder"), event.value) for event in made] == wanted


def test_one_value_and_one_place(opened: Bay) -> None:
    opened.must("read fuel-pressure 55 psi")
    assert newest()[0].value == 55
    opened.must("inspect fuse-relay sound")
    assert (newest()[0].target, newest()[0].outcome) == ("engine", "sound")
    opened.must("inspect plug-look cylinder 3 oil")
    assert (newest()[0].target, newest()[0].outcome) == ("cylinder3", "oil")


def test_places_of_two_words_and_pairs(bay: Bay) -> None:
    bay.must("open RO-1 --layout v6 --ignition waste-spark")
    bay.must("swap coil-pack 1+4-2+5 plug 1-2")
    assert newest()[0].swaps == (("coil-pack1+4", "coil-pack2+5"), ("plug1", "plug2"))
    bay.must("replace coil-pack 1+4 --price 52,50")
    assert (newest()[0].place, newest()[0].price) == ("coil-pack1+4", 52.5)
    bay.must("reseat injector-wiring 3")
    assert newest()[0].place == "injector-wiring3"


NAMED = {
    "drive 10 P0303": "--codes P0303",
    "drive 10 --codes P0303 oops": "--codes",
    "read compression 178": "1=178",
    "read compression 178 95": "all 4 values",
    "read compression 1=178 95": "name=value",
    "read fuel-pressure 55 56": "one value",
    "inspect plug-look oil": "1 clean",
    "inspect fuse-relay sond": 'did you mean "sound"',
    "replace coil1 plug2": "one at a time",
    "replace coil1 --price much": "number",
    "replace coil1 --price 5psi": "52,50",
    "swap coil-pack 1+4 2+5": "coil-pack 1+4-2+5",
}


@pytest.mark.parametrize("line", NAMED)
def test_one_line_names_the_right_form(opened: Bay, line: str) -> None:
    told = opened(line)
    assert told.code not in (0, 1)
    assert len(told.err.strip().splitlines()) == 1, told.err
    assert NAMED[line] in told.err


COUNTED = {
    "drive 20 --codes P0301,P0302 --counts 2=140": ("cylinders 1 and 2 misfired", "P0302: not"),
    "drive 20 --codes P0301 --counts 2=0": ("cylinder 1 misfired, the others", ""),
    "drive 20 --codes P0300 --counts 1=0": ("cylinder 1 did not misfire; the code names no", ""),
    "drive 20 --codes P0300 --counts 1=0,2=0,3=140,4=0": ("cylinder 3 misfired", "P0300: not"),
    "drive 20 --counts 2=140": ("cylinder 2 misfired; nothing was read of cylinders 1, 3", ""),
    "drive 20 --no-codes --felt rough": ("a misfire was felt and no code set", ""),
    "drive 20 --counts 2=140 --felt rough": ("cylinder 2 misfired", 'felt "rough": kept, not'),
}


@pytest.mark.parametrize("line", COUNTED)
def test_codes_speak_for_the_cylinders_without_a_counter(opened: Bay, line: str) -> None:
    meaning, warning = COUNTED[line]
    told = opened.must(f"{line} --json").facts
    assert told["meaning"][0].startswith(meaning)
    assert any(warning in line for line in told["warnings"]) if warning else not told["warnings"]


def test_an_average_of_ten_cycles_is_no_count_of_a_drive(opened: Bay) -> None:
    """SAE J1979, service 06: test 0B averages ten driving cycles, 0C counts this or the last."""
    told = opened("drive 20 --counts '0B: 1=0,2=12'")
    assert told.code == 2
    assert "test 0B is the average of ten driving cycles" in told.err
    assert len(told.err.strip().splitlines()) == 1
    counted = opened.must("drive 20 --counts '0C: 1=0,2=140' --json").facts
    assert counted["meaning"][0].startswith("cylinder 2 misfired")
