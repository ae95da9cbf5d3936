"""Every word of a write-up that does not come from the job or the pack."""

from __future__ import annotations

from collections.abc import Mapping

from swapinfer.posterior.weigh import DECIBANS_PER_NAT, WORDS

TEMPLATES: Mapping[str, str] = {
    "language": "en",
    "title": "Repair order {ro}",
    "subtitle": "Write-up of a misfire diagnosis, {first} to {last}, by {who}",
    "footer": "Repair order {ro}, ledger {head}",
    "and": "{first} and {last}",
    "shortened": "… [shortened: {length} characters in all; the whole text is in the exported job]",
    # State
    "stamp.verified": "Closed, repair verified",
    "stamp.draft": "Draft",
    "draft.open": "The job is not closed: what follows may still change.",
    "draft.unrepaired": "Closed without a repair on record.",
    "draft.unverified": "Repaired, not verified.",
    "draft.claimed": "Closed as verified; no clean drive of the length asked is on record.",
    "draft.not established": (
        "The cause stands at {probability}, under the {level} from which this shop calls a cause "
        "established."
    ),
    # Complaint
    "complaint": "Complaint",
    "complaint.none": "No words of the customer were recorded.",
    "vehicle": "Vehicle",
    "vehicle.engine": "Engine",
    "vehicle.order": "Firing order",
    "vehicle.order.given": "{order} (as given for this vehicle)",
    "vehicle.order.generic": "{order} (generic, check the maker's diagram)",
    "vehicle.odometer": "Odometer",
    "vehicle.driven": "Driven with the fault",
    "vehicle.vin": "Identification number",
    "vehicle.vin.valid": "{vin} (check digit correct)",
    "vehicle.vin.wrong": "{vin} (check digit WRONG: read it again from the vehicle)",
    "vehicle.vin.not required": "{vin} (no check digit required)",
    "vehicle.vin.malformed": "{vin} (NOT 17 permitted characters: read it again)",
    "vehicle.customer": "Customer",
    "vehicle.family": "Vehicle family",
    "not given": "not given",
    "codes": "Trouble codes",
    "codes.head": "When|Codes",
    "codes.first": "First readout, {at}",
    "codes.after": "After the repair, {at}",
    "codes.none": "no codes stored",
    "codes.one": "{code} ({title})",
    "codes.never": "No codes were read.",
    # Cause
    "cause": "Cause",
    "cause.established": "Established: {cause}, with a probability of {probability}.",
    "cause.probable": "Probable, not established: {cause}, with a probability of {probability}.",
    "cause.suspected": "Suspected only: {cause}, with a probability of {probability}.",
    "cause.joint": "{causes} together",
    "cause.interval": (
        "Over the uncertainty of the prior probabilities it lies between {low} and {high} (90 % "
        "interval)."
    ),
    "cause.confirmed": "Shown directly by: {test}.",
    "cause.modes": "How it failed, likeliest first: {modes}.",
    "cause.modes.of": "How the {cause} failed, likeliest first: {modes}.",
    "cause.mode": "{mode} {probability}",
    "cause.named": "This is what the job was closed with.",
    "cause.leading": "This is the likeliest so far; the job was not closed with a cause.",
    "cause.not exact": (
        "The findings were too entangled to count every combination of faults; at most {left} "
        "of the belief was not looked at."
    ),
    "course": "How belief moved",
    "course.caption": (
        "Probability of being at fault after each finding. {legend}. The ends of the lines carry "
        "the letters; the table below has the numbers."
    ),
    "course.description": (
        "Line chart, one line a cause, probability from 0 to 100 percent against the findings in "
        "order. {ends}."
    ),
    "course.end": "{letter}, {label}, from {first} before any finding to {last}",
    "course.legend": "{letter}: {label}",
    "course.table": "Probability after each finding",
    "course.finding": "Finding",
    "course.before": "before any finding",
    "course.axis": "probability of being at fault",
    "course.start": "start",
    # Correction
    "correction": "Correction",
    "correction.none": "Nothing was replaced or repaired.",
    "correction.done": "Work done: {what} ({label}).",
    "correction.line": "#{seq}, {at}, {who}.",
    "correction.price": "Price of parts: {price}.",
    "correction.why": (
        "Why this and no other: when it was done, the {label} stood at {probability}; the next "
        "likeliest, the {next}, at {next_probability}."
    ),
    "correction.why not": (
        "When it was done, the {label} stood at only {probability}, below the {next} at "
        "{next_probability}: the findings did not ask for this."
    ),
    "correction.remark": "Remark at closing:",
    "verify.none": "No repair was made, so there was none to verify by a drive.",
    "verify.no drive": "No drive is recorded since the last repair (#{seq}).",
    "verify.clean": (
        "Verification: {minutes} driven since the last repair (#{seq}), the last {clean} of it "
        "without misfire{conditions}."
    ),
    "verify.not clean": (
        "Verification failed: {minutes} driven since the last repair (#{seq}), and the last "
        "drive was not shown to be clean."
    ),
    "verify.conditions": " ({conditions})",
    "verify.asked": (
        "A clean drive of {asked}{conditions} was asked for, and {driven} of it is on record: {so}."
    ),
    "verify.asked.endless": "No drive{conditions} is long enough to verify it: {so}.",
    "verify.so.proven": "the repair is verified",
    "verify.so.not": "repaired, not verified",
    "verify.risk": (
        "Residual risk of a comeback: {risk} that a fault which can cause a misfire is still in "
        "the vehicle, all parts counted."
    ),
    # Findings
    "found": "What was found, in order",
    "found.intro": (
        "Good ranges hold nine in ten readings of things in order. Weights are for the {cause} "
        "being at fault, given the findings before, in decibans: ten of them multiply the odds "
        "by ten, and they add up."
    ),
    "found.table": "Findings",
    "found.head": "#|When, who|What was done|Result|Weight",
    "found.reading": "{value} (good: {good})",
    "found.reading.bare": "{value}",
    "found.reading.typed": ", entered as “{typed}”",
    "found.reading.within": ", in range",
    "found.reading.outside": ", OUT of range",
    "found.reading.reference": ", against {reference}",
    "found.reading.temperature": ", part at {temperature}",
    "found.inspection": "{outcome} (normal: {normal})",
    "found.inspection.normal": "{outcome} (normal)",
    "found.complaint": "complaint",
    "found.complaint.result": "a misfire was noticed while driving",
    "found.run": "engine run, {minutes}",
    "found.run.conditions": "; {conditions}",
    "found.run.codes": "codes {codes}",
    "found.run.no codes": "no codes",
    "found.run.not read": "codes not read",
    "found.run.counts": "misfire counts by cylinder {counts}",
    "found.run.count": "{cylinder}: {count}",
    "found.run.felt": "{felt}",
    "found.where": "{what}, {where}",
    "weight": "{decibans} dB: {words}",
    "weight.one of": "{letter} {decibans} dB",
    "weight.bare": "not worth more than a mention",
    "weight.for.positive": "positive evidence for it",
    "weight.for.strong": "strong evidence for it",
    "weight.for.very strong": "very strong evidence for it",
    "weight.against.positive": "positive evidence against it",
    "weight.against.strong": "strong evidence against it",
    "weight.against.very strong": "very strong evidence against it",
    "retracted": "Retracted events",
    "retracted.intro": "They stay in the ledger and count for nothing.",
    "retracted.line": "#{seq}, {at}, {who}: {said}. Retracted {undone} by {by}.",
    # Moves
    "moved": "What was moved where",
    "moved.none": "No part changed its place.",
    "moved.line": "#{seq}, {at}, {who}: {said}",
    "moved.caption": (
        "Each {kind} followed by identity: columns are places, rows are times, and a box names "
        "where its part came from. Dashed lines lead to a new place; thick boxes are parts away "
        "from home."
    ),
    "moved.description": "{trails}.",
    "moved.trail": "{part}: {stops}",
    "moved.stop.first": "at first {place}",
    "moved.stop": "then (#{seq}) {place}",
    "moved.start": "at first",
    "moved.after": "after #{seq}",
    # Rivals
    "rivals": "Other causes, and why each was put aside",
    "rivals.none": "No other cause ever reached {level}.",
    "rivals.line": "The {label} stands at {probability}.",
    "rivals.against": "What spoke most against it: {findings}.",
    "rivals.finding": "#{seq} ({decibans} dB)",
    "rivals.no finding": "No single finding spoke against it by more than a deciban.",
    "rivals.factor": (
        "It would have to be {factor} times likelier beforehand to draw level with the {leader}."
    ),
    "rivals.ahead": "It is the likeliest of all.",
    # Uncertainty
    "open": "What remains uncertain",
    "open.no interval": (
        "The findings are too entangled for an interval to be computed in a reasonable time."
    ),
    "open.intro": (
        "90 % intervals over what the priors themselves leave open ({draws} draws of them):"
    ),
    "open.interval": "{label}: {low} to {high}",
    "open.flip": (
        "Flip point: the {rival} would draw level with the {leader} only if it were {factor} "
        "times likelier beforehand than the priors say; no other cause is nearer."
    ),
    "conflict.against": ("Conflict: finding #{seq} speaks against the {detail} by {decibans} dB."),
    "conflict.check again": (
        "Conflict: finding #{seq} is worth checking again: all the others make it less likely "
        "by {decibans} dB, and no likely cause explains it well."
    ),
    "conflict.not leading": (
        "Conflict: the job was closed with another cause than the likeliest, the {detail}."
    ),
    "conflict.not named": (
        "Conflict: the {detail} is likely to be at fault too, and was not named at closing."
    ),
    "conflict.clock": (
        "Conflict: event #{seq} ({detail}) is dated before the one that it follows: a clock was "
        "set back, or two computers differ."
    ),
    "conflict.packs": "Conflict: event #{seq} was recorded under other priors ({detail}).",
    "conflict.none": "No finding conflicts with the conclusion, and the records are in order.",
    # Time and cost
    "spent": "Time and cost",
    "spent.intro": (
        "Standard times of the priors' pack for what was recorded, labour at {rate} an hour; no "
        "stopwatch. On the clock the job lasted from {first} to {last}."
    ),
    "spent.table": "Standard times and their cost",
    "spent.head": "Work|Time|Cost",
    "spent.testing": "testing and reading codes",
    "spent.moving": "moving and reseating parts",
    "spent.repairing": "repairing",
    "spent.access": "opening and closing access",
    "spent.driving": "driving",
    "spent.parts": "parts ({fitted}; {priced} at the price entered, others at a typical one)",
    "spent.other": "consumables, fuel and wear of driving",
    "spent.total": "together",
    "spent.unclear": (
        "How the {label} failed is not known: putting it right takes {low} to {high}, access "
        "included; counted is the usual repair of its kind."
    ),
    "spent.compare": (
        "The common order, easiest part first, costs {mean} on average on {jobs} simulated "
        "vehicles with the causes that this job leaves possible (90 % interval of that average: "
        "{low} to {high}). It is counted from the first misfire on, comebacks included."
    ),
    # The rest
    "cautions": "Cautions observed",
    "cautions.intro": (
        "They belong to the work recorded above. The maker's procedure, local codes and licensed "
        "practice come first."
    ),
    "notes": "Notes",
    "notes.line": "#{seq}, {at}, {who}: {text}",
    "photos": "Photographs",
    "photos.caption": "#{seq}, {at}, {who}: {name}",
    "photos.lost": "{caption} (the picture cannot be shown)",
    "priors": "Where the prior probabilities come from",
    "priors.pack": "Pack {pack} {version}, digest {digest}.",
    "priors.table": "Sources",
    "priors.head": "Numbers|Grade|Source",
    "grade.published": "published",
    "grade.common": "common practice",
    "grade.memory": "from memory",
    "grade.chosen": "a choice",
    "grade.learned": "learned",
    "check": "How to check every number",
    "check.intro": (
        "{records} events are chained by SHA-256; the last digest covers all of them and the "
        "priors. With the exported job file, this one command checks the chain, computes every "
        "number anew and says whether it is the same job:"
    ),
    "check.command": "swapinfer claim verify {file} --expect {head}",
    "check.file": "JOB-FILE.json",
    "check.digest": "Digest of the ledger: {head}",
    "check.program": "Written by swapinfer {program}.",
}

GRADES = ("bare", "positive", "strong", "very strong")
"""Names of the grades of `swapinfer.posterior.weigh.WORDS`, in its order."""


def strength(decibans: float) -> str:
    """Key of the words for a weight of evidence.

    References
    ----------
    Kass, R. E. & Raftery, A. E. (1995), J. Am. Stat. Assoc. 90, 773-795, section 3.2.
    """
    twice_log = 2.0 * abs(decibans) / DECIBANS_PER_NAT
    bounds = zip(GRADES, WORDS, strict=True)
    grade = next(name for name, (bound, _) in bounds if twice_log <= bound)
    if grade == "bare":
        return "weight.bare"
    return f"weight.{'for' if decibans > 0 else 'against'}.{grade}"
