"""A plug tells of the cylinder in which it last ran, wherever it sits when it is looked at."""

from __future__ import annotations

import pytest

from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from tests.evidence.test_suspect import fault, job_of

OUT = ev.Ran(15, ("warm", "load"), ("P0303",))
SWAP = ev.Swapped((("plug3", "plug1"),))
STAYED = ev.Ran(15, ("warm", "load"), ("P0303",))


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def oily(pack: Pack, cylinder: int, *before: Event) -> dict[int, float]:
    """How far an oily plug raises the doubt about each cylinder's sealing."""
    plain = job_of(pack, *before)
    seen = job_of(pack, *before, ev.Inspected("plug-look", f"cylinder{cylinder}", "oil"))
    return {c: fault(seen, f"sealing{c}") - fault(plain, f"sealing{c}") for c in (1, 3)}


def test_after_a_swap_without_a_run_the_plug_tells_of_its_old_cylinder(pack: Pack) -> None:
    raised = oily(pack, 1, OUT, SWAP)
    assert raised[3] > 0.1
    assert abs(raised[1]) < 0.01


def test_after_a_run_it_tells_of_the_cylinder_where_it_sits(pack: Pack) -> None:
    raised = oily(pack, 3, OUT, SWAP, STAYED)
    assert raised[3] > 0.1 > abs(raised[1])
    assert oily(pack, 3, OUT, SWAP)[3] < 0.01


def test_before_any_recorded_run_it_tells_of_where_it_came_from(pack: Pack) -> None:
    raised = oily(pack, 1, SWAP)
    assert raised[3] > 0.01 > abs(raised[1])


def test_the_plug_itself_travels(pack: Pack) -> None:
    """What is wrong with the plug is seen wherever it sits."""
    moved = job_of(pack, OUT, SWAP, ev.Inspected("plug-look", "cylinder1", "cracked"))
    assert fault(moved, "plug3") > 0.7
    assert fault(moved, "plug1") < 0.1


def test_a_new_plug_that_has_not_run_tells_of_where_it_sits(pack: Pack) -> None:
    raised = oily(pack, 3, OUT, ev.Replaced("plug3"))
    assert raised[3] > 0.1
