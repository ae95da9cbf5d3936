"""What a shop or a payer asks of a write-up: fields that must be there, limits, headings."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TypeAlias

from msgspec import Struct, ValidationError, convert

from swapinfer.claim.entries import RepairLine
from swapinfer.claim.facts import ClaimFacts, Exceeded, Unrecorded
from swapinfer.errors import InputError, misfit, near_match
from swapinfer.ledger.record import check_text

DAYS_A_MONTH = 365.25 / 12.0


class Headings(Struct, frozen=True, forbid_unknown_fields=True):
    """What the trade's three headings are called."""

    complaint: str = "Complaint"
    cause: str = "Cause"
    correction: str = "Correction"


class Limits(Struct, frozen=True, forbid_unknown_fields=True):
    """How far a write-up may go; None is no limit.

    Attributes
    ----------
    probability : float or None
        The cause's, at least.
    residual_risk : float or None
        That a fault is still there, at most.
    labour_minutes : float or None
        Booked in all.
    times_standard : float or None
        Booked, as a multiple of the standard time of the same work.
    parts, total : float or None
        In the template's currency.
    months_in_service, odometer_km : float or None
        Of the vehicle when it came.
    retracted : float or None
        Findings, and work under which something was found.
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
    """What is asked of a write-up.

    Attributes
    ----------
    name : str
        Whose it is.
    required : tuple of str
        Keys of `FIELDS` that must be recorded.
    currency : str
        Of the limits on money.
    """

    name: str = ""
    required: tuple[str, ...] = ()
    currency: str = ""
    limits: Limits = Limits()
    headings: Headings = Headings()

    def __post_init__(self) -> None:
        """Refuse what cannot be asked."""
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
    """Read a template.

    Raises
    ------
    InputError
        If it cannot be read, or asks for what there is not.
    """
    try:
        return convert(tomllib.loads(path.read_text(encoding="utf-8")), Template)
    except OSError as error:
        raise InputError(f"template {path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, InputError) as error:
        raise InputError(f"template {path}: {error}") from error
    except ValidationError as error:
        raise InputError(f"template {path}: {misfit(error)}") from error


Lacking: TypeAlias = Callable[[ClaimFacts], Iterable[str]]
"""What a field is missing of; one empty text if of the whole job."""


def _whole(is_there: Callable[[ClaimFacts], object]) -> Lacking:
    return lambda facts: () if is_there(facts) else ("",)


def _repairs(is_there: Callable[[RepairLine], object]) -> Lacking:
    """Name the repairs that it is missing of, unless it is missing of all."""

    def lacking(facts: ClaimFacts) -> list[str]:
        without = [one.label for one in facts.repairs if not is_there(one)]
        return without if len(without) < len(facts.repairs) else [""] * bool(without)

    return lacking


def _pictures(facts: ClaimFacts) -> Iterator[str]:
    for photo in facts.photos:
        if not photo.caption:
            yield f"#{photo.seq}"


FIELDS: dict[str, tuple[str, Lacking]] = {
    "complaint": ("customer's words", _whole(lambda facts: facts.complaint.strip())),
    "customer": ("customer", _whole(lambda facts: facts.vehicle.customer)),
    "vin": ("identification number", _whole(lambda facts: facts.vehicle.vin_check)),
    "in-service": ("day of first use", _whole(lambda facts: facts.vehicle.in_service)),
    "odometer-in": (
        "odometer when it came",
        _whole(lambda facts: facts.vehicle.odometer_km is not None),
    ),
    "odometer-out": (
        "odometer when it left",
        _whole(lambda facts: facts.vehicle.odometer_out_km is not None),
    ),
    "codes-before": ("codes at first", _whole(lambda facts: facts.codes_before)),
    "codes-after": ("codes after the repair", _whole(lambda facts: facts.codes_after)),
    "mode": (
        "how it failed",
        lambda facts: [
            one.label if facts.subjects > 1 else "" for one in facts.concluded if not one.closed_as
        ],
    ),
    "part-number": ("number of the new part", _repairs(lambda one: one.new.number)),
    "part-serial": ("serial number of the new part", _repairs(lambda one: one.new.serial)),
    "part-supplier": ("supplier of the new part", _repairs(lambda one: one.new.supplier)),
    "price": ("price of the part", _repairs(lambda one: one.price is not None)),
    "old-number": ("number of the old part", _repairs(lambda one: one.old.number)),
    "old-serial": ("serial number of the old part", _repairs(lambda one: one.old.serial)),
    "old-supplier": ("supplier of the old part", _repairs(lambda one: one.old.supplier)),
    "old-kept": ("where the old part is kept", _repairs(lambda one: one.old.kept)),
    "old-showed": ("what the old part showed", _repairs(lambda one: one.old.showed)),
    "labour": ("labour operation and booked time", _repairs(lambda one: one.labour)),
    "picture": ("a picture", _whole(lambda facts: facts.photos)),
    "caption": ("caption of picture", _pictures),
    "reason": (
        "why it was retracted",
        lambda facts: [f"#{one.seq}" for one in facts.retracted if not one.reason],
    ),
}
"""What a template may require: its words, and where it is missing."""


def list_unrecorded(facts: ClaimFacts, template: Template) -> tuple[Unrecorded, ...]:
    """List what is not on record, what the template requires first.

    Parameters
    ----------
    facts : ClaimFacts
        Of the write-up.
    template : Template
        What is asked of it.
    """
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
    found: dict[str, float | None] = {
        "probability": facts.standing.joint,
        "residual_risk": facts.verification.residual_risk,
        "labour_minutes": charged.minutes if charged else None,
        "times_standard": _times_standard(facts),
        "parts": charged.parts if charged else spent.parts,
        "total": charged.total if charged else spent.total,
        "months_in_service": _months(vehicle.in_service, facts.opened_at),
        "odometer_km": vehicle.odometer_km,
        "retracted": sum(event.is_weighed for event in facts.retracted),
    }
    if template.currency != spent.currency:
        found |= dict.fromkeys(("parts", "total"), None)
    return tuple(
        Exceeded(name, limit, value)
        for name, value in found.items()
        if (limit := getattr(template.limits, name)) is not None and not _holds(name, limit, value)
    )


def _holds(name: str, limit: float, value: float | None) -> bool:
    if value is None:
        return False
    return value >= limit if name == "probability" else value <= limit


def _times_standard(facts: ClaimFacts) -> float | None:
    """Most times the standard time that is booked on an operation."""
    lines: Sequence[tuple[float, float]] = [
        (line.booked, line.standard) for line in (facts.charged.lines if facts.charged else ())
    ]
    return max((booked / max(standard, 1e-9) for booked, standard in lines), default=None)


def _months(since: str, opened_at: str) -> float | None:
    if not since:
        return None
    days = datetime.fromisoformat(opened_at).date() - date.fromisoformat(since)
    return days.days / DAYS_A_MONTH
