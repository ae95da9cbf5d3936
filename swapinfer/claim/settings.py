"""What a shop decides about its write-ups, and what it or a payer asks of them."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable
from datetime import date, datetime
from operator import attrgetter
from pathlib import Path
from typing import TypeAlias

from msgspec import Struct, ValidationError, convert

from swapinfer.claim.facts import ClaimFacts, Exceeded, Unrecorded
from swapinfer.errors import InputError, misfit, near_match
from swapinfer.ledger.record import as_utc, check_text
from swapinfer.pack.money import OwnMoney

DATES = {"iso": "%Y-%m-%d", "dmy": "%d/%m/%Y", "mdy": "%m/%d/%Y"}  # ways of writing a day
PAPERS = {"a4": "a4", "letter": "us-letter"}  # sizes of paper, and what the typesetter calls them
ESTABLISHED = 0.90  # least probability for the word "established", unless a shop chooses another
DAYS_A_MONTH = 365.25 / 12.0
BLANK = (None, "", ())  # what nobody recorded


class Headings(Struct, frozen=True, forbid_unknown_fields=True):
    """What the trade's three headings are called."""

    complaint: str = "Complaint"
    cause: str = "Cause"
    correction: str = "Correction"


class Limits(Struct, frozen=True, forbid_unknown_fields=True):
    """How far a write-up may go at most, in probability at least; None is no limit.

    Labour is as booked, in all and as a multiple of the standard time of the same work; months and
    odometer are the vehicle's when it came.
    """

    probability: float | None = None
    residual_risk: float | None = None
    labour_minutes: float | None = None
    times_standard: float | None = None
    parts: float | None = None
    total: float | None = None
    months_in_service: float | None = None
    odometer_km: float | None = None
    retracted: float | None = None


class Template(Struct, frozen=True, forbid_unknown_fields=True):
    """What is asked of a write-up: keys of `FIELDS` that must be there, limits, headings."""

    name: str = ""
    required: tuple[str, ...] = ()
    currency: str = ""
    limits: Limits = Limits()
    headings: Headings = Headings()

    def __post_init__(self) -> None:
        for field in self.required:
            if field not in FIELDS:
                raise InputError(f'no field "{field}" to require{near_match(field, FIELDS)}')
        for name in Headings.__struct_fields__:
            check_text(f"heading {name}", getattr(self.headings, name))
        for name in Limits.__struct_fields__:
            limit = getattr(self.limits, name)
            most = 1.0 if name in ("probability", "residual_risk") else float("inf")
            if limit is not None and not 0.0 <= limit <= most:
                raise InputError(f"limit {name} must be 0 or more, got {limit:g}")
        if self.currency == "" and (self.limits.parts, self.limits.total) != (None, None):
            raise InputError('limits on money need a currency, as in currency = "USD"')


