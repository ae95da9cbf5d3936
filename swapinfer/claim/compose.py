"""From facts to a document: complaint, cause, correction, and then all that supports them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import TypeAlias

from swapinfer.claim import proof
from swapinfer.claim.beliefs import WORTH_SAYING
from swapinfer.claim.clean import map_texts
from swapinfer.claim.document import Block, Document, Pairs, Paragraph, Section, Table
from swapinfer.claim.facts import (
    CauseLine,
    Charged,
    ClaimFacts,
    Conflict,
    Exceeded,
    FindingLine,
    Otherwise,
    PartLine,
    Readout,
    RepairLine,
    Spent,
    Unrecorded,
    Vehicle,
    Verification,
)
from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import ClaimSettings, Numbers
from swapinfer.ledger.words import listed

LONGEST = 2000
"""Characters of a typed text that are shown."""

WORTH_NAMING = 0.01
"""Share of a cause's probability from which a mode is named."""


Row: TypeAlias = tuple[str, str]
"""A name, and what is said under it."""


def compose(
    facts: ClaimFacts,
    settings: ClaimSettings,
    pictures: Mapping[int, Picture] | None = None,
) -> Document:
    """Write a document.

    Parameters
    ----------
    facts : ClaimFacts
        From `swapinfer.claim.write.gather_facts`.
    settings : ClaimSettings
        Units, decimal sign, form of dates.
    pictures : mapping of int to Picture, optional
        Attached pictures by position of their event.

    Returns
    -------
    Document
    """
    numbers = Numbers(settings)
    facts = _shortened(facts, numbers)
    first, last = numbers.day(facts.spent.first_at), numbers.day(facts.spent.last_at)
    who = listed(facts.technicians)
    is_draft = bool(facts.standing.draft)
    return Document(
        title=f"Repair order {facts.ro}",
        shop=facts.shop,
        subtitle=f"Write-up of a misfire diagnosis, {first} to {last}, by {who}",
        stamp="Draft" if is_draft else "Closed, repair verified",
        is_draft=is_draft,
        warnings=(*tell_draft(facts, numbers), *_remarks(facts, numbers)),
        sections=(
            _complaint(facts, numbers),
            _cause(facts, numbers),
            _correction(facts, numbers),
            *proof.sections(facts, numbers, pictures or {}),
        ),
        footer=f"Repair order {facts.ro}, ledger {facts.ledger.head[:16]}",
    )


def summarise(facts: ClaimFacts, numbers: Numbers) -> tuple[Row, ...]:
    """Say what one looks for on a paper that lies beside the file.

    Parameters
    ----------
    facts : ClaimFacts
        Of the write-up.
    numbers : Numbers
        How numbers are written.
    """
    spent, vehicle = facts.spent, facts.vehicle
    first, last = numbers.moment(spent.first_at), numbers.moment(spent.last_at)
    amounts = [f"{numbers.money(spent.total, spent.currency)} by standard times"]
    if facts.charged:
        amounts.insert(0, f"{numbers.money(facts.charged.total, spent.currency)} charged")
    gone = len(facts.retracted)
    rows = (
        ("repair order", facts.ro),
        ("vehicle", ", ".join(filter(None, [vehicle.vin, vehicle.customer, vehicle.engine]))),
        ("recorded", f"{first} to {last}, {numbers.plain(facts.ledger.records)} events"),
        ("odometer", _odometer(vehicle, numbers)),
        ("cause", _conclusion(facts, numbers)),
        ("correction", listed([f"{one.what} ({one.label})" for one in facts.repairs]) or "none"),
        ("amount", "; ".join(amounts)),
        ("retracted", numbers.plain(gone) if gone else "nothing"),
        ("pictures", numbers.plain(len(facts.photos)) if facts.photos else "none"),
    )
    return tuple((name, " ".join(said.split())) for name, said in rows)


def _shortened(facts: ClaimFacts, numbers: Numbers) -> ClaimFacts:
    def shorten(text: str) -> str:
        if len(text) <= LONGEST:
            return text
        length = numbers.plain(len(text))
        return (
            f"{text[:LONGEST]}… [shortened: {length} characters in all; the whole text is in the "
            "exported job]"
        )

    return map_texts(facts, shorten)


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


