"""A job written up, and a way for the test modules here to import what they share by full name."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2]))

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim, write_up
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, replay
from tests.claim import jobs


@pytest.fixture(scope="session")
def coil_records() -> list[Record]:
    return jobs.chain(jobs.coil_events())


@pytest.fixture(scope="session")
def coil_job(coil_records: list[Record]) -> Job:
    return replay(read_events(coil_records), jobs.base_pack())


@pytest.fixture(scope="session")
def coil_claim(coil_job: Job, coil_records: list[Record]) -> Claim:
    return write_up(coil_job, coil_records, settings=ClaimSettings(shop="Example Garage"))
