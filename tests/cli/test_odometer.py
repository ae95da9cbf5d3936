"""A vehicle seen before: its odometer goes forward, and no faster than anyone drives."""

from __future__ import annotations

import pytest
from cli.conftest import Bay

from swapinfer.commands.opening import Shown, odometer_remarks

VIN = "--vin '1hg cm826'"
BEFORE = [
    Shown(120_000.0, "2031-05-04T09:30:00+02:00", "RO-1"),
    Shown(121_500.0, "2031-06-04T09:30:00+02:00", "RO-2"),
]


@pytest.mark.parametrize(
    ("km", "at", "words"),
    [
        (121_500.0, "2031-06-04T10:30:00+02:00", ()),
        (123_400.0, "2031-06-05T09:30:00+02:00", ()),
        (150_000.0, "2031-08-04T09:30:00+02:00", ()),
        (121_000.0, "2031-07-04T09:30:00+02:00", ("less than the 121,500 km of RO-2",)),
        (123_600.0, "2031-06-05T09:30:00+02:00", ("2,100 km more than the 121,500 km of RO-2",)),
        (90_000.0, "2031-06-04T09:00:00Z", ("less than the 121,500 km of RO-2",)),
    ],
)
def test_what_does_not_go_with_earlier_visits(km: float, at: str, words: tuple[str, ...]) -> None:
    said = odometer_remarks(BEFORE, km, at, "km")
    assert len(said) == len(words)
    for remark, word in zip(said, words, strict=True):
        assert word in remark


def test_opening_a_job_remarks_on_the_same_vehicle_alone(bay: Bay) -> None:
    bay.must(f"open RO-1 --odometer '120000 km' {VIN}")
    assert not bay.must("open RO-2 --odometer '90000 km' --vin 2T1 --json").facts["warnings"]
    assert not bay.must("open RO-3 --odometer '90000 km' --json").facts["warnings"]
    assert not bay.must("open RO-4 --vin 1HGCM826 --json").facts["warnings"]
    (lower,) = bay.must("open RO-5 --odometer '110000 km' --vin 1HGCM826 --json").facts["warnings"]
    assert "110,000 km, less than the 120,000 km of RO-1" in lower
    (far,) = bay.must("open RO-6 --odometer '190000 km' --vin 1HGCM826 --json").facts["warnings"]
    assert "80,000 km more than the 110,000 km of RO-5" in far


def test_the_distance_at_which_it_came_back_counts_too(bay: Bay) -> None:
    bay.must(f"open RO-1 --odometer '120000 km' {VIN}")
    bay.must("close")
    told = bay.must("reopen again --odometer '119000 km' --json").facts
    assert any("less than at first" in word for word in told["warnings"])
    bay.must("close")
    bay.must("reopen again --odometer '121000 km'")
    (lower,) = bay.must(f"open RO-2 --odometer '120500 km' {VIN} --json").facts["warnings"]
    assert "less than the 121,000 km of RO-1" in lower


REFUSED = {
    "absurd distance": ("open RO-1 --odometer '999999999 km'", "0 to 3,000,000 km"),
    "negative distance": ("open RO-1 --odometer '-5 km'", "not negative"),
    "driven farther than ever": (
        "open RO-1 --odometer '120000 km' --driven '130000 km'",
        "cannot be more than the odometer shows",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_distances_that_cannot_be_are_one_line(bay: Bay, name: str) -> None:
    line, word = REFUSED[name]
    told = bay(line)
    assert told.code == 2
    assert len(told.err.splitlines()) == 1
    assert word in told.err
