"""Sections that support the conclusion: rivals, doubt, cost, cautions, sources, the check."""

from __future__ import annotations

from collections.abc import Mapping

from swapinfer.claim.document import Block, Image, Items, Paragraph, Section, Table
from swapinfer.claim.facts import Conflict, Rival
from swapinfer.claim.pen import Pen
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import Comparison


def rivals(pen: Pen) -> Section:
    """Say of every other cause why it was put aside."""
    lines = tuple(_rival(pen, rival) for rival in pen.facts.rivals)
    if not lines:
        none = pen.say("rivals.none", level=pen.numbers.percent(0.01))
        return Section("rivals", pen.say("rivals"), (Paragraph(none),))
    return Section("rivals", pen.say("rivals"), (Items(lines),))


def _rival(pen: Pen, rival: Rival) -> str:
    stands = pen.numbers.percent(rival.probability)
    said = [pen.say("rivals.line", label=rival.label, probability=stands)]
    if rival.against:
        findings = [
            pen.say("rivals.finding", seq=one.seq, decibans=pen.numbers.decibans(one.decibans))
            for one in rival.against
        ]
        said.append(pen.say("rivals.against", findings=pen.join(findings)))
    else:
        said.append(pen.say("rivals.no finding"))
    if rival.factor is None:
        said.append(pen.say("rivals.ahead"))
    else:
        factor = pen.numbers.factor(rival.factor)
        said.append(pen.say("rivals.factor", factor=factor, leader=pen.facts.leader))
    return " ".join(said)


def uncertain(pen: Pen) -> Section:
    """Intervals, the flip point, and whatever does not fit."""
    lines = tuple(
        pen.say(
            "open.interval",
            label=cause.label,
            low=pen.numbers.percent(cause.low),
            high=pen.numbers.percent(cause.high),
        )
        for cause in pen.facts.causes
        if cause.low is not None and cause.high is not None
    )
    blocks: list[Block] = [Paragraph(pen.say("open.no interval"))]
    if lines:
        blocks = [Paragraph(pen.say("open.intro", draws=pen.facts.standing.draws)), Items(lines)]
    flip = pen.facts.flip
    if flip:
        factor = pen.numbers.factor(flip.factor)
        said = pen.say("open.flip", rival=flip.rival, leader=flip.leader, factor=factor)
        blocks.append(Paragraph(said))
    conflicts = tuple(_conflict(pen, conflict) for conflict in pen.facts.conflicts)
    blocks.append(Items(conflicts) if conflicts else Paragraph(pen.say("conflict.none")))
    return Section("open", pen.say("open"), tuple(blocks))


def _conflict(pen: Pen, conflict: Conflict) -> str:
    detail = conflict.detail
    if conflict.kind == "clock":
        detail = pen.numbers.moment(detail)
    weight = "" if conflict.decibans is None else pen.numbers.decibans(conflict.decibans)
    return pen.say(f"conflict.{conflict.kind}", seq=conflict.seq, detail=detail, decibans=weight)


def spent(pen: Pen, comparison: Comparison | None) -> Section:
    """Time and cost, and the common order's where it was simulated."""
    facts = pen.facts.spent
    intro = pen.say(
        "spent.intro",
        rate=pen.numbers.money(facts.rate_per_hour, facts.currency),
        first=pen.numbers.moment(facts.first_at),
        last=pen.numbers.moment(facts.last_at),
    )
    rows = [
        (
            pen.say(f"spent.{line.work}"),
            pen.numbers.minutes(line.minutes),
            pen.numbers.money(line.money, facts.currency),
        )
        for line in facts.lines
        if line.minutes
    ]
    parts = pen.say("spent.parts", fitted=facts.parts_fitted, priced=facts.parts_priced)
    rows.append((parts, "", pen.numbers.money(facts.parts, facts.currency)))
    rows.append((pen.say("spent.other"), "", pen.numbers.money(facts.other, facts.currency)))
    total = pen.numbers.money(facts.total, facts.currency)
    rows.append((pen.say("spent.total"), pen.numbers.minutes(facts.minutes), total))
    table = Table(
        pen.say("spent.table"), pen.split("spent.head"), tuple(rows), frozenset({1, 2}), (4, 2, 2)
    )
    blocks: list[Block] = [Paragraph(intro), table]
    for one in facts.unclear:
        low, high = pen.numbers.minutes(one.low), pen.numbers.minutes(one.high)
        blocks.append(Paragraph(pen.say("spent.unclear", label=one.label, low=low, high=high)))
    if comparison:
        blocks.append(Paragraph(_comparison(pen, comparison)))
    return Section("spent", pen.say("spent"), tuple(blocks))


def _comparison(pen: Pen, comparison: Comparison) -> str:
    currency = pen.facts.spent.currency
    return pen.say(
        "spent.compare",
        mean=pen.numbers.money(comparison.mean, currency),
        low=pen.numbers.money(comparison.low, currency),
        high=pen.numbers.money(comparison.high, currency),
        jobs=pen.numbers.plain(comparison.jobs),
    )


def cautions(pen: Pen) -> tuple[Section, ...]:
    """Cautions of the work that was done, if any was."""
    if not pen.facts.cautions:
        return ()
    blocks = (Paragraph(pen.say("cautions.intro")), Items(pen.facts.cautions))
    return (Section("cautions", pen.say("cautions"), blocks),)


def notes(pen: Pen) -> tuple[Section, ...]:
    """Remarks, if there are any."""
    lines = tuple(
        pen.say("notes.line", **pen.stamp(n.seq, n.at, n.who), text=n.text) for n in pen.facts.notes
    )
    return (Section("notes", pen.say("notes"), (Items(lines),)),) if lines else ()


def photos(pen: Pen, pictures: Mapping[int, Picture]) -> tuple[Section, ...]:
    """Photographs, if there are any."""
    blocks: list[Block] = []
    for photo in pen.facts.photos:
        name = photo.name
        stamp = pen.stamp(photo.seq, photo.at, photo.who)
        caption = pen.say("photos.caption", **stamp, name=name)
        shown = pictures.get(photo.seq)
        if shown:
            size = shown.width, shown.height
            blocks.append(Image(shown.media, shown.data, *size, caption, photo.digest))
        else:
            blocks.append(Paragraph(pen.say("photos.lost", caption=caption)))
    return (Section("photos", pen.say("photos"), tuple(blocks)),) if blocks else ()


def priors(pen: Pen) -> Section:
    """Say where the priors come from."""
    source = pen.facts.provenance
    pack = pen.say("priors.pack", pack=source.pack, version=source.version, digest=source.digest)
    rows = tuple(
        (pen.numbers.plain(line.numbers), pen.say(f"grade.{line.grade}"), line.text)
        for line in source.sources
    )
    table = Table(
        pen.say("priors.table"), pen.split("priors.head"), rows, frozenset({0}), (3, 5, 12)
    )
    return Section("priors", pen.say("priors"), (Paragraph(pack), table))


def check(pen: Pen) -> Section:
    """Say how every number can be computed anew."""
    ledger = pen.facts.ledger
    command = pen.say("check.command", file=pen.say("check.file"), head=ledger.head)
    blocks = (
        Paragraph(pen.say("check.intro", records=pen.numbers.plain(ledger.records))),
        Paragraph(command, "code"),
        Paragraph(pen.say("check.digest", head=ledger.head)),
        Paragraph(pen.say("check.program", program=ledger.program), "small"),
    )
    return Section("check", pen.say("check"), blocks)
