"""What supports a conclusion: belief, findings, moves, rivals, doubt, cost, sources, the check."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from swapinfer.claim.beliefs import WORTH_SAYING, WORTH_SHOWING
from swapinfer.claim.document import Block, Figure, Image, Items, Paragraph, Section, Table
from swapinfer.claim.facts import (
    Arrangement,
    ClaimFacts,
    Conflict,
    FindingLine,
    Published,
    ReadingLine,
    Retracted,
    Rival,
    Trail,
)
from swapinfer.claim.figures import draw_course, draw_swaps
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import Comparison, Numbers
from swapinfer.ledger.words import code_words, listed
from swapinfer.posterior import describe_weight

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""Marks of the shown causes."""

ARROW = ("<->", "\u2194")
"""How an exchange stands at a shell and in print."""

UNCERTAIN = "What remains uncertain"
"""Title of the section that lists conflicts."""

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

GRADES = {
    "published": "published",
    "common": "common practice",
    "memory": "from memory",
    "chosen": "a choice",
    "learned": "learned",
}
"""Grades of a pack's sources, in words."""


def sections(
    facts: ClaimFacts, numbers: Numbers, pictures: Mapping[int, Picture]
) -> tuple[Section, ...]:
    """Lay open everything that the three headings rest on.

    Parameters
    ----------
    facts : ClaimFacts
        What is to be said.
    numbers : Numbers
        How numbers are written.
    pictures : mapping of int to Picture
        Attached pictures by position of their event.
    """
    return (
        _moved_belief(facts, numbers),
        _found(facts, numbers),
        _moved(facts, numbers),
        _rivals(facts, numbers),
        _uncertain(facts, numbers),
        _spent(facts, numbers),
        *_cautions(facts),
        *_notes(facts, numbers),
        *_photos(facts, numbers, pictures),
        _priors(facts, numbers),
        _check(facts, numbers),
    )


def names(facts: ClaimFacts) -> str:
    """Name the causes that the conclusion is about."""
    return listed([cause.label for cause in facts.concluded])


def _moved_belief(facts: ClaimFacts, numbers: Numbers) -> Section:
    blocks = (_draw_belief(facts, numbers), _tabulate_belief(facts, numbers))
    return Section("belief", "How belief moved", blocks)


def _draw_belief(facts: ClaimFacts, numbers: Numbers) -> Figure:
    """Draw the probability of each shown cause after each finding."""
    lettered = list(zip(LETTERS, facts.causes, strict=False))
    lines = [
        (letter, (cause.before, *(found.probability_c[c] for found in facts.findings)))
        for c, (letter, cause) in enumerate(lettered)
    ]
    ticks = ["start", *(f"#{found.seq}" for found in facts.findings)]
    ends = "; ".join(
        f"{letter}, {cause.label}, from {numbers.percent(cause.before)} before any finding to "
        f"{numbers.percent(cause.probability)}"
        for letter, cause in lettered
    )
    description = (
        "Line chart, one line a cause, probability from 0 to 100 percent against the findings in "
        f"order. {ends}."
    )
    legend = "; ".join(f"{letter}: {cause.label}" for letter, cause in lettered)
    caption = (
        f"Probability of being at fault after each finding. {legend}. The ends of the lines carry "
        "the letters; the table below has the numbers."
    )
    labels = ("How belief moved", description, "probability of being at fault")
    return Figure(draw_course(lines, ticks, labels), caption, description)


def _tabulate_belief(facts: ClaimFacts, numbers: Numbers) -> Table:
    """List the same numbers in a table."""
    before = map(numbers.percent, (cause.before for cause in facts.causes))
    rows = [
        (f"#{found.seq} {tell_what(found, numbers)}", *map(numbers.percent, found.probability_c))
        for found in facts.findings
    ]
    return Table(
        "Probability after each finding",
        ("Finding", *LETTERS[: len(facts.causes)]),
        (("before any finding", *before), *rows),
        widths=(3, *(1 for _ in facts.causes)),
        right=tuple(range(1, len(facts.causes) + 1)),
    )


def _found(facts: ClaimFacts, numbers: Numbers) -> Section:
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


def _moved(facts: ClaimFacts, numbers: Numbers) -> Section:
    title = "What was moved where"
    if not facts.moves:
        return Section("moved", title, (Paragraph("No part changed its place."),))
    moves = tuple(f"{numbers.stamp(move)}: {move.said.replace(*ARROW)}" for move in facts.moves)
    blocks: list[Block] = [Items(moves)]
    blocks += [_drawing(facts, arrangement) for arrangement in facts.arrangements]
    if facts.trails:
        blocks.append(Items(tuple(map(_trail, facts.trails))))
    return Section("moved", title, tuple(blocks))


