"""From facts to a document: complaint, cause, correction, and then all that supports them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from swapinfer.claim import evidence_sections, support_sections
from swapinfer.claim.document import Block, Document, Pairs, Paragraph, Section, Table
from swapinfer.claim.facts import ClaimFacts, Codes
from swapinfer.claim.numbers import Numbers
from swapinfer.claim.pen import Pen
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.work_facts import Repair, Verification

WORTH_NAMING = 0.01
"""Share of a cause's probability from which a mode is named."""


def compose(
    facts: ClaimFacts,
    settings: ClaimSettings,
    pictures: Mapping[int, Picture] | None = None,
) -> Document:
    """Write a document.

    Parameters
    ----------
    facts : ClaimFacts
        From `swapinfer.claim.gather.gather_facts`.
    settings : ClaimSettings
        Units, decimal sign, form of dates.
    pictures : mapping of int to Picture, optional
        Attached pictures by position of their event.

    Returns
    -------
    Document
    """
    pen = Pen.take(facts, Numbers(settings))
    facts = pen.facts
    draft = facts.standing.draft
    sections = (
        _complaint(pen),
        _cause(pen),
        _correction(pen),
        evidence_sections.found(pen),
        evidence_sections.moved(pen),
        support_sections.rivals(pen),
        support_sections.uncertain(pen),
        support_sections.spent(pen, settings.comparison),
        *support_sections.cautions(pen),
        *support_sections.notes(pen),
        *support_sections.photos(pen, pictures or {}),
        support_sections.priors(pen),
        support_sections.check(pen),
    )
    return Document(
        title=pen.say("title", ro=facts.ro),
        shop=facts.shop,
        subtitle=pen.say(
            "subtitle",
            first=pen.numbers.day(facts.spent.first_at),
            last=pen.numbers.day(facts.spent.last_at),
            who=pen.join(facts.technicians),
        ),
        stamp=pen.say("stamp.draft" if draft else "stamp.verified"),
        is_draft=bool(draft),
        warnings=tuple(_draft_reason(pen, reason) for reason in draft),
        sections=sections,
        footer=pen.say("footer", ro=facts.ro, head=facts.ledger.head[:16]),
        language=pen.say("language"),
    )


def _draft_reason(pen: Pen, reason: str) -> str:
    standing = pen.facts.standing
    return pen.say(
        f"draft.{reason}",
        probability=pen.numbers.percent(standing.joint),
        level=pen.numbers.percent(standing.established),
    )


def _complaint(pen: Pen) -> Section:
    words = pen.facts.complaint
    said = Paragraph(words, "quote") if words.strip() else Paragraph(pen.say("complaint.none"))
    blocks = (said, Pairs(_vehicle(pen)), _codes(pen))
    return Section("complaint", pen.say("complaint"), blocks, major=True)


def _vehicle(pen: Pen) -> tuple[tuple[str, str], ...]:
    vehicle, none = pen.facts.vehicle, pen.say("not given")
    kind = "given" if vehicle.firing_order_given else "generic"
    order = pen.say(f"vehicle.order.{kind}", order="-".join(map(str, vehicle.firing_order)))
    distances = {"odometer": vehicle.odometer_km, "driven": vehicle.driven_km}
    rows = [(pen.say("vehicle.engine"), vehicle.engine), (pen.say("vehicle.order"), order)]
    for name, km in distances.items():
        rows.append((pen.say(f"vehicle.{name}"), none if km is None else pen.numbers.distance(km)))
    if vehicle.vin_check:
        shown = pen.say(f"vehicle.vin.{vehicle.vin_check}", vin=vehicle.vin)
        rows.append((pen.say("vehicle.vin"), shown))
    if vehicle.customer:
        rows.append((pen.say("vehicle.customer"), vehicle.customer))
    if vehicle.family:
        rows.append((pen.say("vehicle.family"), vehicle.family))
    return tuple(rows)


def _codes(pen: Pen) -> Block:
    lines = {"codes.first": pen.facts.codes_before, "codes.after": pen.facts.codes_after}
    rows = [
        (pen.say(key, at=pen.numbers.moment(codes.at)), _code_words(pen, codes))
        for key, codes in lines.items()
        if codes
    ]
    if not rows:
        return Paragraph(pen.say("codes.never"))
    return Table(pen.say("codes"), pen.split("codes.head"), tuple(rows), widths=(2, 3))


def _code_words(pen: Pen, codes: Codes) -> str:
    if not codes.codes:
        return pen.say("codes.none")
    return pen.join([pen.say("codes.one", code=one.code, title=one.title) for one in codes.codes])


