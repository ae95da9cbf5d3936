"""Sentences that several parts of a write-up share."""

from __future__ import annotations

from swapinfer.claim.entries import FindingLine
from swapinfer.claim.facts import CauseLine, ClaimFacts, Conflict, Published
from swapinfer.claim.settings import Numbers
from swapinfer.ledger.words import listed

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""Marks of the shown causes."""

ARROW = ("<->", "\u2194")
"""How an exchange stands at a shell and in print."""

UNCERTAIN = "What remains uncertain"
"""Title of the section that lists conflicts."""

WORTH_NAMING = 0.01
"""Share of a cause's probability from which a mode is named."""

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


def names(facts: ClaimFacts) -> str:
    """Name the causes that the conclusion is about."""
    return listed([cause.label for cause in facts.concluded])


def capital(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


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
    counted = [
        f"{numbers.plain(count)} {one if count == 1 else many}"
        for count, one, many in (
            (published.numbers, "number", "numbers"),
            (published.others, "other entry", "other entries"),
        )
        if count
    ]
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


def tell_modes(cause: CauseLine, numbers: Numbers) -> str:
    """Say how a cause may have failed, by the findings, the likeliest way first."""
    modes = [
        f"{mode.title} {numbers.percent(mode.probability)}"
        for mode in cause.modes
        if mode.probability >= WORTH_NAMING * cause.probability
    ]
    return f"By the findings, how the {cause.label} failed: {', '.join(modes)}."
