"""The trade's three headings: complaint, cause and correction."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from swapinfer.claim import words
from swapinfer.claim.beliefs import WORTH_SAYING
from swapinfer.claim.document import Block, Pairs, Paragraph, Section, Table
from swapinfer.claim.facts import (
    Charged,
    ClaimFacts,
    FindingLine,
    PartPapers,
    RepairLine,
    Verification,
)
from swapinfer.claim.words import Numbers
from swapinfer.ledger.words import listed

VIN_CHECKED = {
    "valid": "check digit correct",
    "wrong": "check digit WRONG: read it again from the vehicle",
    "not required": "no check digit required",
    "malformed": "NOT 17 permitted characters: read it again",
}

PAPER_WORDS = {
    "number": "number {}",
    "serial": "serial number {}",
    "supplier": "from {}",
    "showed": "showed when removed: {}",
    "kept": "kept: {}",
}


def sections(facts: ClaimFacts, numbers: Numbers) -> tuple[Section, ...]:
    """Say what a decision needs, under what a template calls the three headings."""
    called = numbers.settings.template.headings
    return tuple(
        Section(id_, title, tuple(blocks), major=True)
        for id_, title, blocks in (
            ("complaint", called.complaint, _complaint(facts, numbers)),
            ("cause", called.cause, _cause(facts, numbers)),
            ("correction", called.correction, _correction(facts, numbers)),
        )
    )


def _complaint(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    if facts.complaint.strip():
        yield Paragraph(facts.complaint, "quote")
    else:
        yield Paragraph("No words of the customer were recorded.")
    yield Pairs((*_vehicle(facts, numbers), *_codes(facts, numbers)))


def _vehicle(facts: ClaimFacts, numbers: Numbers) -> Iterator[tuple[str, str]]:
    vehicle = facts.vehicle
    order = "-".join(map(str, vehicle.firing_order))
    given = "generic, check the maker's diagram"
    if vehicle.firing_order_given:
        given = "as given for this vehicle"
    yield "Engine", f"{vehicle.engine}; firing order {order} ({given})"
    yield "Odometer", words.tell_odometer(vehicle, numbers)
    if vehicle.in_service:
        yield "In service since", numbers.day(vehicle.in_service)
    if vehicle.vin_check:
        yield "Identification number", f"{vehicle.vin} ({VIN_CHECKED[vehicle.vin_check]})"
    if vehicle.customer:
        yield "Customer", vehicle.customer
    if vehicle.family:
        yield "Vehicle family", vehicle.family


def _codes(facts: ClaimFacts, numbers: Numbers) -> Iterator[tuple[str, str]]:
    """Yield the codes that were read, and what was left out."""
    readouts = {"Codes at first": facts.codes_before, "After the repair": facts.codes_after}
    if not any(readouts.values()):
        yield "Trouble codes", "No codes were read."
    for when, read in readouts.items():
        if read:
            apart = {"stored": "", "pending": ", pending", "permanent": ", permanent"}
            named = [f"{one.code} ({one.title}{apart[one.kind]})" for one in read.codes]
            yield when, f"{listed(named) or 'no codes stored'}, {numbers.moment(read.at)}"
    for one in facts.left_out:
        yield "Left out", f"{one.kind}, in {listed([f'#{seq}' for seq in one.of])}"


def _cause(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    yield Paragraph(words.tell_conclusion(facts, numbers), "lead")
    yield Paragraph(" ".join(_reasons(facts, numbers)))


def _reasons(facts: ClaimFacts, numbers: Numbers) -> Iterator[str]:
    standing = facts.standing
    yield _under_priors(facts, numbers)
    if standing.low is not None and standing.high is not None:
        between = f"{numbers.percent(standing.low)} and {numbers.percent(standing.high)}"
        yield (
            f"Over the uncertainty of the prior probabilities it lies between {between} (90 % "
            "interval)."
        )
    spoke = list(filter(None, (_worst(facts, c, numbers) for c in range(facts.subjects))))
    yield from spoke or ["No single finding spoke against it by more than a deciban."]
    if rival := facts.best_rival:
        yield f"Next likeliest: the {rival.label}, at {numbers.percent(rival.probability)}."
    if facts.concluded[0].named:
        yield "This is what the job was closed with."
    else:
        yield "This is the likeliest so far; the job was not closed with a cause."
    if facts.confirmed_by:
        yield f"Shown directly by: {facts.confirmed_by}."
    if not standing.exact:
        left = numbers.percent(facts.verification.left_out)
        yield (
            f"The findings were too entangled to count every combination of faults; at most {left} "
            "of the belief was not looked at."
        )
    for one in facts.concluded:
        if one.closed_as:
            named = sum(mode.probability for mode in one.modes if mode.title == one.closed_as)
            share = numbers.percent(named / max(one.probability, words.LEAST))
            yield (
                f"How the {one.label} failed was named at closing ({share} of it by the findings); "
                "its probability is that of having failed in any way."
            )
    yield from (words.tell_modes(one, numbers) for one in facts.concluded if not one.closed_as)


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
    what = f"#{worst.seq}, {words.tell_what(worst, numbers)}"
    rival = f"; against the {facts.best_rival.label} {beside[0]}" if facts.best_rival else ""
    return f"Most of all spoke against the {facts.causes[position].label}: {what} ({alone}{rival})."


def _correction(facts: ClaimFacts, numbers: Numbers) -> Iterator[Block]:
    spent, currency = facts.spent, facts.spent.currency
    for repair in facts.repairs:
        yield from _repair(repair, currency, numbers)
    if not facts.repairs:
        yield Paragraph("Nothing was replaced or repaired.", "lead")
    risk = numbers.percent(facts.verification.residual_risk)
    yield Paragraph(
        f"{_verification(facts.verification, numbers)} Residual risk of a comeback: {risk} that a "
        "fault which can cause a misfire is still in the vehicle, all parts counted."
    )
    if facts.charged:
        yield _charged(facts.charged, currency, numbers)
    total, labour, rate, parts, other = (
        numbers.money(value, currency)
        for value in (spent.total, spent.labour, spent.rate_per_hour, spent.parts, spent.other)
    )
    took = numbers.minutes(spent.minutes)
    yield Paragraph(
        f"Cost by standard times: {total}, of it labour {labour} ({took}, at {rate} an hour), "
        f"parts {parts}, consumables and driving {other}."
    )
    if facts.remark.strip():
        yield Paragraph("Remark at closing:")
        yield Paragraph(facts.remark, "quote")
    if blank := [words.tell_unrecorded(one) for one in facts.unrecorded if not one.is_required]:
        yield Paragraph(f"Not on record: {'; '.join(blank)}.", "small")
    yield Paragraph("Technician, date:", "signature")


def _repair(repair: RepairLine, currency: str, numbers: Numbers) -> Iterator[Block]:
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
    yield Paragraph(f"Work done: {repair.what} ({repair.label}).", "lead")
    yield Paragraph(f"{done} {why}")
    papers = {"New part": _papers(repair.new), "Old part": _papers(repair.old)}
    if rows := tuple((which, said) for which, said in papers.items() if said):
        yield Pairs(rows)


def _papers(part: PartPapers) -> str:
    """Say what the papers of a part say; nothing if there are none."""
    given = {form: getattr(part, name) for name, form in PAPER_WORDS.items()}
    return "; ".join(form.format(text) for form, text in given.items() if text)


def _verification(drive: Verification, numbers: Numbers) -> str:
    """Say what was driven since the last repair, and what was asked for."""
    if drive.repaired_seq is None:
        return "No repair was made, so there was none to verify by a drive."
    repair = f"since the last repair (#{drive.repaired_seq})"
    since = f"{numbers.minutes(drive.minutes)} driven {repair}"
    if not drive.runs:
        driven = f"No drive is recorded {repair}."
    elif drive.clean:
        clean = numbers.minutes(drive.clean_minutes)
        conditions = _conditions(drive.conditions)
        driven = f"Verification: {since}, the last {clean} of it without misfire{conditions}."
    else:
        driven = f"Verification failed: {since}, and the last drive was not shown to be clean."
    conditions = _conditions(drive.asked_conditions)
    so = "the repair is verified" if drive.proven else "repaired, not verified"
    if drive.asked_minutes is None:
        return f"{driven} No drive{conditions} is long enough to verify it: {so}."
    asked = numbers.minutes(math.ceil(drive.asked_minutes))
    proven = numbers.minutes(drive.proven_minutes)
    return (
        f"{driven} A clean drive of {asked}{conditions} was asked for, and {proven} of it is on "
        f"record: {so}."
    )


def _conditions(conditions: Sequence[str]) -> str:
    return f" ({'; '.join(conditions)})" if conditions else ""


def _charged(charged: Charged, currency: str, numbers: Numbers) -> Table:
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
    parts, total = (numbers.money(value, currency) for value in (charged.parts, charged.total))
    rows.append(("", "parts, at the prices entered", "", "", parts))
    rows.append(("", "together", numbers.minutes(charged.minutes), "", total))
    return Table(
        "Charged",
        ("Operation", "Work", "Booked", "Standard", "Amount"),
        tuple(rows),
        widths=(3, 10, 3, 3, 4),
        right=(2, 3, 4),
    )
