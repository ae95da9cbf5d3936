"""Numbers, dates and units as the shop writes them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from swapinfer.claim.facts import Reading
from swapinfer.claim.settings import DATES, ClaimSettings
from swapinfer.units import convert

PRESSURES = ("kPa", "psi", "bar")

SIGNS = {"degC": "°C", "degF": "°F", "ohm": "Ω", "kohm": "kΩ", "Mohm": "MΩ"}

_NARROW = "\u00a0"
"""Keeps a number and its unit on one line."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """Writes numbers by a shop's settings.

    Attributes
    ----------
    settings : ClaimSettings
        Units, decimal sign, form of dates.
    """

    settings: ClaimSettings

    def plain(self, value: float, digits: int = 0) -> str:
        """Write a fixed number of digits, thousands parted."""
        text = f"{value:,.{digits}f}"
        if text.lstrip("-0.,") == "":
            text = text.lstrip("-")
        if self.settings.decimal == ",":
            text = text.translate(str.maketrans(",.", ".,"))
        return text.replace("-", "\u2212")

    def significant(self, value: float, digits: int = 3) -> str:
        """To so many significant digits, but no fewer than stand before the point."""
        if value == 0:
            return "0"
        decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        return self.plain(value, min(decimals, 6))

    def percent(self, probability: float) -> str:
        """Probability; what rounds to never or always says so."""
        if probability < 0.0001:
            return f"below {self.plain(0.01, 2)}{_NARROW}%"
        if probability > 0.9999:
            return f"above {self.plain(99.99, 2)}{_NARROW}%"
        digits = 1 if 0.01 <= probability <= 0.99 else 2
        return f"{self.plain(100 * probability, digits)}{_NARROW}%"

    def between(self, low: float, high: float) -> str:
        """Two probabilities."""
        return f"{self.percent(low)} to {self.percent(high)}"

    def decibans(self, weight: float) -> str:
        """Weight of evidence, with its sign."""
        text = self.plain(weight, 1)
        return ("+" if weight > 0 and text != self.plain(0, 1) else "") + text

    def factor(self, value: float) -> str:
        """How many times."""
        if value >= 1e6:
            return "more than a million"
        return self.significant(value, 2) if value < 100 else self.plain(float(f"{value:.2g}"))

    def minutes(self, value: float) -> str:
        """Minutes; from two hours on, hours and minutes."""
        whole = round(value)
        if whole < 120:
            digits = 0 if value >= 10 or value == whole else 1
            return f"{self.plain(value, digits)}{_NARROW}min"
        return f"{whole // 60}{_NARROW}h{_NARROW}{whole % 60:02d}{_NARROW}min"

    def money(self, value: float, currency: str) -> str:
        """Amount with its currency."""
        return f"{self.plain(value, 2)}{_NARROW}{currency}"

    def distance(self, km: float) -> str:
        """Distance in the shop's unit."""
        unit = self.settings.distance
        return f"{self.plain(convert(km, 'km', unit))}{_NARROW}{unit}"

    def quantity(self, value: float | None, unit: str, digits: int = 3) -> str:
        """Write a reading in the shop's unit; None is a meter's "over limit"."""
        if value is None:
            return "OL (over limit)"
        shown = self._shop_unit(unit)
        value = convert(value, unit, shown)
        if shown == "ohm" and abs(value) >= 1000:
            value, shown = value / 1000, "kohm"
        sign = SIGNS.get(shown, shown)
        return f"{self.significant(value, digits)}{_NARROW}{sign}".rstrip()

    def good(self, reading: Reading) -> str:
        """Range of good readings; empty where there is none."""
        if reading.good is None:
            return ""
        low, high = (self.quantity(value, reading.unit) for value in reading.good)
        return f"{low} to {high}"

    def _shop_unit(self, unit: str) -> str:
        if unit in PRESSURES:
            return self.settings.pressure
        return self.settings.temperature if unit == "degC" else unit

    def day(self, at: str) -> str:
        """Day of a time, where it was recorded."""
        return self._local(at)[0]

    def moment(self, at: str) -> str:
        """Day and time of day, where it was recorded."""
        return " ".join(self._local(at))

    def _local(self, at: str) -> tuple[str, str]:
        local = datetime.fromisoformat(at)
        return local.strftime(DATES[self.settings.dates]), local.strftime("%H:%M")
