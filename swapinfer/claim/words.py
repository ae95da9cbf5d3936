"""How facts are worded: numbers, dates and units, sentences used twice, and those at the stamp."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial

from msgspec import Struct

from swapinfer.claim.facts import (
    CauseLine,
    ClaimFacts,
    Conflict,
    Exceeded,
    FindingLine,
    OnRecord,
    Otherwise,
    Published,
    Unrecorded,
    Vehicle,
)
from swapinfer.claim.settings import DATES, ClaimSettings
from swapinfer.ledger.words import listed
from swapinfer.units import convert

PRESSURES = ("kPa", "psi", "bar")
SIGNS = {"degC": "°C", "degF": "°F", "ohm": "Ω", "kohm": "kΩ", "Mohm": "MΩ"}
_UNBROKEN = "\u00a0"  # keeps a number and its unit on one line
LEAST = 1e-4  # probabilities below it are not told apart, nor are those as near to certainty
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"  # marks of the shown causes
UNCERTAIN = "What remains uncertain"  # title of the section that lists conflicts
WORTH_NAMING = 0.01  # share of a cause's probability from which a mode is named

WORK = {
    "testing": "testing and reading codes",
    "moving": "moving and reseating parts",
    "repairing": "repairing",
    "access": "opening and closing access",
    "driving": "driving",
}
"""Kinds of work that minutes are told apart by, in words."""

CONFLICTS = {
    "against": "finding #{seq} speaks against the {detail} by {weight} dB.",
    "check again": (
        "finding #{seq} is worth checking again: all the others make it less likely by {weight} "
        "dB, and no likely cause explains it well."
    ),
    "not leading": "the job was closed with another cause than the likeliest, the {detail}.",
    "not named": "the {detail} is likely to be at fault too, and was not named at closing.",
    "mode": (
        "the job was closed with {detail}; of the ways in which it may have failed, the findings "
        "leave that one {share}."
    ),
    "odometer": "the odometer showed less when the vehicle left than when it came.",
    "picture": "picture #{seq} is not the one whose digest was recorded when it was attached.",
    "clock": (
        "event #{seq} ({when}) is dated before the one that it follows: a clock was set back, or "
        "two computers differ."
    ),
    "drive": (
        "#{seq}, recorded {when}, is a drive of {minutes}, but what was done before it was "
        "recorded {since}."
    ),
    "work": "what was recorded from {since} to {when} takes {minutes} by standard times.",
    "future": "event #{seq} is dated {when}, which was still to come.",
    "packs": "event #{seq} was recorded under other priors ({detail}).",
}
"""What does not fit, in a sentence."""


class Numbers(Struct, frozen=True):
    """Writes numbers by a shop's settings: units, decimal sign, form of dates."""

    settings: ClaimSettings

    def plain(self, value: float, digits: int = 0) -> str:
        """Write a fixed number of digits, thousands parted."""
        text = f"{value:,.{digits}f}"
        if text.lstrip("-0.,") == "":
            text = text.lstrip("-")
        if self.settings.decimal == ",":
            text = text.translate(str.maketrans(",.", ".,"))
        return text.replace("-", "\u2212")

    def count(self, *counts: tuple[int, str, str]) -> list[str]:
        """Say how many there are of each of some things, in the singular or plural, if any."""
        return [f"{self.plain(n)} {one if n == 1 else many}" for n, one, many in counts if n]

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
        shown = unit
        if unit in PRESSURES:
            shown = self.settings.pressure
        elif unit == "degC":
            shown = self.settings.temperature
        value = convert(value, unit, shown)
        if shown == "ohm" and abs(value) >= 1000:
            value, shown = value / 1000, "kohm"
        sign = SIGNS.get(shown, shown)
        return f"{self.significant(value, digits)}{_UNBROKEN}{sign}".rstrip()

    def day(self, at: str) -> str:
        """Day of a time, where it was recorded."""
        return datetime.fromisoformat(at).strftime(DATES[self.settings.dates])

    def moment(self, at: str) -> str:
        """Day and time of day, where it was recorded."""
        return f"{self.day(at)} {datetime.fromisoformat(at):%H:%M}"

    def stamp(self, entry: OnRecord) -> str:
        """Position, time and name of what stands in the ledger."""
        return f"#{entry.seq}, {self.moment(entry.at)}, {entry.who}"


