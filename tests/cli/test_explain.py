"""Every word explained, every test listed: what is asked for is what is told."""

from __future__ import annotations

import re

import pytest
from cli.conftest import Bay

from swapinfer.commands.explain import all_entries, read_glossary
from swapinfer.errors import SwapinferError
from swapinfer.pack.load import load_pack

KNOWN = {
    "swaps": ("word", "change places"),
    "P0303": ("code", "cylinder 3"),
    "p0351": ("code", "1"),
    "P1777": ("code", "no weight"),
    "compression": ("reading", "swapinfer tests compression"),
    "plug-look": ("inspection", "plug"),
    "breakdown": ("mode", "load"),
    "tip-in": ("condition", "pedal"),
    "better": ("how a drive felt", "5 times"),
    "intermittent": ("severity", "0.08"),
    "9": ("exit code", "job"),
    "inline-4": ("layout", "four in line"),
    "waste-spark": ("ignition kind", "two cylinders"),
}


@pytest.mark.parametrize("term", KNOWN)
def test_terms_of_every_sort(bay: Bay, term: str) -> None:
    """P0303 is "Cylinder 3 Misfire Detected" in SAE J2012."""
    sort, word = KNOWN[term]
    entries = bay.must(f"explain {term} --json").facts["entries"]
    assert any(sort in entry["sort"] and word in entry["text"] for entry in entries), entries


def test_near_match(bay: Bay) -> None:
    told = bay("explain compresion")
    assert told.code == 2
    assert 'did you mean "compression"' in told.err


def test_glossary_is_in_order_and_explains_by_other_words() -> None:
    words = read_glossary()
    assert list(words) == sorted(words)
    assert all(len(text.split()) >= 4 for text in words.values())


def test_everything_a_pack_names_can_be_explained() -> None:
    pack = load_pack()
    terms = {entry.term for entry in all_entries(pack)}
    assert terms.issuperset(pack.tests)
    assert terms.issuperset(pack.kinds)
    assert terms.issuperset(pack.running.conditions)
    assert terms.issuperset(set(pack.feelings) - {"complaint"})
    codes = {cls.exit_code for cls in [SwapinferError, *SwapinferError.__subclasses__()]}
    assert terms.issuperset(map(str, codes))


def test_tests_of_this_engine_least_work_first(opened: Bay) -> None:
    listed = opened.must("tests --json").facts["tests"]
    minutes = [test["minutes"] for test in listed]
    assert minutes == sorted(minutes)
    assert not any("coil-pack" in test["target"] for test in listed), "no paired coils here"
    opened.must("settings --set missing_tools=compression-gauge")
    listed = opened.must("tests --json").facts["tests"]
    assert "compression gauge" in " ".join(listed[-1]["lacking"])


def test_one_test_in_full_and_its_example_runs(opened: Bay) -> None:
    told = opened.must("tests plug-look --json").facts
    assert told["steps"]
    assert told["cautions"]
    assert told["outcomes"]["oil"] == "oily black"
    opened.must(told["example"].removeprefix("swapinfer "))
    supply = opened.must("tests coil-supply --json").facts["expected"]
    assert supply == "about what the other cylinders read"
    pressure = opened.must("tests fuel-pressure --json").facts["expected"]
    assert re.fullmatch(r"[\d.]+ to [\d.]+ psi", pressure)
    assert opened("tests compresion").code == 2


def test_access_that_is_open_makes_a_test_easier(opened: Bay) -> None:
    before = opened.must("tests compression --json").facts["minutes"]
    opened.must("inspect plug-look 3 clean")
    assert opened.must("tests compression --json").facts["minutes"] < before