def _remarks(facts: ClaimFacts, numbers: Numbers) -> Iterator[str]:
    """Yield what a reviewer must know before reading on, whatever the state of the job."""
    if not facts.published.is_same:
        yield (
            f"The priors are {proof.tell_priors(facts.published, numbers)}. "
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
    said = " ".join(proof.capital(proof.tell_conflict(one, numbers)) for one in reversed(told))
    left = len(misfits) - len(told)
    more = f" {numbers.plain(left)} more: see “{proof.UNCERTAIN}”." if left else ""
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
    named = proof.names(facts)
    joint, stands = numbers.percent(other.joint), numbers.percent(facts.standing.joint)
    said = f"The {named} would stand at {joint} {how}"
    said += ", as it does here" if joint == stands else f", against {stands} here"
    if other.leader in [cause.label for cause in facts.concluded]:
        return f"{said}."
    likeliest = numbers.percent(other.leader_probability)
    return f"{said}; likeliest would be the {other.leader}, at {likeliest}."


def _complaint(facts: ClaimFacts, numbers: Numbers) -> Section:
    said = Paragraph("No words of the customer were recorded.")
    if facts.complaint.strip():
        said = Paragraph(facts.complaint, "quote")
    rows = (
        *_vehicle(facts.vehicle, numbers),
        *_codes(facts, numbers),
        *(
            ("Left out", f"{one.kind}, in {listed([f'#{seq}' for seq in one.of])}")
            for one in facts.left_out
        ),
    )
    blocks = (said, Pairs(rows))
    return Section("complaint", numbers.settings.template.headings.complaint, blocks, major=True)


def _vehicle(vehicle: Vehicle, numbers: Numbers) -> Iterator[Row]:
    order = "-".join(map(str, vehicle.firing_order))
    given = "generic, check the maker's diagram"
    if vehicle.firing_order_given:
        given = "as given for this vehicle"
    yield "Engine", f"{vehicle.engine}; firing order {order} ({given})"
    yield "Odometer", _odometer(vehicle, numbers)
    if vehicle.in_service:
        yield "In service since", numbers.day(vehicle.in_service)
    checked = {
        "valid": "check digit correct",
        "wrong": "check digit WRONG: read it again from the vehicle",
        "not required": "no check digit required",
        "malformed": "NOT 17 permitted characters: read it again",
    }
    if vehicle.vin_check:
        yield "Identification number", f"{vehicle.vin} ({checked[vehicle.vin_check]})"
    if vehicle.customer:
        yield "Customer", vehicle.customer
    if vehicle.family:
        yield "Vehicle family", vehicle.family


def _odometer(vehicle: Vehicle, numbers: Numbers) -> str:
    came, left, driven = (
        "not given" if km is None else numbers.distance(km)
        for km in (vehicle.odometer_km, vehicle.odometer_out_km, vehicle.driven_km)
    )
    return f"in {came}, out {left}; driven with the fault: {driven}"


def _codes(facts: ClaimFacts, numbers: Numbers) -> Iterator[Row]:
    readouts = {"Codes at first": facts.codes_before, "After the repair": facts.codes_after}
    if not any(readouts.values()):
        yield "Trouble codes", "No codes were read."
    for when, codes in readouts.items():
        if codes:
            yield when, f"{_code_words(codes)}, {numbers.moment(codes.at)}"


def _code_words(codes: Readout) -> str:
    apart = {"stored": "", "pending": ", pending", "permanent": ", permanent"}
    named = [f"{one.code} ({one.title}{apart[one.kind]})" for one in codes.codes]
    return listed(named) or "no codes stored"


def _cause(facts: ClaimFacts, numbers: Numbers) -> Section:
    standing = facts.standing
    sentences = [_under_priors(facts, numbers)]
    if standing.low is not None and standing.high is not None:
        between = f"{numbers.percent(standing.low)} and {numbers.percent(standing.high)}"
        sentences.append(
            f"Over the uncertainty of the prior probabilities it lies between {between} (90 % "
            "interval)."
        )
    sentences.append(_against(facts, numbers))
    if facts.concluded[0].named:
        sentences.append("This is what the job was closed with.")
    else:
        sentences.append("This is the likeliest so far; the job was not closed with a cause.")
    if facts.confirmed_by:
        sentences.append(f"Shown directly by: {facts.confirmed_by}.")
    if not standing.exact:
        left = numbers.percent(facts.verification.left_out)
        sentences.append(
            f"The findings were too entangled to count every combination of faults; at most {left} "
            "of the belief was not looked at."
        )
    for cause in facts.concluded:
        whose = "it" if len(facts.concluded) == 1 else f"the {cause.label}"
        if cause.closed_as:
            sentences.append(
                f"That {whose} failed so ({cause.closed_as}) was named at closing; the probability "
                "is that of its being at fault, however it failed."
            )
        sentences.append(f"By the findings, how {whose} failed: {_modes(cause, numbers)}.")
    blocks = (
        Paragraph(_conclusion(facts, numbers), "lead"),
        Paragraph(" ".join(sentences)),
    )
    return Section("cause", numbers.settings.template.headings.cause, blocks, major=True)


def _against(facts: ClaimFacts, numbers: Numbers) -> str:
    """Say what spoke most against the conclusion, and what is likeliest beside it."""
    rival = facts.best_rival
    spoke = list(filter(None, (_worst(facts, c, numbers) for c in range(facts.subjects))))
    said = " ".join(spoke) or "No single finding spoke against it by more than a deciban."
    if rival is None:
        return said
    return f"{said} Next likeliest: the {rival.label}, at {numbers.percent(rival.probability)}."


def _worst(facts: ClaimFacts, position: int, numbers: Numbers) -> str:
    """Say what spoke most against a cause, against all else or against the best rival."""

    def weights(finding: FindingLine) -> tuple[float, ...]:
        beside = finding.against_rival_c[position : position + 1]
        return (finding.decibans_c[position], *beside)

    found = [one for one in facts.findings if one.kind != "complaint"]
    worst = min(found, key=lambda finding: min(weights(finding)), default=None)
    if worst is None or min(weights(worst)) > -WORTH_SAYING:
        return ""
    alone, *beside = (f"{numbers.decibans(weight)} dB" for weight in weights(worst))
    what = f"#{worst.seq}, {proof.tell_what(worst, numbers)}"
    rival = f"; against the {facts.best_rival.label} {beside[0]}" if facts.best_rival else ""
    return f"Most of all spoke against the {facts.causes[position].label}: {what} ({alone}{rival})."


def _under_priors(facts: ClaimFacts, numbers: Numbers) -> str:
    """Say what the probability is under the published priors, and how far it holds."""
    standing, published = facts.standing, facts.published
    named = f"{published.pack} {published.version}"
    if published.is_same:
        said = f"The prior probabilities are the published ones ({named})."
    elif published.concludes.joint is None:
        said = f"Under the published priors ({named}) it cannot be worked out."
    else:
        theirs = numbers.percent(published.concludes.joint)
        said = f"Under the published priors ({named}) it is {theirs}."
    if standing.rarer is None:
        return said
    established = standing.joint >= standing.established
    least = numbers.percent(standing.established) if established else "one half"
    return (
        f"{said} The probability stays above {least} unless the {facts.concluded[0].label} were "
        f"about {numbers.factor(standing.rarer)} times rarer beforehand than these priors say."
    )


def _conclusion(facts: ClaimFacts, numbers: Numbers) -> str:
    standing = facts.standing
    firm = "Suspected only" if standing.joint < 0.5 else "Probable, not established"
    if standing.joint >= standing.established and "own priors" not in standing.draft:
        firm = "Established"
    name = listed([cause.headline for cause in facts.concluded])
    if len(facts.concluded) > 1:
        name += " together"
    under = "" if facts.published.is_same else " under the shop's own priors"
    return f"{firm}: {name}, with a probability of {numbers.percent(standing.joint)}{under}."


def _modes(cause: CauseLine, numbers: Numbers) -> str:
    return ", ".join(
        f"{mode.title} {numbers.percent(mode.probability)}"
        for mode in cause.modes
        if mode.probability >= WORTH_NAMING * cause.probability
    )


def _correction(facts: ClaimFacts, numbers: Numbers) -> Section:
    blocks: list[Block] = []
    for repair in facts.repairs:
        blocks += _repair(repair, facts.spent.currency, numbers)
    if not blocks:
        blocks.append(Paragraph("Nothing was replaced or repaired.", "lead"))
    risk = numbers.percent(facts.verification.residual_risk)
    verified = (
        f"{_verification(facts.verification, numbers)} Residual risk of a comeback: {risk} that a "
        "fault which can cause a misfire is still in the vehicle, all parts counted."
    )
    blocks.append(Paragraph(verified))
    if facts.charged:
        blocks.append(_tabulate_charged(facts.charged, facts.spent.currency, numbers))
    blocks.append(Paragraph(_money(facts.spent, numbers)))
    if facts.remark.strip():
        blocks += [Paragraph("Remark at closing:"), Paragraph(facts.remark, "quote")]
    blank = [tell_unrecorded(one) for one in facts.unrecorded if not one.is_required]
    if blank:
        blocks.append(Paragraph(f"Not on record: {'; '.join(blank)}.", "small"))
    blocks.append(Paragraph("Technician, date:", "signature"))
    title = numbers.settings.template.headings.correction
    return Section("correction", title, tuple(blocks), major=True)


def _tabulate_charged(charged: Charged, currency: str, numbers: Numbers) -> Table:
    """Set what was booked beside the standard time of the same work."""
    rows = [
        (
            line.operation,
            line.what or "all other work",
            numbers.minutes(line.booked),
            numbers.minutes(line.standard),
            numbers.money(line.money, currency),
        )
        for line in charged.lines
    ]
    rows += [
        ("", "parts, at the prices entered", "", "", numbers.money(charged.parts, currency)),
        (
            "",
            "together",
            numbers.minutes(charged.minutes),
            "",
            numbers.money(charged.total, currency),
        ),
    ]
    return Table(
        "Charged",
        ("Operation", "Work", "Booked", "Standard", "Amount"),
        tuple(rows),
        widths=(3, 10, 3, 3, 4),
        right=(2, 3, 4),
    )


def _money(spent: Spent, numbers: Numbers) -> str:
    labour, rate, parts, other, total = (
        numbers.money(value, spent.currency)
        for value in (spent.labour, spent.rate_per_hour, spent.parts, spent.other, spent.total)
    )
    took = numbers.minutes(spent.minutes)
    return (
        f"Cost by standard times: {total}, of it labour {labour} ({took}, at {rate} an hour), "
        f"parts {parts}, consumables and driving {other}."
    )


def _repair(repair: RepairLine, currency: str, numbers: Numbers) -> tuple[Block, ...]:
    done = f"{numbers.stamp(repair)}."
    if repair.price is not None:
        done += f" Price of parts: {numbers.money(repair.price, currency)}."
    stood, other = map(numbers.percent, (repair.probability, repair.next_probability))
    if repair.probability >= repair.next_probability:
        why = (
            f"Why this and no other: when it was done, the {repair.label} stood at {stood}; the "
            f"next likeliest, the {repair.next_label}, at {other}."
        )
    else:
        why = (
            f"When it was done, the {repair.label} stood at only {stood}, below the "
            f"{repair.next_label} at {other}: the findings did not ask for this."
        )
    lead = f"Work done: {repair.what} ({repair.label})."
    papers = {"New part": _papers(repair.new), "Old part": _papers(repair.old)}
    rows = tuple((which, said) for which, said in papers.items() if said)
    told = (Paragraph(lead, "lead"), Paragraph(f"{done} {why}"))
    return (*told, Pairs(rows)) if rows else told


def _papers(part: PartLine) -> str:
    """Say what the papers of a part say; nothing if there are none."""
    words = {
        "number": "number {}",
        "serial": "serial number {}",
        "supplier": "from {}",
        "showed": "showed when removed: {}",
        "kept": "kept: {}",
    }
    given = {name: getattr(part, name) for name in words}
    return "; ".join(words[name].format(text) for name, text in given.items() if text)


def _verification(drive: Verification, numbers: Numbers) -> str:
    if drive.repaired_seq is None:
        return "No repair was made, so there was none to verify by a drive."
    since = f"{numbers.minutes(drive.minutes)} driven since the last repair (#{drive.repaired_seq})"
    if not drive.runs:
        driven = f"No drive is recorded since the last repair (#{drive.repaired_seq})."
    elif drive.clean:
        clean = numbers.minutes(drive.clean_minutes)
        conditions = _conditions(drive.conditions)
        driven = f"Verification: {since}, the last {clean} of it without misfire{conditions}."
    else:
        driven = f"Verification failed: {since}, and the last drive was not shown to be clean."
    return f"{driven} {_asked(drive, numbers)}"


def _asked(drive: Verification, numbers: Numbers) -> str:
    conditions = _conditions(drive.asked_conditions)
    so = "the repair is verified" if drive.proven else "repaired, not verified"
    if drive.asked_minutes is None:
        return f"No drive{conditions} is long enough to verify it: {so}."
    asked = numbers.minutes(math.ceil(drive.asked_minutes))
    driven = numbers.minutes(drive.proven_minutes)
    return (
        f"A clean drive of {asked}{conditions} was asked for, and {driven} of it is on record: "
        f"{so}."
    )


def _conditions(conditions: Sequence[str]) -> str:
    return f" ({'; '.join(conditions)})" if conditions else ""
