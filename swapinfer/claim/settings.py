"""What a shop decides about its write-ups, as plain values."""

from __future__ import annotations

from dataclasses import dataclass

from swapinfer.errors import InputError, near_match

DATES = {"iso": "%Y-%m-%d", "dmy": "%d/%m/%Y", "mdy": "%m/%d/%Y"}
"""Ways of writing a day."""

PAPERS = {"a4": "a4", "letter": "us-letter"}
"""Sizes of paper, and what the typesetter calls them."""


ESTABLISHED = 0.90
"""Least probability for the word "established", unless a shop chooses another."""


@dataclass(frozen=True, slots=True)
class Comparison:
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


@dataclass(frozen=True, slots=True)
class ClaimSettings:
    """How a write-up is made.

    Attributes
    ----------
    shop : str
        Name at its head.
    distance, pressure, temperature : str
        Units in which numbers are shown.
    currency : str
        Three letters; the pack's when empty.
    rate_per_hour : float or None
        Of labour; the pack's when None.
    decimal : str
        ``"."`` or ``","``.
    dates : str
        One of `DATES`.
    paper : str
        One of `PAPERS`.
    established : float
        Least probability at which a cause may be worded as established.
    redact : bool
        Whether identification number and customer are left out.
    comparison : Comparison or None
        Printed only when there is one.
    """

    shop: str = ""
    distance: str = "km"
    pressure: str = "psi"
    temperature: str = "degC"
    currency: str = ""
    rate_per_hour: float | None = None
    decimal: str = "."
    dates: str = "iso"
    paper: str = "a4"
    established: float = ESTABLISHED
    redact: bool = False
    comparison: Comparison | None = None

    def __post_init__(self) -> None:
        """Refuse what no write-up can be made with."""
        for name, known in (("dates", DATES), ("paper", PAPERS), ("decimal", (".", ","))):
            value = getattr(self, name)
            if value not in known:
                raise InputError(f'no {name} setting "{value}"{near_match(str(value), known)}')
        if not 0.5 <= self.established < 1.0:
            raise InputError(
                f"a cause may be worded as established from a probability of 0.5 up to, but not "
                f"including, 1; got {self.established}"
            )
