"""Facts of a write-up about the work done and what it rests on: repairs, cost, sources."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SpentLine:
    """Standard time and money of one kind of work."""

    work: str
    minutes: float
    money: float


@dataclass(frozen=True, slots=True)
class RepairRange:
    """A repair of which the findings do not say what it took.

    Attributes
    ----------
    low, high : float
        Minutes of the shortest and the longest that are possible, access included.
    """

    label: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Spent:
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
        Repairs that are counted at the kind's own standard time because it is not known what
        they took.
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


@dataclass(frozen=True, slots=True)
class Verification:
    """Drives after the last repair.

    Attributes
    ----------
    repaired_seq : int or None
        Last replacing or reseating; None when nothing was repaired.
    minutes, clean_minutes : float
        Driven since, and since the last misfire.
    runs : int
        How many drives.
    asked_minutes : float or None
        Clean minutes that were asked for after it; None when no drive is long enough.
    asked_conditions : tuple of str
        In which: those that all runs with a misfire had in common.
    proven_minutes : float
        Clean minutes driven in those conditions.
    proven : bool
        Whether that is as long as was asked.
    clean : bool or None
        Whether the last of them was without misfire; None when there was none.
    conditions : tuple of str
        Conditions driven under since.
    residual_risk : float
        Probability that a fault that causes misfires is still in the vehicle.
    left_out : float
        Share of the combinations of faults that was not looked at; 0 when exact.
    """

    repaired_seq: int | None
    minutes: float
    clean_minutes: float
    runs: int
    asked_minutes: float | None
    asked_conditions: tuple[str, ...]
    proven_minutes: float
    proven: bool
    clean: bool | None
    conditions: tuple[str, ...]
    residual_risk: float
    left_out: float


@dataclass(frozen=True, slots=True)
class Repair:
    """Something that was put right.

    Attributes
    ----------
    label : str
        Of what was there before.
    probability : float
        That it was at fault, as believed just then.
    next_label, next_probability
        The likeliest other cause, just then.
    """

    seq: int
    at: str
    who: str
    what: str
    element: str
    label: str
    price: float | None
    probability: float
    next_label: str
    next_probability: float


@dataclass(frozen=True, slots=True)
class Photo:
    """An attached picture."""

    seq: int
    at: str
    who: str
    name: str
    media: str
    digest: str
    bytes: int


@dataclass(frozen=True, slots=True)
class SourceLine:
    """A source of numbers of the pack, and how many numbers come from it."""

    grade: str
    text: str
    numbers: int


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where the prior probabilities come from."""

    pack: str
    version: str
    digest: str
    sources: tuple[SourceLine, ...]


@dataclass(frozen=True, slots=True)
class LedgerFacts:
    """What the write-up was made from.

    Attributes
    ----------
    head : str
        Digest of the last record, which covers all before it and the digest of the pack.
    """

    job: str
    records: int
    head: str
    program: str
