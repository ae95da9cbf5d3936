"""The shop's settings: shown, changed by name, and written by answering a few questions."""

from __future__ import annotations

import io
import json
import re
import stat
import tomllib

import pytest
from cli.conftest import Bay

ANSWERS = "Quay Garage\neur\n0,92\n95,50\n180\n2\n3 4\n"


def test_changed_by_name_and_read_back(bay: Bay) -> None:
    assert not bay.must("settings --json").facts["exists"]
    bay.must(
        "settings --set rate_per_hour=99 --set part_prices.coil=40 --set missing-tools=fuel-gauge"
    )
    told = bay.must("settings --json").facts
    assert told["exists"]
    assert told["values"]["rate_per_hour"] == 99.0
    assert told["values"]["part_prices"] == {"coil": 40.0}
    assert told["values"]["missing_tools"] == ["fuel-gauge"]
    bay.must("settings --set rate_per_hour= --set part_prices.coil=")
    told = bay.must("settings --json").facts
    assert told["values"]["rate_per_hour"] is None
    assert told["values"]["part_prices"] == {}


def test_file_is_private_and_plain_toml(bay: Bay) -> None:
    bay.must("settings --set currency=EUR --set exchange=0,92")
    path = bay.folder / "settings.toml"
    assert tomllib.loads(path.read_text())["currency"] == "EUR"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