def read_template(path: Path) -> Template:
    """Read a template; one that cannot be read, or asks for what there is not, is refused."""
    try:
        return convert(tomllib.loads(path.read_text(encoding="utf-8")), Template)
    except OSError as error:
        raise InputError(f"template {path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, InputError) as error:
        raise InputError(f"template {path}: {error}") from error
    except ValidationError as error:
        raise InputError(f"template {path}: {misfit(error)}") from error


class Comparison(Struct, frozen=True, forbid_unknown_fields=True):
    """Cost of the easiest-first order on simulated jobs like this, and the mean's 90 % interval."""

    mean: float
    low: float
    high: float
    jobs: int


class ClaimSettings(Struct, frozen=True, forbid_unknown_fields=True):
    """How a write-up is made, by shop and payer.

    What is empty or None of currency, rate and prices (by kind, for parts for which none was
    entered) is the pack's; `exchange` is how many of the currency one unit of the pack's is worth.
    A cause may be worded as established from that probability on. `redact` leaves out
    identification number and customer; `written_at` is in ISO 8601 with the offset from UTC, empty
    where that is not told.
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


Lacking: TypeAlias = Callable[[ClaimFacts], Iterable[str]]
"""What a field is missing of; one empty text if of the whole job."""


def _of_job(path: str) -> Lacking:
    return lambda facts: [""] * (attrgetter(path)(facts) in BLANK)


def _of_repairs(path: str) -> Lacking:
    """Name the repairs that it is missing of, unless it is missing of all."""

    def lacking(facts: ClaimFacts) -> list[str]:
        without = [one.label for one in facts.repairs if attrgetter(path)(one) in BLANK]
        return without if len(without) < len(facts.repairs) else [""] * bool(without)

    return lacking


def _of_causes(facts: ClaimFacts) -> list[str]:
    without = [one.label for one in facts.concluded if not one.closed_as]
    return without if facts.subjects > 1 else [""] * bool(without)


FIELDS: dict[str, tuple[str, Lacking]] = {
    "complaint": ("customer's words", lambda facts: [""] * (not facts.complaint.strip())),
    "customer": ("customer", _of_job("vehicle.customer")),
    "vin": ("identification number", _of_job("vehicle.vin_check")),
    "in-service": ("day of first use", _of_job("vehicle.in_service")),
    "odometer-in": ("odometer when it came", _of_job("vehicle.odometer_km")),
    "odometer-out": ("odometer when it left", _of_job("vehicle.odometer_out_km")),
    "codes-before": ("codes at first", _of_job("codes_before")),
    "codes-after": ("codes after the repair", _of_job("codes_after")),
    "mode": ("how it failed", _of_causes),
    "part-number": ("number of the new part", _of_repairs("new.number")),
    "part-serial": ("serial number of the new part", _of_repairs("new.serial")),
    "part-supplier": ("supplier of the new part", _of_repairs("new.supplier")),
    "price": ("price of the part", _of_repairs("price")),
    "old-number": ("number of the old part", _of_repairs("old.number")),
    "old-serial": ("serial number of the old part", _of_repairs("old.serial")),
    "old-supplier": ("supplier of the old part", _of_repairs("old.supplier")),
    "old-kept": ("where the old part is kept", _of_repairs("old.kept")),
    "old-showed": ("what the old part showed", _of_repairs("old.showed")),
    "labour": ("labour operation and booked time", _of_repairs("labour")),
    "picture": ("a picture", _of_job("photos")),
    "caption": (
        "caption of picture",
        lambda facts: [f"#{one.seq}" for one in facts.photos if not one.caption],
    ),
    "reason": (
        "why it was retracted",
        lambda facts: [f"#{one.seq}" for one in facts.retracted if not one.reason],
    ),
}
"""What a template may require: its words, and where it is missing."""


def list_unrecorded(facts: ClaimFacts, template: Template) -> tuple[Unrecorded, ...]:
    """List what is not on record, what the template requires first."""
    fields = sorted(FIELDS, key=lambda field: field not in template.required)
    return tuple(
        Unrecorded(field, words, tuple(filter(None, of)), field in template.required)
        for field in fields
        for words, lacking in [FIELDS[field]]
        if (of := list(lacking(facts)))
    )


def list_exceeded(facts: ClaimFacts, template: Template) -> tuple[Exceeded, ...]:
    """List the limits of the template that are passed, or that cannot be held against anything."""
    spent, vehicle, charged = facts.spent, facts.vehicle, facts.charged
    lines = charged.lines if charged else ()
    opened = datetime.fromisoformat(facts.opened_at).date()
    found: dict[str, float | None] = {
        "probability": facts.standing.joint,
        "residual_risk": facts.verification.residual_risk,
        "labour_minutes": charged.minutes if charged else None,
        "times_standard": max(
            (line.booked / max(line.standard, 1e-9) for line in lines), default=None
        ),
        "parts": charged.parts if charged else spent.parts,
        "total": charged.total if charged else spent.total,
        "months_in_service": (
            (opened - date.fromisoformat(vehicle.in_service)).days / DAYS_A_MONTH
            if vehicle.in_service
            else None
        ),
        "odometer_km": vehicle.odometer_km,
        "retracted": sum(event.is_weighed for event in facts.retracted),
    }
    if template.currency != spent.currency:
        found |= dict.fromkeys(("parts", "total"), None)
    exceeded = []
    for name, value in found.items():
        bound, is_least = getattr(template.limits, name), name == "probability"
        if bound is not None and (value is None or (value < bound if is_least else value > bound)):
            exceeded.append(Exceeded(name, bound, value))
    return tuple(exceeded)
