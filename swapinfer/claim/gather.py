"""From a replayed job and its records to the facts of its write-up."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from swapinfer.bus.scan import read_answers
from swapinfer.claim import beliefs, doubts, work
from swapinfer.claim.beliefs import Reasoning, follow_belief
from swapinfer.claim.facts import (
    ClaimFacts,
    CodeLine,
    FindingLine,
    LedgerFacts,
    Move,
    NoteLine,
    Otherwise,
    Photo,
    PriorSources,
    ReadingLine,
    Readout,
    Retracted,
    SourceLine,
    Vehicle,
    Verification,
)
from swapinfer.claim.pictures import digest_of_file, picture_bytes
from swapinfer.claim.redact import Mask, clean_text, map_texts
from swapinfer.claim.settings import ClaimSettings, list_exceeded, list_unrecorded
from swapinfer.claim.work import on_record
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import FOUND, Finding, Job, Numbered, replay
from swapinfer.ledger.runs import explain_run, is_clean
from swapinfer.ledger.words import good_range, place_label, wanted_words
from swapinfer.pack.engine import read_codes
from swapinfer.pack.model import Pack, Test
from swapinfer.pack.provenance import numbers_by_source
from swapinfer.plan.actions import normal_outcome
from swapinfer.plan.verifying import prove


def gather_facts(
    job: Job,
    records: Sequence[Record],
    settings: ClaimSettings,
    published: Pack,
    mask: Mask | None = None,
) -> ClaimFacts:
    """Collect everything that a write-up says, every text clean, and without what a mask finds."""
    vehicle = _vehicle(job)
    events = read_events(records)
    if mask:
        events = mask.events(events)
        job = replay(events, job.pack)
        came = job.opening
        vehicle = replace(vehicle, vin=came.vin, customer=came.customer, family=came.family)
    reasoning = follow_belief(job)
    causes = tuple(beliefs.describe_cause(reasoning, element) for element in reasoning.shown)
    findings = _findings(reasoning, records)
    verified = _verification(reasoning)
    sheet = work.Sheet(reasoning, records, settings.money)
    compared = doubts.compare_with_published(reasoning, published)
    spent = sheet.total()
    readouts, retracted = _readouts(job, records), _retracted(job, records, events)
    repaired = verified.repaired_seq
    confirming = job.engine.tests.get(job.closing.confirmed_by) if job.closing else None
    facts = ClaimFacts(
        ro=job.opening.ro,
        shop=settings.shop,
        opened_at=records[0].at,
        technicians=tuple(dict.fromkeys(record.who for record in records)),
        complaint=job.opening.complaint,
        remark=job.closing.remark if job.closing else "",
        vehicle=vehicle,
        standing=doubts.standing_of(
            reasoning, causes, verified, compared.concludes, settings.established
        ),
        causes=causes,
        subjects=len(reasoning.subjects),
        leader=reasoning.label(reasoning.leader),
        best_rival=beliefs.best_rival(reasoning),
        flip=beliefs.flip_of(reasoning),
        confirmed_by=confirming.title if confirming else "",
        repairs=tuple(sheet.repairs),
        codes_before=readouts[0] if readouts else None,
        codes_after=next(
            (one for one in readouts[::-1] if repaired is not None and one.seq > repaired), None
        ),
        findings=findings,
        moves=tuple(
            Move(*on_record(records[stage.seq]), stage.event.say(job)) for stage in job.stages
        ),
        arrangements=work.list_arrangements(job),
        trails=work.list_trails(job),
        rivals=beliefs.list_rivals(reasoning, causes, findings),
        conflicts=doubts.list_conflicts(
            reasoning, causes, findings, records, sheet.minutes_of, settings.written_at
        ),
        retracted=retracted,
        with_retracted=_with_retracted(reasoning, events, retracted),
        notes=tuple(
            NoteLine(*on_record(records[seq]), text)
            for seq, event in job.standing
            if (text := _noted(job, event))
        ),
        spent=spent,
        charged=sheet.charge(spent),
        verification=verified,
        cautions=sheet.cautions(),
        photos=tuple(
            Photo(
                *on_record(records[seq]),
                name=event.name,
                caption=event.caption,
                of=event.of,
                media=event.media,
                digest=digest_of_file(event),
                bytes=len(picture_bytes(event)),
            )
            for seq, event in job.standing
            if isinstance(event, ev.Attached)
        ),
        provenance=_provenance(job.pack),
        published=compared,
        ledger=LedgerFacts(records[0].job, len(records), records[-1].digest, records[-1].program),
        left_out=mask.tell() if mask else (),
    )
    unrecorded, standing = list_unrecorded(facts, settings.template), facts.standing
    if any(one.is_required for one in unrecorded):
        standing = replace(standing, draft=(*standing.draft, "incomplete"))
    exceeded = list_exceeded(facts, settings.template)
    facts = replace(facts, standing=standing, unrecorded=unrecorded, exceeded=exceeded)
    return map_texts(facts, clean_text)


def _vehicle(job: Job) -> Vehicle:
    opening, layout = job.opening, job.engine.layout
    vin = normal_vin(opening.vin)
    fitted = (job.pack.fitments[axis][value] for axis, value in sorted(job.engine.fitment.items()))
    return Vehicle(
        engine=", ".join([layout.title, *fitted]),
        banks=layout.banks,
        firing_order=layout.firing_order,
        firing_order_given=bool(opening.firing_order),
        odometer_km=opening.odometer_km,
        driven_km=opening.driven_km,
        vin=vin,
        vin_check=check_vin(vin),
        customer=opening.customer,
        family=opening.family,
        in_service=opening.in_service,
        odometer_out_km=job.closing.odometer_km if job.closing else None,
    )


def _findings(reasoning: Reasoning, records: Sequence[Record]) -> tuple[FindingLine, ...]:
    """List the complaint and every finding that stands, with what each did to belief."""
    job, shown = reasoning.job, [reasoning.index(element) for element in reasoning.shown]
    complaint = FindingLine(*on_record(records[0]), "complaint", job.opening.complaint, "")
    moved_nc = np.diff(reasoning.rival_db_nc, axis=0)
    found = [complaint, *(_finding(reasoning, one, records[one.seq]) for one in job.findings)]
    return tuple(
        replace(
            finding,
            probability_c=tuple(float(reasoning.fault_ne[n + 1, e]) for e in shown),
            decibans_c=tuple(float(reasoning.decibans_ne[n, e]) for e in shown),
            against_rival_c=tuple(map(float, moved_nc[n])),
        )
        for n, finding in enumerate(found)
    )


def _finding(reasoning: Reasoning, found: Finding, record: Record) -> FindingLine:
    job, event, stamp = reasoning.job, found.event, on_record(record)
    if isinstance(event, ev.Reopened):
        return FindingLine(*stamp, "complaint", event.reason, "")
    if isinstance(event, ev.Coded):
        line = FindingLine(
            *stamp,
            kind="stored",
            what="",
            where="",
            codes=event.codes,
            pending=event.pending,
            permanent=event.permanent,
            counts=tuple(sorted(event.counts.items())),
            meaning=tuple(explain_run(job, found)),
        )
        if isinstance(event, ev.Scanned):
            age = job.pack.memories[event.memory].title if event.memory else ""
            return replace(line, what=age, conditions=_conditions(job, event.frame))
        return replace(
            line,
            kind="run",
            minutes=event.minutes,
            conditions=_conditions(job, event.conditions),
            felt=job.pack.feelings[event.felt].title if event.felt else "",
        )
    test = job.engine.tests[event.test]
    where = place_label(job.engine, event.target)
    if isinstance(event, ev.Measured):
        what = test.title + wanted_words(test, event)
        return FindingLine(*stamp, "reading", what, where, reading=_reading(reasoning, test, event))
    outcome, normal = test.outcomes[event.outcome], test.outcomes[normal_outcome(test)]
    return FindingLine(*stamp, "inspection", test.title, where, outcome=outcome, normal=normal)


def _reading(reasoning: Reasoning, test: Test, event: ev.Measured) -> ReadingLine:
    good = good_range(test, reasoning.levels.get(test.id), event)
    over = math.isinf(event.value)
    return ReadingLine(
        value=None if over else event.value,
        unit=test.unit,
        typed=event.typed,
        reference=event.reference,
        temperature_c=event.temperature_c,
        good=good,
        within=None if good is None else not over and good[0] <= event.value <= good[1],
    )


def _conditions(job: Job, tags: Sequence[str]) -> tuple[str, ...]:
    return tuple(job.pack.running.conditions[tag] for tag in tags)


def _noted(job: Job, event: Event) -> str:
    """Say what a technician noted, or which control unit said what; empty for other events."""
    match event:
        case ev.Noted():
            return event.text
        case ev.Stated() | ev.Erased():
            return event.say(job)
        case ev.Ran() | ev.Scanned() if event.heard:
            return f"read over the bus: {'; '.join(map(str, read_answers(event.heard).units))}"
        case _:
            return ""


def _readouts(job: Job, records: Sequence[Record]) -> list[Readout]:
    """List what was stored when the vehicle came in, and after every run where somebody looked."""
    readouts = []
    for seq, read in ((one.seq, one.event) for one in job.findings):
        if isinstance(read, ev.Coded) and read.told:
            kinds = {"stored": read.codes, "pending": read.pending, "permanent": read.permanent}
            codes = tuple(
                CodeLine(code.text, code.title, kind)
                for kind, texts in kinds.items()
                for code in read_codes(job.engine, texts or ())
            )
            readouts.append(Readout(seq, records[seq].at, codes))
    return readouts


def _verification(reasoning: Reasoning) -> Verification:
    """Say what was driven since the last repair and what risk remains."""
    job, posterior = reasoning.job, reasoning.posterior
    proof = prove(reasoning.evidence, posterior, job.closing.causes if job.closing else ())
    repaired, asked = proof.repaired_seq, proof.asked
    late = [f.event for f in job.findings if repaired is not None and f.seq > repaired]
    runs = [run for run in late if isinstance(run, ev.Ran)]
    clean_minutes = 0.0
    for run in runs:
        clean_minutes = clean_minutes + run.minutes if is_clean(job, run) else 0.0
    tags = tuple(dict.fromkeys(tag for run in runs for tag in run.conditions))
    return Verification(
        repaired_seq=repaired,
        minutes=sum(run.minutes for run in runs),
        clean_minutes=clean_minutes,
        runs=len(runs),
        asked_minutes=asked.minutes if math.isfinite(asked.minutes) else None,
        asked_conditions=_conditions(job, asked.conditions),
        proven_minutes=proof.driven,
        proven=proof.holds,
        clean=clean_minutes > 0 if runs else None,
        conditions=_conditions(job, tags),
        residual_risk=reasoning.residual_risk(),
        left_out=posterior.left_out,
    )


def _retracted(
    job: Job, records: Sequence[Record], numbered: Sequence[Numbered]
) -> tuple[Retracted, ...]:
    events = dict(numbered)
    found = [seq for seq, event in events.items() if isinstance(event, FOUND)]
    lines: dict[int, Retracted] = {}
    for undoing, event in job.standing:
        if isinstance(event, ev.Undone) and event.seq not in lines:
            seq, gone = event.seq, events[event.seq]
            is_finding = seq in found
            is_under = gone.is_work and any(seq < finding < undoing for finding in found)
            lines[seq] = Retracted(
                *on_record(records[seq]),
                said=gone.say(job),
                undone_by=records[undoing].who,
                undone_at=records[undoing].at,
                reason=event.reason,
                is_finding=is_finding,
                is_weighed=is_finding or is_under,
            )
    return tuple(line for _, line in sorted(lines.items()))


def _with_retracted(
    reasoning: Reasoning, numbered: Sequence[Numbered], retracted: Sequence[Retracted]
) -> Otherwise | None:
    """Conclude as if what is weighed had not been retracted."""
    weighed = {line.seq for line in retracted if line.is_weighed}
    job = reasoning.job
    events = [
        (seq, event)
        for seq, event in numbered
        if not isinstance(event, ev.Undone) and (seq not in job.undone or seq in weighed)
    ]
    return beliefs.conclude(reasoning, job.pack, events) if weighed else None


def _provenance(pack: Pack) -> PriorSources:
    numbers = numbers_by_source(pack)
    lines = [
        SourceLine(source.grade, source.text, numbers[name])
        for name, source in pack.sources.items()
        if numbers[name]
    ]
    lines.sort(key=lambda line: (-line.numbers, line.text))
    return PriorSources(pack.name, pack.version, pack.digest, tuple(lines))


VIN_VALUES = dict(
    zip("0123456789ABCDEFGHJKLMNPRSTUVWXYZ", "012345678912345678123457923456789", strict=True)
)
VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def check_digit(vin: str) -> str:
    """Compute the check digit that a number ought to have; its ninth place does not matter.

    References
    ----------
    ISO 3779:2009, Road vehicles, Vehicle identification number (VIN), content and structure;
    49 CFR 565.15(c), table III (values of letters), table IV (weights), table V (check digit).
    """
    values = (int(VIN_VALUES[letter]) for letter in vin)
    total = sum(value * weight for value, weight in zip(values, VIN_WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def normal_vin(text: str) -> str:
    """Bring a number as typed to capitals without spaces and hyphens."""
    return "".join(text.upper().split()).replace("-", "")


def check_vin(vin: str) -> str:
    """Say what the check digit of a number says; only North America (1 to 5 first) requires one."""
    if not vin:
        return ""
    if len(vin) != len(VIN_WEIGHTS) or not set(vin) <= set(VIN_VALUES):
        return "malformed"
    if vin[0] not in "12345":
        return "not required"
    return "valid" if vin[8] == check_digit(vin) else "wrong"
