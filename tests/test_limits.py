"""Python refuses what the shell refuses; what was recorded before there were limits stays read."""

from __future__ import annotations

import math

import pytest

from swapinfer import JobCard, Opened, Ran, belief
from swapinfer.errors import InputError
from swapinfer.ledger.events import Reopened

FITMENT = {"ignition": "coil-on-plug", "fuel": "port"}


@pytest.mark.parametrize(
    ("change", "limit"),
    [
        ({"odometer_km": 4e6}, "3,000,000 km"),
        ({"driven_km": -1.0}, "3,000,000 km"),
        ({"newer": {"coil2": 1e9}}, "3,000,000 km"),
        ({"altitude_m": 9e3}, "6,000 m"),
        ({"compression_ratio": 1.0}, "4 to 25"),
    ],
)
def test_openings(change: dict[str, object], limit: str) -> None:
    with pytest.raises(InputError, match=limit):
        JobCard.open(Opened("RO-1", "inline-4", FITMENT, **change))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("event", "limit"),
    [
        (Ran(1e7, codes=(), pending=()), "10,000 minutes"),
        (Ran(10.0, counts={2: 10**20}), "100,535"),
        (Reopened(odometer_km=1e9), "3,000,000 km"),
        (Reopened(driven_km=-1.0), "3,000,000 km"),
        (Reopened(days=math.nan), "3,650"),
    ],
)
def test_what_follows(event: Ran | Reopened, limit: str) -> None:
    with pytest.raises(InputError, match=limit):
        JobCard.open(Opened("RO-1", "inline-4", FITMENT)).then(event)


def test_a_count_on_record_already_is_weighed_without_a_table_as_long_as_it() -> None:
    job = JobCard.open(Opened("RO-1", "inline-4", FITMENT))
    recorded = JobCard(job.pack, (*job.events, Ran(10.0, ("warm",), counts={2: 10**20})))
    assert belief(recorded)["fault"].between(0, 1).all()
