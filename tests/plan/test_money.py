"""A shop in another currency: every amount of the priors counts at its rate, everywhere alike."""

from __future__ import annotations

from typing import Any

import pytest

from swapinfer.claim.settings import ClaimSettings
from swapinfer.errors import InputError
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import replay
from swapinfer.pack.model import Pack
from swapinfer.pack.money import OwnMoney
from swapinfer.pack.tables import decode, encode
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, next_steps
from swapinfer.posterior import infer
from swapinfer.simulate.play import customary_results
from tests.claim.jobs import claim_of, opening

RATE = 0.5
"""A power of two, so that what is multiplied by it is halved to the last digit."""

AMOUNTS = {
    "price", "consumables", "rate_per_hour", "drive_cost_per_min", "comeback", "diagnosis_cap",
    "reseat_price", "condition_price",
}  # fmt: skip
"""Keys of priors files that docs/pack-format.md calls money."""

HALF = OwnMoney(currency="EUR", exchange=RATE)
SEEN = [
    opening(),
    ev.Ran(15.0, ("warm", "load"), ("P0303",)),
    ev.Measured("coil-primary", "coil3", 0.6),
]


def by_hand(table: Any) -> Any:  # noqa: ANN401
    """Multiply every amount of a pack's tables, found by its key."""
    if isinstance(table, dict):
        return {
            key: halved(value) if key in AMOUNTS else by_hand(value) for key, value in table.items()
        }
    return table


def halved(value: Any) -> Any:  # noqa: ANN401
    if isinstance(value, dict):
        return {key: RATE * one for key, one in value.items()}
    return [RATE * one for one in value] if isinstance(value, list) else RATE * value


@pytest.fixture(scope="module")
def in_euros(pack: Pack) -> Pack:
    table = by_hand(encode(pack) | {"provenance": {}})
    table["costs"]["currency"] = "EUR"
    return decode({**table, "digest": ""})


def planned(pack: Pack, settings: PlanSettings, events: list[Event]) -> Plan:
    evidence = gather_evidence(replay(enumerate(events), pack))
    return next_steps(evidence, infer(evidence.arrays), settings)


def test_a_plan_is_that_of_a_pack_whose_amounts_were_all_rewritten(
    pack: Pack, in_euros: Pack
) -> None:
    converted = planned(pack, PlanSettings.of_shop(pack, HALF), SEEN)
    rewritten = planned(in_euros, PlanSettings(in_euros.costs), SEEN)
    assert converted.currency == rewritten.currency == "EUR"
    assert converted.steps == rewritten.steps
    assert converted.forecast == rewritten.forecast
    before = planned(pack, PlanSettings(pack.costs), SEEN)
    assert [step.id for step in before.steps] == [step.id for step in converted.steps]
    assert converted.best.expected_total == pytest.approx(RATE * before.best.expected_total)


def test_what_the_shop_typed_is_taken_as_typed(pack: Pack) -> None:
    own = OwnMoney("EUR", RATE, rate_per_hour=90.0, comeback=100.0, part_prices={"coil": 33.0})
    settings = PlanSettings.of_shop(pack, own)
    assert (settings.costs.rate_per_hour, settings.costs.comeback) == (90.0, 100.0)
    assert settings.costs.diagnosis_cap == RATE * pack.costs.diagnosis_cap
    assert settings.part_prices == {"coil": 33.0}
    assert settings.costs.needless_part == pack.costs.needless_part


def test_simulated_vehicles_cost_half(pack: Pack) -> None:
    job = replay(enumerate(SEEN), pack)
    dollars, euros = (
        [one.cost for one in customary_results(job, settings, 3, seed=3)]
        for settings in (PlanSettings(pack.costs), PlanSettings.of_shop(pack, HALF))
    )
    assert euros == pytest.approx([RATE * cost for cost in dollars])


def test_a_write_up_counts_the_same_amounts() -> None:
    work = [
        *SEEN,
        ev.Replaced("plug3"),
        ev.Reseated("coil-wiring3"),
        ev.Ran(20.0, (), (), pending=()),
    ]
    dollars = claim_of(work).facts.spent
    euros = claim_of(work, ClaimSettings(currency="EUR", exchange=RATE)).facts.spent
    assert euros.currency == "EUR"
    assert euros.total == pytest.approx(RATE * dollars.total)
    assert (euros.parts, euros.other) == (RATE * dollars.parts, RATE * dollars.other)
    own = ClaimSettings(currency="EUR", exchange=RATE, part_prices={"plug": 7.0})
    assert claim_of(work, own).facts.spent.parts == 7.0


def test_another_currency_is_refused_without_a_rate(pack: Pack) -> None:
    with pytest.raises(InputError, match="how many EUR one USD is worth"):
        OwnMoney(currency="EUR").costs(pack)
    assert OwnMoney(currency="USD").costs(pack) == pack.costs
    assert OwnMoney("EUR", 1.0).costs(pack).comeback == pack.costs.comeback


SLIPS = [
    OwnMoney(comeback=-1.0),
    OwnMoney(rate_per_hour=52_000.0),
    OwnMoney(diagnosis_cap=8e7),
    OwnMoney(part_prices={"coil": 45_000.0}),
    OwnMoney("EUR", 0.001, rate_per_hour=84.0),
]


@pytest.mark.parametrize("own", SLIPS)
def test_figures_far_beyond_the_priors_are_slips(pack: Pack, own: OwnMoney) -> None:
    with pytest.raises(InputError, match=r"must (not be negative|be at most)"):
        own.check(pack)


def test_a_currency_of_many_digits_has_room(pack: Pack) -> None:
    OwnMoney("XTS", 15_000.0, rate_per_hour=900_000.0, part_prices={"coil": 1_200_000.0}).check(
        pack
    )
