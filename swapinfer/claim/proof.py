"""What supports a conclusion: belief, findings, moves, rivals, doubt, cost, sources, the check."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from swapinfer.claim import words
from swapinfer.claim.beliefs import WORTH_SAYING, WORTH_SHOWING
from swapinfer.claim.document import Block, Figure, Image, Items, Paragraph, Section, Table
from swapinfer.claim.facts import ClaimFacts, FindingLine, ReadingLine, Rival, Trail
from swapinfer.claim.figures import draw_course, draw_swaps
from swapinfer.claim.pictures import Picture
from swapinfer.claim.words import Numbers
from swapinfer.ledger.words import code_words, listed
from swapinfer.posterior import describe_weight

ARROW = ("<->", "\u2194")  # how an exchange stands at a shell and in print

GRADES = {"common": "common practice", "memory": "from memory", "chosen": "a choice"}
"""Grades of a pack's sources in other words."""


def sections(facts: ClaimFacts, numbers: Numbers, pictures: dict[int, Picture]) -> list[Section]:
    """Lay open everything that the three headings rest on; pictures are by their event."""
    parts = (
        ("belief", "How belief moved", _belief(facts, numbers)),
        ("found", "What was found, in order", _found(facts, numbers)),
        ("moved", "What was moved where", _moved(facts, numbers)),
        ("rivals", "Other causes, and why each was put aside", _rivals(facts, numbers)),
        ("open", words.UNCERTAIN, _uncertain(facts, numbers)),
        ("spent", "Time and cost", _spent(facts, numbers)),
        ("cautions", "Cautions that apply", _cautions(facts)),
        ("notes", "Notes", _notes(facts, numbers)),
        ("photos", "Photographs", _photos(facts, numbers, pictures)),
        ("priors", "Where the prior probabilities come from", _priors(facts, numbers)),
        ("check", "How to check every number", _check(facts, numbers)),
    )
    told = ((id_, title, tuple(blocks)) for id_, title, blocks in parts)
    return [Section(*part) for part in told if part[-1]]


