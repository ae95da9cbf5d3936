"""Prices as typed at the shell and in guided work; amounts on a write-up in the shop's currency."""

from __future__ import annotations

import json

import pytest
from cli.conftest import Bay

from swapinfer.commands.questions import _price
from swapinfer.errors import InputError


@pytest.mark.parametrize(
    ("price", "word"),
    [("-5", "not be negative"), ("1e12", "at most"), ("30000", "at most USD"), ("inf", "number")],
)
def test_prices_that_cannot_be_are_one_line(opened: Bay, price: str, word: str) -> None:
    told = opened(f"replace coil3 --price={price}")
    assert told.code == 2
    assert len(told.err.splitlines()) == 1
    assert word in told.err


def test_a_price_may_have_a_comma(opened: Bay) -> None:
    opened.must("replace coil3 --price 52,50")
    file = opened.folder / "claim.md"
    opened.must(f"claim --md {file}")
    assert "52\\.50 USD" in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("typed", "price"),
    [("52,50", 52.5), ("EUR 52.50", 52.5), ("52 $", 52.0), ("1,250.00", 1250.0), ("-", None)],
)
def test_guided_work_takes_a_price_with_its_sign(typed: str, price: float | None) -> None:
    assert _price(typed) == price


@pytest.mark.parametrize("typed", ["-5", "EUR -5", "cheap", "1e300", "5 or 6"])
def test_guided_work_refuses_what_is_no_price(typed: str) -> None:
    with pytest.raises(InputError, match="price"):
        _price(typed)


def test_a_write_up_counts_at_the_shops_rate_and_can_be_verified(opened: Bay) -> None:
    for line in ("drive 15 --when warm,load --codes P0303", "replace plug3", "drive 20 --no-codes"):
        opened.must(line)
    file = opened.folder / "claim.json"
    spent = []
    for rate in ("", "settings --set currency=EUR --set exchange=0,5 --set part_prices.plug=7"):
        if rate:
            opened.must(rate)
        opened.must(f"claim --json-file {file}")
        spent.append(json.loads(file.read_text(encoding="utf-8"))["facts"]["spent"])
    dollars, euros = spent
    assert (euros["currency"], euros["parts"]) == ("EUR", 7.0)
    assert euros["labour"] == pytest.approx(0.5 * dollars["labour"])
    assert euros["other"] == pytest.approx(0.5 * dollars["other"])
    opened.must(f"claim verify {file}")