def capital(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def names(facts: ClaimFacts) -> str:
    """Name the causes that the conclusion is about."""
    return listed([cause.label for cause in facts.concluded])


def reason_given(reason: str) -> str:
    """Give the reason of something that was retracted, in the words that were typed."""
    return f"“{reason}”" if reason else "no reason given"


def tell_odometer(vehicle: Vehicle, numbers: Numbers) -> str:
    """Say what the odometer showed, and how far it was driven with the fault."""
    came, left, driven = (
        "not given" if km is None else numbers.distance(km)
        for km in (vehicle.odometer_km, vehicle.odometer_out_km, vehicle.driven_km)
    )
    return f"in {came}, out {left}; driven with the fault: {driven}"


def tell_conclusion(facts: ClaimFacts, numbers: Numbers) -> str:
    """Say what was at fault, how firmly that is worded, and how probable it is."""
    standing = facts.standing
    firm = "Suspected only" if standing.joint < 0.5 else "Probable, not established"
    if standing.joint >= standing.established and "own priors" not in standing.draft:
        firm = "Established"
    name = listed([cause.headline for cause in facts.concluded])
    if len(facts.concluded) > 1:
        name += " together"
    under = "" if facts.published.is_same else " under the shop's own priors"
    return f"{firm}: {name}, with a probability of {numbers.percent(standing.joint)}{under}."


def tell_what(finding: FindingLine, numbers: Numbers) -> str:
    """Say what was done to find it."""
    if finding.kind == "complaint":
        return "complaint" if finding.seq == 0 else "the vehicle came back"
    if finding.kind == "stored":
        age = finding.what or "how old it is nobody knows"
        return "; ".join(["stored when the vehicle came in", age, *finding.conditions])
    if finding.kind == "run":
        ran = f"engine run, {numbers.minutes(finding.minutes or 0.0)}"
        return "; ".join([ran, *finding.conditions])
    return f"{finding.what}, {finding.where}"


def tell_modes(cause: CauseLine, numbers: Numbers) -> str:
    """Say how a cause may have failed, by the findings, the likeliest way first."""
    modes = [
        f"{mode.title} {numbers.percent(mode.probability)}"
        for mode in cause.modes
        if mode.probability >= WORTH_NAMING * cause.probability
    ]
    return f"By the findings, how the {cause.label} failed: {', '.join(modes)}."


def tell_conflict(conflict: Conflict, numbers: Numbers) -> str:
    """Say what does not fit, in a sentence."""
    return CONFLICTS[conflict.kind].format(
        seq=conflict.seq,
        detail=conflict.detail,
        when=numbers.moment(conflict.detail) if conflict.is_of_time else "",
        since=numbers.moment(conflict.since) if conflict.since else "",
        weight=numbers.decibans(conflict.decibans or 0.0),
        minutes=numbers.minutes(conflict.minutes or 0.0),
        share=numbers.percent(conflict.share or 0.0),
    )


def tell_priors(published: Published, numbers: Numbers) -> str:
    """Say whether priors are the published ones, and how many of their entries are not."""
    named = f"the published {published.pack} {published.version}"
    if published.is_same:
        return named
    counted = numbers.count(
        (published.numbers, "number", "numbers"),
        (published.others, "other entry", "other entries"),
    )
    differs = "differs" if published.numbers + published.others == 1 else "differ"
    return f"NOT {named}: {' and '.join(counted) or 'names, sources or their order'} {differs}"


def tell_changes(published: Published, numbers: Numbers) -> tuple[str, ...]:
    """Say of each entry that was changed what it was, what it is and what that alone leads to."""
    lines = []
    for one in published.changed:
        alone = "" if one.joint is None else f" (alone, it leads to {numbers.percent(one.joint)})"
        lines.append(f"{one.path}: {one.published} as published, here {one.own}{alone}")
    left = published.numbers + published.others - len(lines)
    return (*lines, f"{numbers.plain(left)} more, not listed") if left else tuple(lines)


def tell_draft(facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    """Say why a write-up is a draft; nothing if it is none."""
    standing = facts.standing
    missing = [tell_unrecorded(one) for one in facts.unrecorded if one.is_required]
    words = {
        "open": "The job is not closed: what follows may still change.",
        "unrepaired": "Closed without a repair on record.",
        "unverified": "Repaired, not verified.",
        "claimed": "Closed as verified; no clean drive of the length asked is on record.",
        "not established": (
            f"The cause stands at {numbers.percent(standing.joint)}, under the "
            f"{numbers.percent(standing.established)} from which this shop calls a cause "
            "established."
        ),
        "own priors": "The cause is established only under priors that are not the published ones.",
        "incomplete": f"Required{_by_whom(numbers)}, and not on record: {'; '.join(missing)}.",
    }
    return tuple(words[reason] for reason in standing.draft)


def remarks(facts: ClaimFacts, numbers: Numbers) -> Iterator[str]:
    """Yield what a reviewer must know before reading on, whatever the state of the job."""
    if not facts.published.is_same:
        yield (
            f"The priors are {tell_priors(facts.published, numbers)}. "
            f"{_otherwise(facts.published.concludes, facts, numbers, 'under the published ones')}"
        )
    if facts.with_retracted:
        yield _retractions(facts, facts.with_retracted, numbers)
    if facts.exceeded:
        beyond = "; ".join(tell_exceeded(one, facts, numbers) for one in facts.exceeded)
        yield f"Beyond the limits{_by_whom(numbers)}: {beyond}."
    if misfits := [one for one in facts.conflicts if one.is_of_time]:
        first = {one.kind: one for one in reversed(misfits)}.values()
        told = " ".join(capital(tell_conflict(one, numbers)) for one in reversed(first))
        left = len(misfits) - len(first)
        more = f" {numbers.plain(left)} more: see “{UNCERTAIN}”." if left else ""
        yield f"Times do not fit. {told}{more}"


def _by_whom(numbers: Numbers) -> str:
    name = numbers.settings.template.name
    return f" of {name}" if name else ""


def tell_unrecorded(one: Unrecorded) -> str:
    """Say what is not on record, and of what."""
    return f"{one.words} ({listed(one.of)})" if one.of else one.words


def tell_exceeded(one: Exceeded, facts: ClaimFacts, numbers: Numbers) -> str:
    """Say which limit is passed, by what."""
    currency = numbers.settings.template.currency or facts.spent.currency
    amount = partial(numbers.money, currency=currency)
    words: dict[str, tuple[str, Callable[[float], str]]] = {
        "probability": ("probability at least", numbers.percent),
        "residual_risk": ("residual risk at most", numbers.percent),
        "labour_minutes": ("booked labour at most", numbers.minutes),
        "times_standard": ("booked, times the standard time, at most", numbers.significant),
        "parts": ("parts at most", amount),
        "total": ("amount at most", amount),
        "months_in_service": ("months in service at most", numbers.significant),
        "odometer_km": ("odometer when it came at most", numbers.distance),
        "retracted": ("retracted findings at most", numbers.plain),
    }
    title, write = words[one.limit]
    found = "not known" if one.value is None else write(one.value)
    return f"{title} {write(one.bound)}, here {found}"


def _retractions(facts: ClaimFacts, counted: Otherwise, numbers: Numbers) -> str:
    """Say how many findings were retracted, and how much work, why, and what they would do."""
    weighed = [event for event in facts.retracted if event.is_weighed]
    findings = sum(event.is_finding for event in weighed)
    what = numbers.count(
        (findings, "finding", "findings"),
        (len(weighed) - findings, "piece of work", "pieces of work"),
    )
    reasons = dict.fromkeys(event.reason for event in weighed)
    given = "; ".join(reason_given(reason) for reason in sorted(reasons, key=lambda why: not why))
    were, them = ("were", "them") if len(weighed) > 1 else ("was", "it")
    other = _otherwise(counted, facts, numbers, f"with {them} counted")
    return f"{listed(what)} {were} retracted ({given}). {other}"


def _otherwise(other: Otherwise, facts: ClaimFacts, numbers: Numbers, how: str) -> str:
    """Say what would become of the conclusion."""
    if other.joint is None:
        return f"What the job would lead to {how} cannot be worked out: {other.why_not}."
    joint, stands = numbers.percent(other.joint), numbers.percent(facts.standing.joint)
    said = f"The {names(facts)} would stand at {joint} {how}"
    said += ", as it does here" if joint == stands else f", against {stands} here"
    if other.leader in [cause.label for cause in facts.concluded]:
        return f"{said}."
    likeliest = numbers.percent(other.leader_probability)
    return f"{said}; likeliest would be the {other.leader}, at {likeliest}."
