"""What a shop decides about its write-ups, and numbers, dates and units written so."""

from __future__ import annotations

import math
from datetime import datetime

from msgspec import Struct

from swapinfer.claim.entries import OnRecord
from swapinfer.claim.template import Template
from swapinfer.errors import InputError, near_match
from swapinfer.ledger.record import as_utc
from swapinfer.pack.money import OwnMoney
from swapinfer.units import convert

DATES = {"iso": "%Y-%m-%d", "dmy": "%d/%m/%Y", "mdy": "%m/%d/%Y"}
"""Ways of writing a day."""

PAPERS = {"a4": "a4", "letter": "us-letter"}
"""Sizes of paper, and what the typesetter calls them."""

PRESSURES = ("kPa", "psi", "bar")

SIGNS = {"degC": "°C", "degF": "°F", "ohm": "Ω", "kohm": "kΩ", "Mohm": "MΩ"}

_UNBROKEN = "\u00a0"
"""Keeps a number and its unit on one line."""

LEAST = 1e-4
"""Probabilities below it are not told apart, nor are those as near to certainty."""

ESTABLISHED = 0.90
"""Least probability for the word "established", unless a shop chooses another."""


class Comparison(Struct, frozen=True, forbid_unknown_fields=True):
    """Cost of the easiest-first order on jobs like this one, simulated.

    Attributes
    ----------
    mean, low, high : float
        Mean, and the 90 % interval of that mean, in `ClaimSettings.currency`.
    jobs : int
        How many were simulated.
    """

    mean: float
    low: float
    high: float
    jobs: int


class ClaimSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """How a write-up is made.

    Attributes
    ----------
    shop : str
        Name at its head.
    distance, pressure, temperature : str
        Units in which numbers are shown.
    currency : str
        Three letters; the pack's when empty.
    exchange : float
        How many of it one unit of the pack's currency is worth.
    rate_per_hour : float or None
        Of labour; the pack's when None.
    part_prices : dict of str to float
        Kind to price of parts for which none was entered; the pack's where it is not named.
    decimal : str
        ``"."`` or ``","``.
    dates : str
        One of `DATES`.
    paper : str
        One of `PAPERS`.
    established : float
        Least probability at which a cause may be worded as established.
    template : Template
        What the shop or the payer asks of it.
    redact : bool
        Whether identification number and customer are left out.
    comparison : Comparison or None
        Printed only when there is one.
    written_at : str
        When, in ISO 8601 with the offset from UTC; empty where that is not told.
    """

    shop: str = ""
    distance: str = "km"
    pressure: str = "psi"
    temperature: str = "degC"
    currency: str = ""
    exchange: float = 1.0
    rate_per_hour: float | None = None
    part_prices: dict[str, float] = {}
    decimal: str = "."
    dates: str = "iso"
    paper: str = "a4"
    established: float = ESTABLISHED
    template: Template = Template()
    redact: bool = False
    comparison: Comparison | None = None
    written_at: str = ""

    def __post_init__(self) -> None:
        """Refuse what no write-up can be made with."""
        for name, known in (("dates", DATES), ("paper", PAPERS), ("decimal", (".", ","))):
            value = getattr(self, name)
            if value not in known:
                raise InputError(f'no {name} setting "{value}"{near_match(str(value), known)}')
        if self.written_at:
            as_utc(self.written_at)
        if not 0.5 <= self.established < 1.0:
            raise InputError(
                f"a cause may be worded as established from a probability of 0.5 up to, but not "
                f"including, 1; got {self.established}"
            )

    @property
    def money(self) -> OwnMoney:
        """How the pack's amounts are counted."""
        return OwnMoney(
            currency=self.currency,
            exchange=self.exchange,
            rate_per_hour=self.rate_per_hour,
            part_prices=self.part_prices,
        )


class Numbers(Struct, frozen=True):
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
        """Probability, to two digits of what is rarer; what rounds to never or always says so."""
        if probability < LEAST:
            return f"below {self.plain(100 * LEAST, 2)}{_UNBROKEN}%"
        if probability > 1.0 - LEAST:
            return f"above {self.plain(100 * (1.0 - LEAST), 2)}{_UNBROKEN}%"
        rarer = 100 * min(probability, 1.0 - probability)
        digits = max(1, 1 - math.floor(math.log10(rarer))) if rarer < 1 else 1
        return f"{self.plain(100 * probability, digits)}{_UNBROKEN}%"

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

    def times_less(self, probability: float, greater: float) -> str:
        """How many times less probable, by the figures as they are shown."""
        if probability < LEAST:
            return f"more than {self.plain(1.0 / LEAST)}"
        return self.factor(min(greater, 1.0) / probability)

    def minutes(self, value: float) -> str:
        """Minutes; from two hours on, hours and minutes."""
        whole = round(value)
        if whole < 120:
            digits = 0 if value >= 10 or value == whole else 1
            return f"{self.plain(value, digits)}{_UNBROKEN}min"
        return f"{whole // 60}{_UNBROKEN}h{_UNBROKEN}{whole % 60:02d}{_UNBROKEN}min"

    def money(self, value: float, currency: str) -> str:
        """Amount with its currency."""
        return f"{self.plain(value, 2)}{_UNBROKEN}{currency}"

    def distance(self, km: float) -> str:
        """Distance in the shop's unit."""
        unit = self.settings.distance
        return f"{self.plain(convert(km, 'km', unit))}{_UNBROKEN}{unit}"

    def quantity(self, value: float | None, unit: str, digits: int = 3) -> str:
        """Write a reading in the shop's unit; None is a meter's "over limit"."""
        if value is None:
            return "OL (over limit)"
        shown = self._shop_unit(unit)
        value = convert(value, unit, shown)
        if shown == "ohm" and abs(value) >= 1000:
            value, shown = value / 1000, "kohm"
        sign = SIGNS.get(shown, shown)
        return f"{self.significant(value, digits)}{_UNBROKEN}{sign}".rstrip()

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

    def stamp(self, entry: OnRecord) -> str:
        """Position, time and name of what stands in the ledger."""
        return f"#{entry.seq}, {self.moment(entry.at)}, {entry.who}"

    def _local(self, at: str) -> tuple[str, str]:
        local = datetime.fromisoformat(at)
        return local.strftime(DATES[self.settings.dates]), local.strftime("%H:%M")
