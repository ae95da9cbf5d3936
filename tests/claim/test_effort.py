"""Time and cost against sums worked by hand from the pack's own figures."""

from __future__ import annotations

import numpy as np
import pytest

from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger import events as ev
from tests.claim.jobs import base_pack, claim_of, opening


def test_a_swap_a_drive_and_a_replacement() -> None:
    """The cover comes off once, may stay off while driving, and goes back on at the end."""
    events = [
        opening(),
        ev.Swapped((("coil3", "coil1"),)),
        ev.Ran(20, (), ("P0301",)),
        ev.Replaced("coil1", 70.0),
    ]
    spent = claim_of(events, ClaimSettings(currency="EUR", rate_per_hour=90.0)).facts.spent
    pack = base_pack()
    coil, costs = pack.kinds["coil"], pack.costs
    cover = pack.access[coil.access]
    assert cover.stays_open
    assert not cover.needs
    minutes = {line.work: line.minutes for line in spent.lines}
    assert minutes == {
        "testing": costs.read_minutes,
        "moving": coil.swap_minutes,
        "repairing": coil.fix.minutes,
        "access": cover.open_minutes + cover.close_minutes,
        "driving": 20.0,
    }
    assert spent.minutes == pytest.approx(sum(minutes.values()))
    assert spent.labour == pytest.approx(spent.minutes * 1.5)
    assert spent.other == pytest.approx(20 * costs.drive_cost_per_min)
    assert spent.total == pytest.approx(spent.labour + 70.0 + spent.other)
    assert (spent.currency, spent.parts_priced, spent.parts_fitted) == ("EUR", 1, 1)


def test_a_sitting_of_one_test_costs_its_access_once() -> None:
    events = [opening(), *(ev.Measured("compression", f"cylinder{c}", 170.0) for c in (1, 2, 3))]
    spent = claim_of(events).facts.spent
    pack = base_pack()
    test = pack.tests["compression"]
    opened, todo = set(), [test.access]
    while todo:
        name = todo.pop()
        opened.add(name)
        todo += pack.access[name].needs
    minutes = {line.work: line.minutes for line in spent.lines}
    assert minutes["testing"] == pytest.approx(test.minutes + 2 * test.minutes_each)
    assert minutes["access"] == pytest.approx(
        sum(pack.access[name].open_minutes + pack.access[name].close_minutes for name in opened)
    )


def test_parts_without_a_price_count_at_a_typical_one() -> None:
    spent = claim_of([opening(), ev.Replaced("coil2")]).facts.spent
    assert spent.parts == base_pack().kinds["coil"].fix.price[1]
    assert (spent.parts_priced, spent.parts_fitted) == (0, 1)


@pytest.mark.parametrize(
    "swaps",
    [
        (("coil3", "coil1"), ("coil2", "coil4")),
        (("coil3", "coil1"), ("injector2", "injector4")),
        (("injector1", "injector2"), ("injector2", "injector3"), ("injector3", "injector4")),
    ],
    ids=["one kind", "two kinds", "all around"],
)
def test_putting_back_costs_as_much_as_the_exchanges_that_it_takes(
    swaps: tuple[tuple[str, str], ...],
) -> None:
    swapped = [opening(), ev.Swapped(swaps)]
    out, back = claim_of(swapped).facts, claim_of([*swapped, ev.Returned()]).facts
    moving = [{line.work: line.minutes for line in f.spent.lines}["moving"] for f in (out, back)]
    assert moving[1] == pytest.approx(2 * moving[0])


def test_a_repair_costs_what_the_mode_that_was_found_takes() -> None:
    """Setting a valve's clearance is no matter of taking the head off."""
    closed = ev.Closed(("sealing1",), ("tight-valve",))
    with np.errstate(invalid="ignore"):  # a new head cannot be bad: its odds are -inf throughout
        facts = claim_of([opening(), ev.Replaced("sealing1"), closed]).facts
    pack = base_pack()
    fix = pack.kinds["sealing"].modes["tight-valve"].fix
    assert fix is not None
    minutes = {line.work: line.minutes for line in facts.spent.lines}
    opened = [pack.access[name] for name in ("engine-cover", "ignition-off", "valve-cover")]
    assert minutes["repairing"] == fix.minutes
    assert minutes["access"] == sum(one.open_minutes + one.close_minutes for one in opened)
    assert facts.spent.parts == fix.price[1]
    assert facts.spent.unclear == ()
    assert [repair.what for repair in facts.repairs] == [fix.title]


def test_where_the_mode_is_not_known_the_range_is_said() -> None:
    with np.errstate(invalid="ignore"):  # a new head cannot be bad: its odds are -inf throughout
        claim = claim_of([opening(), ev.Replaced("sealing1")])
    (unclear,) = claim.facts.spent.unclear
    assert "sealing" in unclear.label
    pack = base_pack()
    assert unclear.low < pack.kinds["sealing"].fix.minutes < unclear.high
    said = str(claim.document)
    assert "failed is not known" in said
