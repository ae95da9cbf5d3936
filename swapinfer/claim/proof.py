"""What supports a conclusion: belief, findings, moves, rivals, doubt, cost, sources, the check."""

from __future__ import annotations

from collections.abc import Mapping

from swapinfer.claim.beliefs import WORTH_SHOWING
from swapinfer.claim.document import Block, Figure, Image, Items, Paragraph, Section, Table
from swapinfer.claim.entries import Arrangement, Trail
from swapinfer.claim.facts import ClaimFacts, Rival
from swapinfer.claim.figures import draw_course, draw_swaps
from swapinfer.claim.found import tell_found
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import Comparison, Numbers
from swapinfer.claim.words import (
    ARROW,
    LETTERS,
    UNCERTAIN,
    tell_changes,
    tell_conflict,
    tell_modes,
    tell_priors,
    tell_what,
)
from swapinfer.ledger.words import listed

WORK = {
    "testing": "testing and reading codes",
    "moving": "moving and reseating parts",
    "repairing": "repairing",
    "access": "opening and closing access",
    "driving": "driving",
}
"""Kinds of work that minutes are told apart by, in words."""

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
        tell_found(facts, numbers),
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
    named = [tell_modes(cause, numbers) for cause in facts.concluded if cause.closed_as]
    blocks += map(Paragraph, named)
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
