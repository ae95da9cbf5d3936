"""Sections that lay the evidence open: the course of belief, findings, moves."""

from __future__ import annotations

from swapinfer.claim.document import Block, Figure, Items, Paragraph, Section, Table
from swapinfer.claim.facts import Arrangement, Finding, Reading
from swapinfer.claim.figures import draw_course, draw_swaps
from swapinfer.claim.pen import LETTERS, Pen, capital


def course(pen: Pen) -> Figure:
    """Draw the probability of each shown cause after each finding."""
    causes = pen.facts.causes
    lines = [
        (letter, (cause.before, *(found.probability_c[c] for found in pen.facts.findings)))
        for c, (letter, cause) in enumerate(zip(LETTERS, causes, strict=False))
    ]
    ticks = [pen.say("course.start"), *(f"#{found.seq}" for found in pen.facts.findings)]
    ends = "; ".join(
        pen.say(
            "course.end",
            letter=letter,
            label=cause.label,
            first=pen.numbers.percent(cause.before),
            last=pen.numbers.percent(cause.probability),
        )
        for letter, cause in zip(LETTERS, causes, strict=False)
    )
    description = pen.say("course.description", ends=ends)
    labels = (pen.say("course"), description, pen.say("course.axis"))
    caption = pen.say("course.caption", legend=_legend(pen))
    return Figure(draw_course(lines, ticks, labels), caption, description)


def _legend(pen: Pen) -> str:
    return "; ".join(
        pen.say("course.legend", letter=letter, label=cause.label)
        for letter, cause in zip(LETTERS, pen.facts.causes, strict=False)
    )


def course_table(pen: Pen) -> Table:
    """List the same numbers in a table."""
    causes = pen.facts.causes
    first = (pen.say("course.before"), *(pen.numbers.percent(cause.before) for cause in causes))
    rows = [
        (f"#{found.seq} {what(pen, found)}", *map(pen.numbers.percent, found.probability_c))
        for found in pen.facts.findings
    ]
    return Table(
        pen.say("course.table"),
        (pen.say("course.finding"), *LETTERS[: len(causes)]),
        (first, *rows),
        right=frozenset(range(1, len(causes) + 1)),
        widths=(3, *(1 for _ in causes)),
    )


def found(pen: Pen) -> Section:
    """List every finding that stands, and the events that were retracted."""
    table = Table(
        pen.say("found.table"),
        pen.split("found.head"),
        tuple(_row(pen, finding) for finding in pen.facts.findings),
        widths=(2, 6, 9, 14, 8),
    )
    blocks: list[Block] = [Paragraph(pen.say("found.intro", cause=pen.subject)), table]
    if pen.facts.retracted:
        blocks += [Paragraph(pen.say("retracted"), "heading")]
        blocks += [Paragraph(pen.say("retracted.intro")), Items(_retracted(pen))]
    return Section("found", pen.say("found"), tuple(blocks))


def _retracted(pen: Pen) -> tuple[str, ...]:
    return tuple(
        pen.say(
            "retracted.line",
            **pen.stamp(event.seq, event.at, event.who),
            said=event.said,
            undone=pen.numbers.moment(event.undone_at),
            by=event.undone_by,
        )
        for event in pen.facts.retracted
    )


def _row(pen: Pen, finding: Finding) -> tuple[str, ...]:
    weights = finding.decibans_c[: pen.facts.subjects]
    lettered = [
        pen.say("weight.one of", letter=letter, decibans=pen.numbers.decibans(db))
        for letter, db in zip(LETTERS, weights, strict=False)
    ]
    return (
        f"#{finding.seq}",
        f"{pen.numbers.moment(finding.at)}, {finding.who}",
        what(pen, finding),
        ". ".join(map(capital, [_result(pen, finding), *finding.meaning])) + ".",
        ", ".join(lettered) if len(weights) > 1 else pen.weight(weights[0]),
    )


