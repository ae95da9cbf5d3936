"""What control units have stored is erased only on a typed word, and after it was recorded."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable

import jsonschema
import pytest
from docs.test_schemas import SHAPES

from swapinfer.commands.scan import WORD
from tests.bus.conftest import drive_in
from tests.bus.vehicle import Unit, Vehicle, engine_unit, gearbox_unit
from tests.cli.conftest import Bay

__all__ = ["drive_in"]

STATED = (
    "read what is stored: codes P0300 P0303, pending P0303, none permanent, "
    "misfire counts 1: 0, 2: 1, 3: 28, 4: 0, set in warm, load; "
    "read from unit 7E8 and 7E9; freeze frame P0303 (load 80 %, coolant 83 degC"
)


@pytest.fixture
def units(bay: Bay, drive_in: Callable[..., Vehicle]) -> tuple[Unit, Unit]:
    """A vehicle at the bay, ignition on and engine off, and a job for it."""
    engine, gearbox = engine_unit(), gearbox_unit()
    engine.now[0x0C] = b"\0\0"
    bay.must("open RO-1 --layout inline-4")
    bay.must(f"settings --set adapter=virtual:{drive_in(engine, gearbox).channel}")
    return engine, gearbox


def said(bay: Bay) -> list[str]:
    return [event["said"] for event in bay.must("show --json").facts["events"]][1:]


def has_erased(*units: Unit) -> bool:
    return any(request[0] == 4 for unit in units for request in unit.asked)


@pytest.mark.parametrize("word", ["", "--word yes", "--word 'erase everything'"])
def test_without_the_word_all_is_recorded_and_nothing_erased(
    bay: Bay, units: tuple[Unit, Unit], word: str
) -> None:
    told = bay(f"erase {word}")
    assert told.code == 11
    assert not has_erased(*units)
    assert "nothing was erased" in told.err.splitlines()[-1]
    for lost in ("stored and pending codes", "freeze frame", "misfire counters", "monitors"):
        assert lost in " ".join(told.err.split())
    (stated,) = said(bay)
    assert STATED in stated
    bay(f"erase {word}")
    assert said(bay)[1].startswith("control units state: unit 7E8: stored P0300 P0303, pending")
    assert "misfires 1: 0, 2: 1, 3: 28, 4: 0; unit 7E9: stored none" in said(bay)[1]


def test_with_the_word_all_is_recorded_before_it_is_erased(
    bay: Bay, units: tuple[Unit, Unit]
) -> None:
    told = bay.must(f"erase --word {WORD} --json").facts
    jsonschema.validate(told, SHAPES[told["shape"]])
    assert has_erased(*units)
    assert "erased in unit 7E8 and 7E9" in told["said"][0]
    stated, erased = said(bay)
    assert STATED in stated
    assert "erased" in erased
    assert "stored none pending none" in " ".join(bay.must("scan").out.split())


@pytest.mark.parametrize(("typed", "is_erased"), [(WORD, True), ("no", False), ("", False)])
def test_at_a_terminal_the_word_is_asked_for(
    bay: Bay,
    units: tuple[Unit, Unit],
    monkeypatch: pytest.MonkeyPatch,
    typed: str,
    is_erased: bool,
) -> None:
    typist = io.StringIO(f"{typed}\n")
    typist.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setattr(sys, "stdin", typist)
    told = bay("erase")
    assert f'Type "{WORD}"' in told.err
    assert told.code == (0 if is_erased else 11)
    assert has_erased(*units) == is_erased


def test_an_engine_that_runs_is_left_alone(bay: Bay, units: tuple[Unit, Unit]) -> None:
    units[0].now[0x0C] = bytes.fromhex("0BB8")
    told = bay(f"erase --word {WORD}")
    assert told.code == 13
    assert "the engine runs" in told.err
    assert not has_erased(*units)
    assert not said(bay)


def test_a_unit_that_refuses_or_says_nothing_is_told(bay: Bay, units: tuple[Unit, Unit]) -> None:
    engine, gearbox = units
    engine.erases = b"\x7f\x04\x22"
    told = bay.must(f"erase --word {WORD}")
    assert "erased in unit 7E9" in " ".join(told.out.split())
    assert "unit 7E8: refuses to erase: conditions not right" in " ".join(told.out.split())
    gearbox.erases = None
    told = bay(f"erase --word {WORD}")
    assert told.code == 13
    assert "unit 7E9: does not say whether it erased anything" in told.err.splitlines()[-1]
    assert len(said(bay)) == 3, "what was read before stays recorded"


def test_without_a_job_nothing_is_read_or_erased(
    bay: Bay, drive_in: Callable[..., Vehicle]
) -> None:
    engine = engine_unit()
    told = bay(f"erase --bus virtual:{drive_in(engine).channel} --word {WORD}")
    assert told.code == 9
    assert not has_erased(engine)