def _belief(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    """Draw the probability of each shown cause after each finding, and list it in a table."""
    lettered = list(zip(words.LETTERS, facts.causes, strict=False))
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
    before = map(numbers.percent, (cause.before for cause in facts.causes))
    rows = [
        (
            f"#{found.seq} {words.tell_what(found, numbers)}",
            *map(numbers.percent, found.probability_c),
        )
        for found in facts.findings
    ]
    yield Figure(draw_course(lines, ticks, labels), caption, description)
    yield Table(
        "Probability after each finding",
        ("Finding", *words.LETTERS[: len(facts.causes)]),
        (("before any finding", *before), *rows),
        widths=(3, *(1 for _ in facts.causes)),
        right=tuple(range(1, len(facts.causes) + 1)),
    )


def _found(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    """List all findings with their weights, from before the first on, and what was retracted."""
    intro = (
        "Good ranges hold nine in ten readings of things in order. Weights are for the "
        f"{words.names(facts)} being at fault, given the findings before, in decibans: ten of them "
        "multiply the odds by ten, and they add up."
    )
    head: tuple[str, ...] = ("#", "When, who", "What was done", "Result", "Weight")
    widths: tuple[int, ...] = (2, 6, 9, 14, 8)
    if facts.best_rival:
        rival = f"the {facts.best_rival.label}"
        intro += (
            " The first column of them is against all else together, the last, with the words, "
            f"against {rival} alone, the likeliest of the others."
        )
        head, widths = (*head, f"Against {rival}"), (2, 6, 8, 12, 4, 8)
    yield Paragraph(intro)
    yield Table("Findings", head, tuple(_finding_rows(facts, numbers)), widths=widths)
    if facts.retracted:
        lines = tuple(
            f"{numbers.stamp(event)}: {event.said}. Retracted {numbers.moment(event.undone_at)} "
            f"by {event.undone_by}, {words.reason_given(event.reason)}."
            for event in facts.retracted
        )
        yield Paragraph("Retracted events", "heading")
        yield Paragraph("They stay in the ledger and count for nothing.")
        yield Items(lines)


def _finding_rows(facts: ClaimFacts, numbers: Numbers) -> Iterator[tuple[str, ...]]:
    """Yield how far the conclusion was from even odds, what moved it, and how far it is then."""
    before = [_decibans(cause.before) for cause in facts.concluded]
    after = [_decibans(cause.probability) for cause in facts.concluded]
    chances = listed([numbers.percent(cause.probability) for cause in facts.concluded])
    first, last = [before], [after]
    if facts.best_rival:
        stood = [facts.best_rival.before_c, *(found.against_rival_c for found in facts.findings)]
        first.append(list(stood[0]))
        last.append([sum(column) for column in zip(*stood, strict=True)])
    told = [[_weights(column, numbers) for column in row] for row in (first, last)]
    yield ("", "", "before any finding", "by the prior probabilities", *told[0])
    yield from (_finding(found, facts, numbers) for found in facts.findings)
    yield ("", "", "together", f"probability {chances}", *told[1])


def _decibans(probability: float) -> float:
    """Ten times the common log of the odds, as far as they can be told."""
    inside = min(max(probability, 1e-12), 1.0 - 1e-12)
    return 10.0 * math.log10(inside / (1.0 - inside))


def _weights(weights: Sequence[float], numbers: Numbers) -> str:
    told = [f"{numbers.decibans(weight)} dB" for weight in weights]
    if len(told) == 1:
        return told[0]
    return ", ".join(f"{letter} {one}" for letter, one in zip(words.LETTERS, told, strict=False))


def _finding(finding: FindingLine, facts: ClaimFacts, numbers: Numbers) -> tuple[str, ...]:
    alone = finding.decibans_c[: facts.subjects]
    columns = (alone, finding.against_rival_c) if facts.best_rival else (alone,)
    told = [_weights(column, numbers) for column in columns]
    if facts.subjects == 1 and finding.kind != "complaint":
        said = describe_weight(columns[-1][0])
        told[-1] += f": {said} it" if "evidence" in said else f": {said}"
    result = [_result(finding, numbers), *_meaning(finding, facts, numbers)]
    return (
        f"#{finding.seq}",
        f"{numbers.moment(finding.at)}, {finding.who}",
        words.tell_what(finding, numbers),
        f"{'. '.join(map(words.capital, result))}.",
        *told,
    )


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


def _result(finding: FindingLine, numbers: Numbers) -> str:
    """Say what was found."""
    if finding.kind == "complaint":
        return "a misfire was noticed while driving"
    if finding.kind in ("run", "stored"):
        read = code_words(finding.codes, finding.pending, finding.permanent)
        said = ", ".join(read) or "codes not read"
        if finding.counts:
            counts = ", ".join(f"{cylinder}: {count}" for cylinder, count in finding.counts)
            said += f"; misfire counts by cylinder {counts}"
        return f"{said}; {finding.felt}" if finding.felt else said
    if finding.reading:
        return _reading(finding.reading, numbers)
    if finding.outcome == finding.normal:
        return f"{finding.outcome} (normal)"
    return f"{finding.outcome} (normal: {finding.normal})"


def _reading(reading: ReadingLine, numbers: Numbers) -> str:
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


def _moved(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    if not facts.moves:
        yield Paragraph("No part changed its place.")
        return
    yield Items(
        tuple(f"{numbers.stamp(move)}: {move.said.replace(*ARROW)}" for move in facts.moves)
    )
    subjects = {cause.element for cause in facts.concluded}
    for laid_out in facts.arrangements:
        times = [f"after #{seq}" if seq else "at first" for seq, _ in laid_out.rows]
        caption = (
            f"Each {laid_out.kind} followed by identity: columns are places, rows are times, and a "
            "box names where its part came from. Dashed lines lead to a new place; thick boxes are "
            "parts away from home."
        )
        elements = {part.element for _, parts in laid_out.rows for part in parts}
        trails = [_trail(trail) for trail in facts.trails if trail.element in elements]
        description = f"{'; '.join(trails)}."
        svg = draw_swaps(laid_out, times, subjects, (laid_out.kind, description))
        yield Figure(svg, caption, description)
    if facts.trails:
        yield Items(tuple(map(_trail, facts.trails)))


def _trail(trail: Trail) -> str:
    stops = [f"then (#{seq}) {place}" if seq else f"at first {place}" for seq, place in trail.stops]
    return f"{trail.part}: {', '.join(stops)}"


def _rivals(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    if not facts.rivals:
        yield Paragraph(f"No other cause ever reached {numbers.percent(WORTH_SHOWING)}.")
        return
    yield Items(tuple(_rival(rival, facts, numbers) for rival in facts.rivals))
    yield Paragraph(
        "How much likelier beforehand is worked out over every combination of faults: what may be "
        "at fault beside the conclusion, not in its stead, draws level later than the ratio says.",
        "small",
    )


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


def _uncertain(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    lines = tuple(
        f"{cause.label}: {numbers.percent(cause.low)} to {numbers.percent(cause.high)}"
        for cause in facts.causes
        if cause.low is not None and cause.high is not None
    )
    if lines:
        yield Paragraph(
            "90 % intervals over what the priors themselves leave open "
            f"({facts.standing.draws} draws of them):"
        )
        yield Items(lines)
    else:
        yield Paragraph(
            "The findings are too entangled for an interval to be computed in a reasonable time."
        )
    for cause in facts.concluded:
        if cause.closed_as:
            yield Paragraph(words.tell_modes(cause, numbers))
    if facts.flip:
        yield Paragraph(
            f"Flip point: the {facts.flip.rival} would draw level with the {facts.flip.leader} "
            f"only if it were {numbers.factor(facts.flip.factor)} times likelier beforehand than "
            "the priors say; no other cause is nearer."
        )
    if facts.conflicts:
        told = (f"Conflict: {words.tell_conflict(one, numbers)}" for one in facts.conflicts)
        yield Items(tuple(told))
    else:
        yield Paragraph("No finding conflicts with the conclusion, and the records are in order.")


def _spent(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
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
    yield Paragraph(intro)
    parts = (
        f"parts ({spent.parts_fitted}; {spent.parts_priced} at the price entered, others at a "
        "typical one)"
    )
    rows = [
        *(
            (words.WORK[one.work], numbers.minutes(one.minutes), one.money)
            for one in spent.lines
            if one.minutes
        ),
        (parts, "", spent.parts),
        ("consumables, fuel and wear of driving", "", spent.other),
        ("together", numbers.minutes(spent.minutes), spent.total),
    ]
    yield Table(
        "Standard times and their cost",
        ("Work", "Time", "Cost"),
        tuple((work, time, numbers.money(money, spent.currency)) for work, time, money in rows),
        widths=(4, 2, 2),
        right=(1, 2),
    )
    for repair in spent.unclear:
        low, high = numbers.minutes(repair.low), numbers.minutes(repair.high)
        yield Paragraph(
            f"How the {repair.label} failed is not known: putting it right takes {low} to {high}, "
            "access included; counted is the usual repair of its kind."
        )
    if compared := numbers.settings.comparison:
        mean, least, most = (
            numbers.money(value, spent.currency)
            for value in (compared.mean, compared.low, compared.high)
        )
        yield Paragraph(
            f"The common order, easiest part first, costs {mean} on average on "
            f"{numbers.plain(compared.jobs)} simulated vehicles with the causes that this job "
            f"leaves possible (90 % interval of that average: {least} to {most}). It is counted "
            "from the first misfire on, comebacks included."
        )


def _cautions(facts: ClaimFacts) -> Iterator[Block]:
    if facts.cautions:
        yield Paragraph(
            "They belong to the work recorded above. The maker's procedure, local codes and "
            "licensed practice come first."
        )
        yield Items(facts.cautions)


def _notes(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    if facts.notes:
        yield Items(tuple(f"{numbers.stamp(note)}: {note.text}" for note in facts.notes))


def _photos(facts: ClaimFacts, numbers: Numbers, pictures: dict[int, Picture]) -> Iterator[Block]:
    for photo in facts.photos:
        shows = "" if photo.of is None else f", of #{photo.of}"
        caption = f"{numbers.stamp(photo)}: {photo.caption or photo.name}{shows}"
        if shown := pictures.get(photo.seq):
            yield Image(shown, caption, photo.digest)
        else:
            yield Paragraph(f"{caption} (the picture cannot be shown)")


def _priors(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    source = facts.provenance
    said = words.tell_priors(facts.published, numbers)
    yield Paragraph(f"Pack {source.pack} {source.version}, digest {source.digest}: {said}.")
    if changes := words.tell_changes(facts.published, numbers):
        yield Items(changes)
    rows = tuple(
        (numbers.plain(line.numbers), GRADES.get(line.grade, line.grade), line.text)
        for line in source.sources
    )
    yield Table("Sources", ("Numbers", "Grade", "Source"), rows, widths=(3, 5, 12), right=(0,))


def _check(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    ledger, written_at = facts.ledger, numbers.settings.written_at
    yield Paragraph(
        f"{numbers.plain(ledger.records)} events are chained by SHA-256; the last digest covers "
        "all of them and the priors. With the exported job file, this one command checks the "
        "chain, computes every number anew and says whether it is the same job:"
    )
    yield Paragraph(f"swapinfer claim verify JOB-FILE.json --expect {ledger.head}", "code")
    yield Paragraph(f"Digest of the ledger: {ledger.head}")
    yield Paragraph(
        "With the write-up in JSON, text and pictures of a printed one are held against it too:"
    )
    yield Paragraph("swapinfer claim verify PRINTED.pdf --job WRITE-UP.json", "code")
    yield Paragraph(
        "What the chain cannot show: whoever has the whole ledger can write another that is whole "
        "too. It shows that nothing was changed since a digest left the shop; a seal of the store "
        "given away in time shows what there was by then. That the clock was right, that all was "
        "recorded, and that a name is that of who typed, it does not."
    )
    made = f" on {numbers.moment(written_at)}" if written_at else ""
    yield Paragraph(f"Written by swapinfer {ledger.program}{made}.", "small")