def what(pen: Pen, finding: Finding) -> str:
    """Name a finding."""
    if finding.kind == "complaint":
        return pen.say("found.complaint")
    if finding.kind == "run":
        said = pen.say("found.run", minutes=pen.numbers.minutes(finding.minutes or 0.0))
        if finding.conditions:
            said += pen.say("found.run.conditions", conditions="; ".join(finding.conditions))
        return said
    return pen.say("found.where", what=finding.what, where=finding.where)


def _result(pen: Pen, finding: Finding) -> str:
    if finding.kind == "complaint":
        return pen.say("found.complaint.result")
    if finding.kind == "run":
        return _run_result(pen, finding)
    if finding.reading:
        return _reading_result(pen, finding.reading)
    if finding.outcome == finding.normal:
        return pen.say("found.inspection.normal", outcome=finding.outcome)
    return pen.say("found.inspection", outcome=finding.outcome, normal=finding.normal)


def _run_result(pen: Pen, finding: Finding) -> str:
    said = []
    if finding.codes is None:
        said.append(pen.say("found.run.not read"))
    elif finding.codes:
        said.append(pen.say("found.run.codes", codes=pen.join(finding.codes)))
    else:
        said.append(pen.say("found.run.no codes"))
    if finding.counts:
        counts = [pen.say("found.run.count", cylinder=c, count=n) for c, n in finding.counts]
        said.append(pen.say("found.run.counts", counts=", ".join(counts)))
    if finding.felt:
        said.append(pen.say("found.run.felt", felt=finding.felt))
    return "; ".join(said)


def _reading_result(pen: Pen, reading: Reading) -> str:
    value = pen.numbers.quantity(reading.value, reading.unit, 4)
    if reading.typed and reading.typed.replace(" ", "") != value.replace("\u00a0", ""):
        value += pen.say("found.reading.typed", typed=reading.typed)
    if reading.reference is not None:
        reference = pen.numbers.quantity(reading.reference, reading.unit, 4)
        value += pen.say("found.reading.reference", reference=reference)
    if reading.temperature_c is not None:
        temperature = pen.numbers.quantity(reading.temperature_c, "degC")
        value += pen.say("found.reading.temperature", temperature=temperature)
    if reading.good is None:
        return pen.say("found.reading.bare", value=value)
    value += pen.say("found.reading.within" if reading.within else "found.reading.outside")
    return pen.say("found.reading", value=value, good=pen.numbers.good(reading))


def moved(pen: Pen) -> Section:
    """Draw and list what was moved where."""
    moves = tuple(
        pen.say(
            "moved.line",
            **pen.stamp(move.seq, move.at, move.who),
            said=move.said.replace("<->", "\u2194"),
        )
        for move in pen.facts.moves
    )
    if not moves:
        return Section("moved", pen.say("moved"), (Paragraph(pen.say("moved.none")),))
    trails = tuple(_trail(pen, trail.part, trail.stops) for trail in pen.facts.trails)
    drawings = tuple(_drawing(pen, arrangement) for arrangement in pen.facts.arrangements)
    lists: tuple[Block, ...] = (Items(trails),) if trails else ()
    return Section("moved", pen.say("moved"), (Items(moves), *drawings, *lists))


def _trail(pen: Pen, part: str, stops: tuple[tuple[int, str], ...]) -> str:
    words = [pen.say("moved.stop.first", place=stops[0][1])] if stops[0][0] == 0 else []
    words += [pen.say("moved.stop", seq=seq, place=place) for seq, place in stops if seq]
    return pen.say("moved.trail", part=part, stops=", ".join(words))


def _drawing(pen: Pen, arrangement: Arrangement) -> Figure:
    times = [
        pen.say("moved.after", seq=seq) if seq else pen.say("moved.start")
        for seq, _ in arrangement.rows
    ]
    caption = pen.say("moved.caption", kind=arrangement.kind)
    elements = {part.element for _, parts in arrangement.rows for part in parts}
    trails = "; ".join(
        _trail(pen, trail.part, trail.stops)
        for trail in pen.facts.trails
        if trail.element in elements
    )
    description = pen.say("moved.description", trails=trails)
    subjects = {cause.element for cause in pen.subjects}
    svg = draw_swaps(arrangement, times, subjects, (arrangement.kind, description))
    return Figure(svg, caption, description)
