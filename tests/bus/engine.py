"""A simulated engine whose misfires go with a coil, and the unit that watches it."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.bus.vehicle import Unit

MISFIRES_A_MINUTE = 3
"""Of a bad coil under load."""

IGNITION_ON = {0x01: bytes.fromhex("00 07 00 00"), 0x05: b"\x7b", 0x0C: b"\0\0", 0x0D: b"\0"}
PULLING = {0x04: b"\xe6", 0x0C: bytes.fromhex("1AF8"), 0x0D: b"\x48"}
"""Nine tenths of the load, 1,726 rpm, 72 km/h."""


def listed(cylinders: set[int]) -> bytes:
    """Misfire codes of these cylinders, as services 03 and 07 list them."""
    return bytes([len(cylinders)]) + b"".join(bytes([3, c]) for c in sorted(cylinders))


@dataclass
class Engine:
    """An inline four, each cylinder with a coil; codes as SAE J1979 has them.

    A misfire leaves a pending code in the first driving cycle and a stored one in the second; a
    pending one goes after a cycle without it. Counters begin anew with every start.
    """

    coils: dict[int, str] = field(default_factory=lambda: {c: f"coil{c}" for c in range(1, 5)})
    bad: str = "coil3"
    unit: Unit = field(
        default_factory=lambda: Unit(
            0x7E8, now={0x04: b"\0"} | IGNITION_ON, counters=dict.fromkeys(range(1, 5), (0, 0))
        )
    )
    _before: set[int] = field(default_factory=set)
    _stored: set[int] = field(default_factory=set)

    def swap(self, first: int, second: int) -> None:
        """Exchange two coils."""
        self.coils[first], self.coils[second] = self.coils[second], self.coils[first]

    def fit_new(self, cylinder: int) -> None:
        """Fit a new coil."""
        self.coils[cylinder] = "new"

    def misfires(self, minutes: float) -> dict[int, int]:
        """Misfires of each cylinder in so many minutes under load."""
        return {
            cylinder: round(MISFIRES_A_MINUTE * minutes) * (coil == self.bad)
            for cylinder, coil in self.coils.items()
        }

    def drive(self, minutes: float) -> None:
        """Start, pull for so many minutes, stop, and leave the ignition on."""
        if self.unit.stored == b"\0":
            self._stored = set()
        if self.unit.pending == b"\0":
            self._before = set()
        counts = self.misfires(minutes)
        now = {cylinder for cylinder, count in counts.items() if count}
        self._stored |= now & self._before
        self.unit.counters = {
            c: (round(0.1 * n + 0.9 * self.unit.counters.get(c, (0, 0))[0]), n)
            for c, n in counts.items()
        }
        self.unit.pending, self.unit.stored = listed(now | self._before), listed(self._stored)
        self._before = now