BAD = {
    "no such setting": ("settings --set rat=5", "unknown setting"),
    "not a pair": ("settings --set rate_per_hour", "name=value"),
    "word for a number": ("settings --set comeback=much", "number"),
    "negative": ("settings --set comeback=-5", "negative"),
    "unit": ("settings --set pressure=pso", "psi, kPa, bar"),
    "currency": ("settings --set currency=dollars", "three letters"),
    "tool": ("settings --set missing_tools=hammer", "hammer"),
    "currency without a rate": ("settings --set currency=EUR", "how many EUR one USD is worth"),
    "rate of nothing": ("settings --set currency=EUR --set exchange=0", "exchange must be between"),
    "rate far off": ("settings --set rate_per_hour=84.000,5", "must be a number"),
    "slip": ("settings --set rate_per_hour=84000", "at most USD 12,000"),
    "price of nothing": ("settings --set part_prices=40", "as in part_prices.coil=40"),
    "part": ("settings --set part_prices.coyl=40", 'did you mean "coil"'),
    "probability": ("settings --set established=0.3", "0.5"),
    "store": ("settings --set store=mysql://shop", "postgresql://"),
    "adapter": ("settings --set adapter=can0", "socketcan:can0"),
    "name": ("settings --set technician=" + "x" * 300, "technician"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_value_is_one_line_and_nothing_is_written(bay: Bay, name: str) -> None:
    line, word = BAD[name]
    told = bay(line)
    assert told.code == 2
    assert word in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert not (bay.folder / "settings.toml").exists()


BAD_FILE = {
    "price": ('part_prices = { coil = "dear" }', "part_prices.coil must be a number"),
    "currency": ('currency = "EURO"', "three letters"),
    "list": ('missing_tools = "hammer"', "a list of words"),
    "unknown": ("rat = 5", "unknown setting"),
    "no TOML": ("rat =", "Invalid value"),
}


@pytest.mark.parametrize("name", BAD_FILE)
def test_a_bad_file_is_named_in_one_line_and_settings_run(bay: Bay, name: str) -> None:
    line, word = BAD_FILE[name]
    path = bay.folder / "settings.toml"
    path.write_text(line, encoding="utf-8")
    told = bay("jobs")
    assert told.code == 2
    assert str(path) in told.err
    assert word in told.err
    assert len(told.err.strip().splitlines()) == 1
    (problem,) = bay.must("settings --json").facts["problems"]
    assert word in problem


def test_what_cannot_be_read_stays_in_the_file_until_it_is_set(bay: Bay) -> None:
    path = bay.folder / "settings.toml"
    path.write_text('rat = [1.5, true]\ndecimal = 5\nshop = "Quay"\n', encoding="utf-8")
    assert len(bay.must("settings --set rate_per_hour=99 --json").facts["problems"]) == 2
    kept = tomllib.loads(path.read_text(encoding="utf-8"))
    assert (kept["rat"], kept["decimal"], kept["shop"]) == ([1.5, True], 5, "Quay")
    assert not bay.must("settings --set rat= --set decimal=, --json").facts["problems"]
    bay.must("open RO-1")


def test_a_folder_is_no_store(bay: Bay) -> None:
    told = bay(f"settings --set store={bay.folder}")
    assert told.code == 3
    assert "folder" in told.err
    assert not (bay.folder / "settings.toml").exists()


def test_a_file_that_is_no_toml_is_not_written_over(bay: Bay) -> None:
    path = bay.folder / "settings.toml"
    path.write_text("shop = Quay", encoding="utf-8")
    assert bay("settings --set shop=Quay").code == 2
    assert path.read_text(encoding="utf-8") == "shop = Quay"


def test_settings_mend_an_overlay_that_is_gone(bay: Bay) -> None:
    overlay = bay.folder / "ours.toml"
    overlay.write_text("format = 1\n[costs]\nrate_per_hour = 99\n", encoding="utf-8")
    assert bay(f"settings --set overlays={overlay}x").code == 7
    bay.must(f"settings --set overlays={overlay}")
    overlay.unlink()
    (problem,) = bay.must("settings --json").facts["problems"]
    assert str(overlay) in problem
    bay.must("settings --set comeback=180")
    assert not bay.must("settings --set overlays= --json").facts["problems"]


def test_seven_questions_in_another_currency(bay: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(ANSWERS))
    told = bay.must("settings --ask")
    assert told.out.count("\n> ") + told.out.startswith("> ") == 7
    values = bay.must("settings --json").facts["values"]
    assert values["shop"] == "Quay Garage"
    assert (values["currency"], values["exchange"]) == ("EUR", 0.92)
    assert (values["rate_per_hour"], values["comeback"]) == (95.5, 180.0)
    assert (values["pressure"], values["distance"]) == ("kPa", "km")
    assert values["missing_tools"] == ["multimeter", "test-lamp"]


def test_six_questions_with_wrong_answers_and_enter_keeps_what_is(
    bay: Bay, monkeypatch: pytest.MonkeyPatch
) -> None:
    bay.must("settings --set rate_per_hour=77")
    monkeypatch.setattr("sys.stdin", io.StringIO("\ndollars\nUSD\n\n-3\n\n\nall\n\n"))
    told = bay.must("settings --ask")
    assert "three letters" in told.out
    assert "must not be negative" in told.out
    assert "numbers from 1" in told.out
    assert bay.must("settings --json").facts["values"]["rate_per_hour"] == 77.0


def test_leaving_halfway_writes_nothing(bay: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("Quay Garage\nEUR\n0.92\n"))
    bay.must("settings --ask")
    assert not (bay.folder / "settings.toml").exists()


def test_settings_reach_the_plan(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    before = opened.must("next --json").facts
    opened.must("settings --set currency=EUR --set exchange=1 --set rate_per_hour=240")
    after = opened.must("next --json").facts
    assert (before["currency"], after["currency"]) == ("USD", "EUR")
    assert after["steps"][0]["expected_total"] > before["steps"][0]["expected_total"]


def test_a_write_up_follows_the_shops_decimal_sign_and_dates(opened: Bay) -> None:
    opened.must("settings --set decimal=,")
    opened.must("settings --set dates=dmy")
    file = opened.folder / "claim.md"
    opened.must(f"claim --md {file}")
    text = file.read_text(encoding="utf-8")
    assert re.search(r"\b\d{2}/\d{2}/\d{4}\b", text)
    assert re.search(r"\d,\d %", text)
    assert not re.search(r"\d\.\d %", text)


def test_a_write_up_can_set_the_customary_order_beside_its_cost(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    file = opened.folder / "claim.json"
    opened.must(f"claim --json-file {file} --compare 3")
    comparison = json.loads(file.read_text(encoding="utf-8"))["settings"]["comparison"]
    assert comparison["jobs"] == 3
    assert 0 < comparison["low"] <= comparison["mean"] <= comparison["high"]
    assert opened(f"claim verify {file}").code == 0


def test_a_level_that_establishes_nothing_is_refused(opened: Bay) -> None:
    (opened.folder / "settings.toml").write_text("established = 0.3", encoding="utf-8")
    told = opened(f"claim --md {opened.folder / 'claim.md'}")
    assert told.code == 2
    assert "0.3" in told.err
