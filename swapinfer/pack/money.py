"""A shop's own money: its figures as typed, and every figure of the priors in its currency."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import InputError
from swapinfer.pack.model import Costs, Kind, Pack

OF_COSTS = ("rate_per_hour", "drive_cost_per_min", "comeback", "diagnosis_cap", "reseat_price")
"""Costs of a pack that are money."""

OF_SHOP = ("rate_per_hour", "comeback", "diagnosis_cap")
"""Those of them that a shop may set."""

SLIP = 100.0
"""So many times what the priors say is a slip of the keyboard; our choice."""

MOST = 1e9
"""No amount is larger, in whatever currency; our choice."""

RATES = (1e-6, 1e6)
"""Rates of exchange between currencies lie between these; from memory."""


class OwnMoney(Struct, frozen=True):
    """What a shop says of money itself.

    Attributes
    ----------
    currency : str
        Three letters; the pack's when empty.
    exchange : float or None
        How many of it one unit of the pack's currency is worth; 1 where the pack's figures hold
        as they stand.
    rate_per_hour, comeback, diagnosis_cap : float or None
        Instead of the pack's, in the shop's currency.
    part_prices : mapping of str to float
        Kind to price, instead of the pack's, in the shop's currency.
    """

    currency: str = ""
    exchange: float | None = None
    rate_per_hour: float | None = None
    comeback: float | None = None
    diagnosis_cap: float | None = None
    part_prices: Mapping[str, float] = {}

    def factor(self, pack: Pack) -> float:
        """How many units of the shop's currency one of a pack's is worth.

        Raises
        ------
        InputError
            If nobody said.
        """
        of_pack = pack.costs.currency
        if self.currency in ("", of_pack):
            return 1.0
        if self.exchange is None:
            raise InputError(
                f"the priors reckon in {of_pack}, the shop in {self.currency}: say how many "
                f"{self.currency} one {of_pack} is worth, swapinfer settings --set "
                f"currency={self.currency} --set exchange=0.92, or exchange=1 if the figures of "
                "the priors hold as they stand"
            )
        return self.exchange

    def costs(self, pack: Pack) -> Costs:
        """Costs of a pack in the shop's currency, the shop's own figures in their place."""
        factor = self.factor(pack)
        held: dict[str, Any] = {name: factor * getattr(pack.costs, name) for name in OF_COSTS}
        prices = pack.costs.condition_price
        held["condition_price"] = {tag: factor * price for tag, price in prices.items()}
        held |= {name: own for name in OF_SHOP if (own := getattr(self, name)) is not None}
        return replace(pack.costs, currency=self.currency or pack.costs.currency, **held)

    def check(self, pack: Pack) -> None:
        """Refuse figures of one's own that are far beyond the priors'.

        Raises
        ------
        InputError
            Naming the figure, and the most that it may be.
        """
        usual = OwnMoney(self.currency, self.exchange).costs(pack)
        for name in OF_SHOP:
            if (value := getattr(self, name)) is not None:
                _check_most(name, value, SLIP * getattr(usual, name), usual.currency)
        for kind, price in self.part_prices.items():
            if kind in pack.kinds:
                self.check_price(f"part_prices.{kind}", price, pack, pack.kinds[kind])

    def check_price(self, name: str, price: float, pack: Pack, kind: Kind) -> None:
        """Refuse a price of a part that is far beyond all that the priors know of its kind.

        Raises
        ------
        InputError
            Naming the price, and the most that it may be.
        """
        fixes = (kind.fix, *(mode.fix for mode in kind.modes.values() if mode.fix))
        known = max(pack.costs.rate_per_hour, *(fix.price[-1] for fix in fixes))
        currency = self.currency or pack.costs.currency
        _check_most(name, price, SLIP * self.factor(pack) * known, currency)


def check_amount(name: str, amount: float) -> None:
    """Refuse what is no amount of money: what is negative, or larger than any."""
    _check_most(name, amount, MOST, "")


def _check_most(name: str, amount: float, most: float, currency: str) -> None:
    if amount < 0:
        raise InputError(f"{name} must not be negative, got {amount:g}")
    if not amount <= most:
        accepted = f"{currency} {most:,.0f}".strip()
        raise InputError(f"{name} must be at most {accepted}, got {amount:,.12g}")


def kept_in_another_currency(before: Pack, after: Pack) -> tuple[str, ...]:
    """Name the costs that stayed as they were although the currency did not."""
    if before.costs.currency == after.costs.currency:
        return ()
    return tuple(
        name for name in OF_COSTS if getattr(before.costs, name) == getattr(after.costs, name)
    )
