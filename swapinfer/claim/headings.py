"""The trade's three headings: complaint, cause and correction."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TypeAlias

from swapinfer.claim.amounts import Charged, Spent
from swapinfer.claim.beliefs import WORTH_SAYING
from swapinfer.claim.document import Block, Pairs, Paragraph, Section, Table
from swapinfer.claim.entries import FindingLine, PartLine, Readout, RepairLine
from swapinfer.claim.facts import CauseLine, ClaimFacts, Vehicle, Verification
from swapinfer.claim.settings import LEAST, Numbers
from swapinfer.claim.stamp import tell_unrecorded
from swapinfer.claim.words import tell_modes, tell_what
from swapinfer.ledger.words import listed

Row: TypeAlias = tuple[str, str]
"""A name, and what is said under it."""


def complaint(facts: ClaimFacts, numbers: Numbers) -> Section:
    """Say what the customer said, of which vehicle, and which codes were read."""
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
    yield "Odometer", tell_odometer(vehicle, numbers)
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


def tell_odometer(vehicle: Vehicle, numbers: Numbers) -> str:
    """Say what the odometer showed, and how far it was driven with the fault."""
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


def cause(facts: ClaimFacts, numbers: Numbers) -> Section:
    """Say what was at fault, how firmly, and what spoke against it."""
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
    sentences += [_closed_as(cause, numbers) for cause in facts.concluded if cause.closed_as]
    sentences += [tell_modes(cause, numbers) for cause in facts.concluded if not cause.closed_as]
    blocks = (
        Paragraph(tell_conclusion(facts, numbers), "lead"),
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
    what = f"#{worst.seq}, {tell_what(worst, numbers)}"
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


def tell_conclusion(facts: ClaimFacts, numbers: Numbers) -> str:
    """Say what was at fault, how firmly that is worded, and how probable it is."""
    standing = facts.standing
    firm = "Suspected only" if standing.joint < 0.5 else "Probable, not established"
    if standing.joint >= standing.established and "own priors" not in standing.draft:
        firm = "Established"
    name = listed([cause.headline for cause in facts.concluded])
    if len(facts.concluded) > 1:
        name += " together"
    under = "" if facts.published.is_same else " under the shop's own priors"
    return f"{firm}: {name}, with a probability of {numbers.percent(standing.joint)}{under}."


def _closed_as(cause: CauseLine, numbers: Numbers) -> str:
    """Say that how it failed was named, and what share of it the findings give to that."""
    named = sum(mode.probability for mode in cause.modes if mode.title == cause.closed_as)
    share = numbers.percent(named / max(cause.probability, LEAST))
    return (
        f"How the {cause.label} failed was named at closing ({share} of it by the findings); its "
        "probability is that of having failed in any way."
    )


def correction(facts: ClaimFacts, numbers: Numbers) -> Section:
    """Say what was done, what showed that it helped, what it cost and what is not on record."""
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
