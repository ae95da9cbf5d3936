"""What a job took by standard times, and what is charged."""

from __future__ import annotations

from msgspec import Struct


class SpentLine(Struct, frozen=True):
    """Standard time and money of one kind of work."""

    work: str
    minutes: float
    money: float


class RepairRange(Struct, frozen=True):
    """Minutes, access included, between which a repair of unknown kind may have taken."""

    label: str
    low: float
    high: float


class Spent(Struct, frozen=True):
    """Time and cost by the pack's standard times and prices.

    Attributes
    ----------
    lines : tuple of SpentLine
        By kind of work; labour is in `money`.
    parts : float
        Prices of parts; `parts_priced` says how many of the `parts_fitted` were entered, the
        others are typical prices.
    other : float
        Consumables, and fuel and wear of driving.
    unclear : tuple of RepairRange
        Repairs counted at the kind's own standard time, as what they took is not known.
    """

    lines: tuple[SpentLine, ...]
    minutes: float
    labour: float
    rate_per_hour: float
    parts: float
    parts_priced: int
    parts_fitted: int
    other: float
    total: float
    currency: str
    first_at: str
    last_at: str
    unclear: tuple[RepairRange, ...] = ()


class BookedLine(Struct, frozen=True):
    """A labour operation as booked, beside the standard time of the same work.

    Attributes
    ----------
    what : str
        The repair; empty for all work that no repair booked.
    booked, standard : float
        Minutes.
    money : float
        Of the booked time, at the shop's rate.
    """

    operation: str
    what: str
    booked: float
    standard: float
    money: float


class Charged(Struct, frozen=True):
    """What is charged by booked times and by prices that were entered.

    Attributes
    ----------
    minutes, labour : float
        Booked in all, and their cost.
    parts : float
        At the prices entered.
    """

    lines: tuple[BookedLine, ...]
    minutes: float
    labour: float
    parts: float
    total: float