def _trail(trail: Trail) -> str:
    stops = [f"then (#{seq}) {place}" if seq else f"at first {place}" for seq, place in trail.stops]
    return f"{trail.part}: {', '.join(stops)}"


def _drawing(facts: ClaimFacts, arrangement: Arrangement) -> Figure:
    times = [f"after #{seq}" if seq else "at first" for seq, _ in arrangement.rows]
    caption = (
        f"Each {arrangement.kind} followed by identity: columns are places, rows are times, and a "
        "box names where its part came from. Dashed lines lead to a new place; thick boxes are "
        "parts away from home."
    )
    elements = {part.element for _, parts in arrangement.rows for part in parts}
    trails = [_trail(trail) for trail in facts.trails if trail.element in elements]
    description = f"{'; '.join(trails)}."
    subjects = {cause.element for cause in facts.concluded}
    svg = draw_swaps(arrangement, times, subjects, (arrangement.kind, description))
    return Figure(svg, caption, description)


def _rivals(facts: ClaimFacts, numbers: Numbers) -> Section:
    title = "Other causes, and why each was put aside"
    if not facts.rivals:
        none = f"No other cause ever reached {numbers.percent(WORTH_SHOWING)}."
        return Section("rivals", title, (Paragraph(none),))
    lines = tuple(_rival(rival, facts, numbers) for rival in facts.rivals)
    how = (
        "How much likelier beforehand is worked out over every combination of faults: what may be "
        "at fault beside the conclusion, not in its stead, draws level later than the ratio says."
    )
    return Section("rivals", title, (Items(lines), Paragraph(how, "small")))


def _rival(rival: Rival, facts: ClaimFacts, numbers: Numbers) -> str:
    said = f"The {rival.label} stands at {numbers.percent(rival.probability)}"
    first = facts.causes[0]
    if rival.probability < first.probability:
        times = numbers.times_less(rival.probability, first.probability)
        said += f", {times} times less than the {first.label}"
    said += "."
    if rival.against:
        findings = [f"#{one.seq} ({numbers.decibans(one.decibans)} dB)" for one in rival.against]
        said += f" What spoke most against it: {listed(findings)}."
    else:
        said += " No single finding spoke against it by more than a deciban."
    if rival.factor is None:
        return f"{said} It is the likeliest of all."
    return (
        f"{said} It would have to be {numbers.factor(rival.factor)} times likelier beforehand to "
        f"draw level with the {facts.leader}."
    )


def _uncertain(facts: ClaimFacts, numbers: Numbers) -> Section:
    lines = tuple(
        f"{cause.label}: {numbers.between(cause.low, cause.high)}"
        for cause in facts.causes
        if cause.low is not None and cause.high is not None
    )
    blocks: list[Block] = []
    if lines:
        intro = (
            "90 % intervals over what the priors themselves leave open "
            f"({facts.standing.draws} draws of them):"
        )
        blocks += [Paragraph(intro), Items(lines)]
    else:
        none = "The findings are too entangled for an interval to be computed in a reasonable time."
        blocks.append(Paragraph(none))
    if facts.flip:
        nearest = (
            f"Flip point: the {facts.flip.rival} would draw level with the {facts.flip.leader} "
            f"only if it were {numbers.factor(facts.flip.factor)} times likelier beforehand than "
            "the priors say; no other cause is nearer."
        )
        blocks.append(Paragraph(nearest))
    if facts.conflicts:
        told = (f"Conflict: {tell_conflict(one, numbers)}" for one in facts.conflicts)
        blocks.append(Items(tuple(told)))
    else:
        none = "No finding conflicts with the conclusion, and the records are in order."
        blocks.append(Paragraph(none))
    return Section("open", UNCERTAIN, tuple(blocks))


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


def _spent(facts: ClaimFacts, numbers: Numbers) -> Section:
    spent = facts.spent
    rate = numbers.money(spent.rate_per_hour, spent.currency)
    first, last = numbers.moment(spent.first_at), numbers.moment(spent.last_at)
    intro = (
        f"Standard times of the priors' pack for what was recorded, labour at {rate} an hour; no "
        f"stopwatch. On the clock the job lasted from {first} to {last}."
    )
    if numbers.settings.exchange != 1.0:
        rate = numbers.significant(numbers.settings.exchange)
        intro += (
            f" Amounts of the priors, where the shop has none of its own, are counted at {rate} "
            f"{spent.currency} for one unit of the priors' currency."
        )
    parts = (
        f"parts ({spent.parts_fitted}; {spent.parts_priced} at the price entered, others at a "
        "typical one)"
    )
    rows: list[tuple[str, float | None, float]] = [
        *((WORK[line.work], line.minutes, line.money) for line in spent.lines if line.minutes),
        (parts, None, spent.parts),
        ("consumables, fuel and wear of driving", None, spent.other),
        ("together", spent.minutes, spent.total),
    ]
    table = Table(
        "Standard times and their cost",
        ("Work", "Time", "Cost"),
        tuple(
            (
                work,
                "" if minutes is None else numbers.minutes(minutes),
                numbers.money(money, spent.currency),
            )
            for work, minutes, money in rows
        ),
        widths=(4, 2, 2),
        right=(1, 2),
    )
    blocks: list[Block] = [Paragraph(intro), table]
    for repair in spent.unclear:
        low, high = numbers.minutes(repair.low), numbers.minutes(repair.high)
        unclear = (
            f"How the {repair.label} failed is not known: putting it right takes {low} to {high}, "
            "access included; counted is the usual repair of its kind."
        )
        blocks.append(Paragraph(unclear))
    if numbers.settings.comparison:
        blocks.append(_comparison(numbers.settings.comparison, spent.currency, numbers))
    return Section("spent", "Time and cost", tuple(blocks))