def _cause(pen: Pen) -> Section:
    standing = pen.facts.standing
    blocks: list[Block] = [Paragraph(_conclusion(pen), "lead")]
    sentences = []
    if standing.low is not None and standing.high is not None:
        low, high = pen.numbers.percent(standing.low), pen.numbers.percent(standing.high)
        sentences.append(pen.say("cause.interval", low=low, high=high))
    sentences.append(pen.say("cause.named" if pen.subjects[0].named else "cause.leading"))
    if pen.facts.confirmed_by:
        sentences.append(pen.say("cause.confirmed", test=pen.facts.confirmed_by))
    if not standing.exact:
        left = pen.numbers.percent(pen.facts.verification.left_out)
        sentences.append(pen.say("cause.not exact", left=left))
    blocks.append(Paragraph(" ".join([*sentences, *_modes(pen)])))
    blocks += [evidence_sections.course(pen), evidence_sections.course_table(pen)]
    return Section("cause", pen.say("cause"), tuple(blocks), major=True)


def _conclusion(pen: Pen) -> str:
    standing = pen.facts.standing
    firm = "suspected" if standing.joint < 0.5 else "probable"
    if standing.joint >= standing.established:
        firm = "established"
    name = pen.subject
    if len(pen.subjects) > 1:
        name = pen.say("cause.joint", causes=name)
    return pen.say(f"cause.{firm}", cause=name, probability=pen.numbers.percent(standing.joint))


def _modes(pen: Pen) -> list[str]:
    sentences = []
    for cause in pen.subjects:
        modes = [
            pen.say(
                "cause.mode", mode=mode.title, probability=pen.numbers.percent(mode.probability)
            )
            for mode in cause.modes
            if mode.probability >= WORTH_NAMING * cause.probability
        ]
        key = "cause.modes" if len(pen.subjects) == 1 else "cause.modes.of"
        sentences.append(pen.say(key, cause=cause.label, modes=", ".join(modes)))
    return sentences


def _correction(pen: Pen) -> Section:
    blocks: list[Block] = []
    for repair in pen.facts.repairs:
        blocks += _repair(pen, repair)
    if not blocks:
        blocks.append(Paragraph(pen.say("correction.none"), "lead"))
    blocks += [Paragraph(_verification(pen)), Paragraph(_risk(pen))]
    if pen.facts.remark.strip():
        blocks += [
            Paragraph(pen.say("correction.remark")),
            Paragraph(pen.facts.remark, "quote"),
        ]
    return Section("correction", pen.say("correction"), tuple(blocks), major=True)


def _repair(pen: Pen, repair: Repair) -> list[Block]:
    stamp = pen.stamp(repair.seq, repair.at, repair.who)
    sentences = [pen.say("correction.line", **stamp)]
    if repair.price is not None:
        price = pen.numbers.money(repair.price, pen.facts.spent.currency)
        sentences.append(pen.say("correction.price", price=price))
    leads = repair.probability >= repair.next_probability
    why = pen.say(
        "correction.why" if leads else "correction.why not",
        label=repair.label,
        probability=pen.numbers.percent(repair.probability),
        next=repair.next_label,
        next_probability=pen.numbers.percent(repair.next_probability),
    )
    done = pen.say("correction.done", what=repair.what, label=repair.label)
    return [Paragraph(done, "lead"), Paragraph(" ".join(sentences)), Paragraph(why)]


def _verification(pen: Pen) -> str:
    drive = pen.facts.verification
    if drive.repaired_seq is None:
        return pen.say("verify.none")
    if not drive.runs:
        driven = pen.say("verify.no drive", seq=drive.repaired_seq)
    else:
        driven = pen.say(
            "verify.clean" if drive.clean else "verify.not clean",
            minutes=pen.numbers.minutes(drive.minutes),
            seq=drive.repaired_seq,
            clean=pen.numbers.minutes(drive.clean_minutes),
            conditions=_conditions(pen, drive.conditions),
        )
    return f"{driven} {_asked(pen, drive)}"


def _asked(pen: Pen, drive: Verification) -> str:
    conditions = _conditions(pen, drive.asked_conditions)
    so = pen.say("verify.so.proven" if drive.proven else "verify.so.not")
    if drive.asked_minutes is None:
        return pen.say("verify.asked.endless", conditions=conditions, so=so)
    return pen.say(
        "verify.asked",
        asked=pen.numbers.minutes(math.ceil(drive.asked_minutes)),
        conditions=conditions,
        driven=pen.numbers.minutes(drive.proven_minutes),
        so=so,
    )


def _conditions(pen: Pen, conditions: Sequence[str]) -> str:
    if not conditions:
        return ""
    return pen.say("verify.conditions", conditions="; ".join(conditions))


def _risk(pen: Pen) -> str:
    risk = pen.numbers.percent(pen.facts.verification.residual_risk)
    return pen.say("verify.risk", risk=risk)
