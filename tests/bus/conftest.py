"""Vehicles on a virtual bus."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.bus.vehicle import Unit, Vehicle


@pytest.fixture
def drive_in() -> Iterator[Callable[..., Vehicle]]:
    """Put vehicles on the bus, and take them off at the end."""
    vehicles: list[Vehicle] = []

    def make(*units: Unit, is_extended: bool = False) -> Vehicle:
        vehicles.append(Vehicle(*units, is_extended=is_extended))
        return vehicles[-1]

    yield make
    for vehicle in vehicles:
        vehicle.close()
