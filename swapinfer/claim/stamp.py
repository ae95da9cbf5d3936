"""What must be known before a write-up is read: why it is a draft, and what does not hold."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

from swapinfer.claim.facts import ClaimFacts, Conflict, Exceeded, Otherwise, Unrecorded
from swapinfer.claim.settings import Numbers
from swapinfer.claim.words import UNCERTAIN, capital, names, tell_conflict, tell_priors
from swapinfer.ledger.words import listed


def tell_draft(facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    """Say why a write-up is a draft; nothing if it is none."""
    standing = facts.standing
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
        "incomplete": _tell_missing(facts, numbers),
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
        yield _tell_exceeded(facts, numbers)

    misfits = [one for one in facts.conflicts if one.is_of_time]
    if misfits:
        yield _misfits(misfits, numbers)


def _tell_missing(facts: ClaimFacts, numbers: Numbers) -> str:
    """Say what the template requires and nobody recorded."""
    missing = [tell_unrecorded(one) for one in facts.unrecorded if one.is_required]
    return f"Required{_by_whom(numbers)}, and not on record: {'; '.join(missing)}."


def _tell_exceeded(facts: ClaimFacts, numbers: Numbers) -> str:
    beyond = "; ".join(tell_exceeded(one, facts.spent.currency, numbers) for one in facts.exceeded)
    return f"Beyond the limits{_by_whom(numbers)}: {beyond}."


def _by_whom(numbers: Numbers) -> str:
    name = numbers.settings.template.name
    return f" of {name}" if name else ""


def tell_unrecorded(one: Unrecorded) -> str:
    """Say what is not on record, and of what."""
    return f"{one.words} ({listed(one.of)})" if one.of else one.words


def tell_exceeded(one: Exceeded, currency: str, numbers: Numbers) -> str:
    """Say which limit is passed, by what."""
    amount = partial(numbers.money, currency=numbers.settings.template.currency or currency)
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


def _misfits(misfits: Sequence[Conflict], numbers: Numbers) -> str:
    """Say which times do not fit, the first of each kind in words."""
    told = {one.kind: one for one in reversed(misfits)}.values()
    said = " ".join(capital(tell_conflict(one, numbers)) for one in reversed(told))
    left = len(misfits) - len(told)
    more = f" {numbers.plain(left)} more: see “{UNCERTAIN}”." if left else ""
    return f"Times do not fit. {said}{more}"


def _retractions(facts: ClaimFacts, counted: Otherwise, numbers: Numbers) -> str:
    """Say how many findings were retracted, and how much work, why, and what they would do."""
    weighed = [event for event in facts.retracted if event.is_weighed]
    findings = sum(event.is_finding for event in weighed)
    counts = (
        (findings, "finding", "findings"),
        (len(weighed) - findings, "piece of work", "pieces of work"),
    )
    what = listed(
        [
            f"{numbers.plain(count)} {one if count == 1 else many}"
            for count, one, many in counts
            if count
        ]
    )
    reasons = dict.fromkeys(event.reason for event in weighed)
    given = [f"“{reason}”" for reason in reasons if reason] + ["no reason given"] * ("" in reasons)
    were, them = ("were", "them") if len(weighed) > 1 else ("was", "it")
    other = _otherwise(counted, facts, numbers, f"with {them} counted")
    return f"{what} {were} retracted ({'; '.join(given)}). {other}"


def _otherwise(other: Otherwise, facts: ClaimFacts, numbers: Numbers, how: str) -> str:
    """Say what would become of the conclusion."""
    if other.joint is None:
        return f"What the job would lead to {how} cannot be worked out: {other.why_not}."
    named = names(facts)
    joint, stands = numbers.percent(other.joint), numbers.percent(facts.standing.joint)
    said = f"The {named} would stand at {joint} {how}"
    said += ", as it does here" if joint == stands else f", against {stands} here"
    if other.leader in [cause.label for cause in facts.concluded]:
        return f"{said}."
    likeliest = numbers.percent(other.leader_probability)
    return f"{said}; likeliest would be the {other.leader}, at {likeliest}."
