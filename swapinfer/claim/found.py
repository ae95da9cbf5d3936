"""What was found, in order, and what each finding weighs."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from swapinfer.claim.beliefs import WORTH_SAYING
from swapinfer.claim.document import Block, Items, Paragraph, Section, Table
from swapinfer.claim.entries import FindingLine, ReadingLine, Retracted
from swapinfer.claim.facts import ClaimFacts
from swapinfer.claim.settings import Numbers
from swapinfer.claim.words import LETTERS, capital, names, tell_what
from swapinfer.ledger.words import code_words, listed
from swapinfer.posterior import describe_weight


def tell_found(facts: ClaimFacts, numbers: Numbers) -> Section:
    """List all findings with their weights, from before the first on, and what was retracted."""
    intro = (
        "Good ranges hold nine in ten readings of things in order. Weights are for the "
        f"{names(facts)} being at fault, given the findings before, in decibans: ten of them "
        "multiply the odds by ten, and they add up."
    )
    rival = f"the {facts.best_rival.label}" if facts.best_rival else ""
    if rival:
        intro += (
            " The first column of them is against all else together, the last, with the words, "
            f"against {rival} alone, the likeliest of the others."
        )
    head = ("#", "When, who", "What was done", "Result", "Weight")
    table = Table(
        "Findings",
        (*head, f"Against {rival}") if rival else head,
        (
            _start(facts, numbers),
            *(_finding(found, facts, numbers) for found in facts.findings),
            _end(facts, numbers),
        ),
        widths=(2, 6, 8, 12, 4, 8) if rival else (2, 6, 9, 14, 8),
    )
    blocks: list[Block] = [Paragraph(intro), table]
    if facts.retracted:
        lines = tuple(
            f"{numbers.stamp(event)}: {event.said}. Retracted {numbers.moment(event.undone_at)} "
            f"by {event.undone_by}, {_reason(event)}."
            for event in facts.retracted
        )
        intro = "They stay in the ledger and count for nothing."
        blocks += [Paragraph("Retracted events", "heading"), Paragraph(intro), Items(lines)]
    return Section("found", "What was found, in order", tuple(blocks))


def _reason(event: Retracted) -> str:
    return f"“{event.reason}”" if event.reason else "no reason given"


def _start(facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    """Say how far the conclusion was from even odds, and from the rival, before any finding."""
    before = [_decibans(cause.before) for cause in facts.concluded]
    cells = ("", "", "before any finding", "by the prior probabilities", _weights(before, numbers))
    return (*cells, _weights(facts.best_rival.before_c, numbers)) if facts.best_rival else cells


def _end(facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    """Add the columns up: odds in the end, and how far above the rival."""
    after = [_decibans(cause.probability) for cause in facts.concluded]
    chances = listed([numbers.percent(cause.probability) for cause in facts.concluded])
    cells = ("", "", "together", f"probability {chances}", _weights(after, numbers))
    if facts.best_rival is None:
        return cells
    rows = [facts.best_rival.before_c, *(found.against_rival_c for found in facts.findings)]
    return (*cells, _weights([sum(column) for column in zip(*rows, strict=True)], numbers))


def _decibans(probability: float) -> float:
    """Ten times the common log of the odds, as far as they can be told."""
    inside = min(max(probability, 1e-12), 1.0 - 1e-12)
    return 10.0 * math.log10(inside / (1.0 - inside))


def _weights(weights: Sequence[float], numbers: Numbers) -> str:
    told = [f"{numbers.decibans(weight)} dB" for weight in weights]
    if len(told) == 1:
        return told[0]
    return ", ".join(f"{letter} {one}" for letter, one in zip(LETTERS, told, strict=False))


def _finding(finding: FindingLine, facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    cells = (
        f"#{finding.seq}",
        f"{numbers.moment(finding.at)}, {finding.who}",
        tell_what(finding, numbers),
        ". ".join(map(capital, [_result(finding, numbers), *_meaning(finding, facts, numbers)]))
        + ".",
    )
    alone = finding.decibans_c[: facts.subjects]
    columns = (alone, finding.against_rival_c) if facts.best_rival else (alone,)
    told = [_weights(column, numbers) for column in columns]
    if facts.subjects == 1 and finding.kind != "complaint":
        told[-1] += f": {_weight_words(columns[-1][0])}"
    return (*cells, *told)


def _meaning(finding: FindingLine, facts: ClaimFacts, numbers: Numbers) -> Iterator[str]:
    """Say what a finding means beside earlier ones, and why it weighs as one might not expect."""
    yield from finding.meaning
    if finding.kind == "complaint":
        yield "every job begins so: it speaks for all that has not long lain unnoticed"
    weight = min((finding.decibans_c[0], *finding.against_rival_c[:1]))
    if finding.reading and finding.reading.within is False and weight <= -WORTH_SAYING:
        best = max(range(len(facts.causes)), key=lambda c: finding.decibans_c[c])
        gain = finding.decibans_c[best]
        explains = f"it speaks most for the {facts.causes[best].label}"
        said = f"{explains} ({numbers.decibans(gain)} dB)" if gain > 0 else "no cause explains it"
        yield f"out of range, yet against the {facts.causes[0].label}: {said}"


def _weight_words(decibans: float) -> str:
    words = describe_weight(decibans)
    return f"{words} it" if "evidence" in words else words


def _result(finding: FindingLine, numbers: Numbers) -> str:
    if finding.kind == "complaint":
        return "a misfire was noticed while driving"
    if finding.kind in ("run", "stored"):
        return _run_result(finding)
    if finding.reading:
        return _reading_result(finding.reading, numbers)
    if finding.outcome == finding.normal:
        return f"{finding.outcome} (normal)"
    return f"{finding.outcome} (normal: {finding.normal})"


def _run_result(finding: FindingLine) -> str:
    read = code_words(finding.codes, finding.pending, finding.permanent)
    said = ", ".join(read) or "codes not read"
    if finding.counts:
        counts = ", ".join(f"{cylinder}: {count}" for cylinder, count in finding.counts)
        said += f"; misfire counts by cylinder {counts}"
    return f"{said}; {finding.felt}" if finding.felt else said


def _reading_result(reading: ReadingLine, numbers: Numbers) -> str:
    said = numbers.quantity(reading.value, reading.unit, 4)
    if reading.typed and reading.typed.replace(" ", "") != said.replace("\u00a0", ""):
        said += f", entered as “{reading.typed}”"
    if reading.reference is not None:
        said += f", against {numbers.quantity(reading.reference, reading.unit, 4)}"
    if reading.temperature_c is not None:
        said += f", part at {numbers.quantity(reading.temperature_c, 'degC')}"
    if reading.good is None:
        return said
    low, high = (numbers.quantity(value, reading.unit) for value in reading.good)
    within = "in range" if reading.within else "OUT of range"
    return f"{said}, {within} (good: {low} to {high})"