def _comparison(comparison: Comparison, currency: str, numbers: Numbers) -> Paragraph:
    mean, low, high = (
        numbers.money(value, currency)
        for value in (comparison.mean, comparison.low, comparison.high)
    )
    return Paragraph(
        f"The common order, easiest part first, costs {mean} on average on "
        f"{numbers.plain(comparison.jobs)} simulated vehicles with the causes that this job leaves "
        f"possible (90 % interval of that average: {low} to {high}). It is counted from the first "
        "misfire on, comebacks included."
    )


def _cautions(facts: ClaimFacts) -> tuple[Section, ...]:
    if not facts.cautions:
        return ()
    intro = (
        "They belong to the work recorded above. The maker's procedure, local codes and licensed "
        "practice come first."
    )
    return (Section("cautions", "Cautions that apply", (Paragraph(intro), Items(facts.cautions))),)


def _notes(facts: ClaimFacts, numbers: Numbers) -> tuple[Section, ...]:
    lines = tuple(f"{numbers.stamp(note)}: {note.text}" for note in facts.notes)
    return (Section("notes", "Notes", (Items(lines),)),) if lines else ()


def _photos(
    facts: ClaimFacts, numbers: Numbers, pictures: Mapping[int, Picture]
) -> tuple[Section, ...]:
    blocks: list[Block] = []
    for photo in facts.photos:
        shows = "" if photo.of is None else f", of #{photo.of}"
        caption = f"{numbers.stamp(photo)}: {photo.caption or photo.name}{shows}"
        shown = pictures.get(photo.seq)
        if shown:
            blocks.append(Image(shown, caption, photo.digest))
        else:
            blocks.append(Paragraph(f"{caption} (the picture cannot be shown)"))
    return (Section("photos", "Photographs", tuple(blocks)),) if blocks else ()


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


def _priors(facts: ClaimFacts, numbers: Numbers) -> Section:
    source = facts.provenance
    pack = (
        f"Pack {source.pack} {source.version}, digest {source.digest}: "
        f"{tell_priors(facts.published, numbers)}."
    )
    changes = tell_changes(facts.published, numbers)
    table = Table(
        "Sources",
        ("Numbers", "Grade", "Source"),
        tuple(
            (numbers.plain(line.numbers), GRADES[line.grade], line.text) for line in source.sources
        ),
        widths=(3, 5, 12),
        right=(0,),
    )
    blocks = (Paragraph(pack), *((Items(changes),) if changes else ()), table)
    return Section("priors", "Where the prior probabilities come from", blocks)


def _check(facts: ClaimFacts, numbers: Numbers) -> Section:
    ledger = facts.ledger
    intro = (
        f"{numbers.plain(ledger.records)} events are chained by SHA-256; the last digest covers "
        "all of them and the priors. With the exported job file, this one command checks the "
        "chain, computes every number anew and says whether it is the same job:"
    )
    limits = (
        "What the chain cannot show: whoever has the whole ledger can write another that is whole "
        "too. It shows that nothing was changed since a digest left the shop; a seal of the store "
        "given away in time shows what there was by then. That the clock was right, that all was "
        "recorded, and that a name is that of who typed, it does not."
    )
    made = (
        f" on {numbers.moment(written_at)}" if (written_at := numbers.settings.written_at) else ""
    )
    blocks = (
        Paragraph(intro),
        Paragraph(f"swapinfer claim verify JOB-FILE.json --expect {ledger.head}", "code"),
        Paragraph(f"Digest of the ledger: {ledger.head}"),
        Paragraph(
            "With the write-up in JSON, text and pictures of a printed one are held against it too:"
        ),
        Paragraph("swapinfer claim verify PRINTED.pdf --job WRITE-UP.json", "code"),
        Paragraph(limits),
        Paragraph(f"Written by swapinfer {ledger.program}{made}.", "small"),
    )
    return Section("check", "How to check every number", blocks)
