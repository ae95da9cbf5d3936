"""From a replayed job and its records to the facts of its write-up."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from msgspec.structs import replace

from swapinfer.bus.scan import read_answers
from swapinfer.claim import beliefs, work
from swapinfer.claim.beliefs import Course, follow_belief
from swapinfer.claim.clean import clean_text, map_texts
from swapinfer.claim.doubts import list_conflicts
from swapinfer.claim.entries import (
    CodeLine,
    FindingLine,
    NoteLine,
    Photo,
    ReadingLine,
    Readout,
    Retracted,
)
from swapinfer.claim.facts import (
    ClaimFacts,
    LedgerFacts,
    Otherwise,
    PriorSources,
    SourceLine,
    Vehicle,
    Verification,
)
from swapinfer.claim.pictures import digest_of_file, picture_bytes
from swapinfer.claim.published import compare_with_published
from swapinfer.claim.redact import Mask
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.standing import standing_of
from swapinfer.claim.template import Template, list_exceeded, list_unrecorded
from swapinfer.claim.vin import check_vin, normal_vin
from swapinfer.claim.work import on_record
from swapinfer.ledger import events as ev
from swapinfer.ledger import replay
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.runs import explain_run, is_clean
from swapinfer.ledger.words import good_range, place_label, wanted_words
from swapinfer.pack.engine import read_codes
from swapinfer.pack.model import Pack, Test
from swapinfer.pack.provenance import numbers_by_source
from swapinfer.plan.verifying import prove
from swapinfer.plan.what_if import normal_outcome

SECRET = ("vin", "customer", "family")
"""What is typed of a vehicle that may say whose it is."""


def gather_facts(
    job: Job,
    records: Sequence[Record],
    settings: ClaimSettings,
    published: Pack,
    mask: Mask | None = None,
) -> ClaimFacts:
    """Collect everything that a write-up says.

    Parameters
    ----------
    job : Job
        As replayed from `records`.
    records : sequence of Record
        The whole chain.
    settings : ClaimSettings
        Of the shop.
    published : Pack
        Priors that its own are compared with.
    mask : Mask, optional
        Finds what must not be read; nothing is left out by default.

    Returns
    -------
    ClaimFacts
        Every text in it is clean, and without what is to be left out.
    """
    vehicle = _vehicle(job)
    events = read_events(records)
    if mask:
        events = mask.events(events)
        job = replay.replay(events, job.pack)
        vehicle = replace(vehicle, **{name: getattr(job.opening, name) for name in SECRET})
    course = follow_belief(job)
    causes = beliefs.list_causes(course)
    findings = _findings(course, records)
    verified = _verification(course)
    sheet = work.Sheet(course, settings.money)
    compared = compare_with_published(course, published)
    repairs, spent = work.list_repairs(course, sheet, records), sheet.total(records)
    readouts, retracted = _readouts(job, records), _retracted(job, records, events)
    confirming = job.engine.tests.get(job.closing.confirmed_by) if job.closing else None
    facts = ClaimFacts(
        ro=job.opening.ro,
        shop=settings.shop,
        opened_at=records[0].at,
        technicians=tuple(dict.fromkeys(record.who for record in records)),
        complaint=job.opening.complaint,
        remark=job.closing.remark if job.closing else "",
        vehicle=vehicle,
        standing=standing_of(course, causes, verified, compared.concludes, settings.established),
        causes=causes,
        subjects=len(course.subjects),
        leader=course.label(course.leader),
        best_rival=beliefs.best_rival(course),
        flip=beliefs.flip_of(course),
        confirmed_by=confirming.title if confirming else "",
        repairs=repairs,
        codes_before=readouts[0] if readouts else None,
        codes_after=_after(readouts, verified.repaired_seq),
        findings=findings,
        moves=work.list_moves(job, records),
        arrangements=work.arrange(job),
        trails=work.list_trails(job),
        rivals=beliefs.list_rivals(course, causes, findings),
        conflicts=list_conflicts(
            course, causes, findings, records, sheet.minutes_of, settings.written_at
        ),
        retracted=retracted,
        with_retracted=_with_retracted(course, events, retracted),
        notes=tuple(
            NoteLine(*on_record(records[seq]), text)
            for seq, event in job.standing
            if (text := _noted(job, event))
        ),
        spent=spent,
        charged=work.charge(job, sheet, spent, repairs),
        verification=verified,
        cautions=work.list_cautions(job, sheet),
        photos=tuple(
            _photo(records[seq], event)
            for seq, event in job.standing
            if isinstance(event, ev.Attached)
        ),
        provenance=_provenance(job.pack),
        published=compared,
        ledger=LedgerFacts(records[0].job, len(records), records[-1].digest, records[-1].program),
        left_out=mask.tell() if mask else (),
    )
    return map_texts(_held_against(facts, settings.template), clean_text)


def _held_against(facts: ClaimFacts, template: Template) -> ClaimFacts:
    """Add what is not on record, and what goes beyond the limits of a template."""
    unrecorded, standing = list_unrecorded(facts, template), facts.standing
    if any(one.is_required for one in unrecorded):
        standing = replace(standing, draft=(*standing.draft, "incomplete"))
    exceeded = list_exceeded(facts, template)
    return replace(facts, standing=standing, unrecorded=unrecorded, exceeded=exceeded)


def _vehicle(job: Job) -> Vehicle:
    opening, layout = job.opening, job.engine.layout
    fitted = (job.pack.fitments[axis][value] for axis, value in sorted(job.engine.fitment.items()))
    return Vehicle(
        engine=", ".join([layout.title, *fitted]),
        banks=layout.banks,
        firing_order=layout.firing_order,
        firing_order_given=bool(opening.firing_order),
        odometer_km=opening.odometer_km,
        driven_km=opening.driven_km,
        vin=normal_vin(opening.vin),
        vin_check=check_vin(opening.vin),
        customer=opening.customer,
        family=opening.family,
        in_service=opening.in_service,
        odometer_out_km=job.closing.odometer_km if job.closing else None,
    )


def _findings(course: Course, records: Sequence[Record]) -> tuple[FindingLine, ...]:
    """List the complaint and every finding that stands, with what each did to belief."""
    job, shown = course.job, [course.index(element) for element in course.shown]
    complaint = FindingLine(*on_record(records[0]), "complaint", job.opening.complaint, "")
    moved_nc = np.diff(course.rival_db_nc, axis=0)
    found = [complaint, *(_finding(course, one, records[one.seq]) for one in job.findings)]
    return tuple(
        replace(
            finding,
            probability_c=tuple(float(course.fault_ne[n + 1, e]) for e in shown),
            decibans_c=tuple(float(course.decibans_ne[n, e]) for e in shown),
            against_rival_c=tuple(map(float, moved_nc[n])),
        )
        for n, finding in enumerate(found)
    )


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


def _finding(course: Course, found: replay.Finding, record: Record) -> FindingLine:
    job, event, stamp = course.job, found.event, on_record(record)
    if isinstance(event, ev.Scanned):
        return FindingLine(
            *stamp,
            kind="stored",
            what=job.pack.memories[event.memory].title if event.memory else "",
            where="",
            conditions=_conditions(job, event.frame),
            codes=event.codes,
            pending=event.pending,
            permanent=event.permanent,
            counts=tuple(sorted(event.counts.items())),
            meaning=tuple(explain_run(job, found)),
        )
    if isinstance(event, ev.Ran):
        return FindingLine(
            *stamp,
            kind="run",
            what="",
            where="",
            minutes=event.minutes,
            conditions=_conditions(job, event.conditions),
            codes=event.codes,
            pending=event.pending,
            permanent=event.permanent,
            counts=tuple(sorted(event.counts.items())),
            felt=job.pack.feelings[event.felt].title if event.felt else "",
            meaning=tuple(explain_run(job, found)),
        )
    if isinstance(event, ev.Reopened):
        return FindingLine(*stamp, "complaint", event.reason, "")
    test = job.engine.tests[event.test]
    where = place_label(job.engine, event.target)
    if isinstance(event, ev.Measured):
        what = test.title + wanted_words(test, event)
        return FindingLine(*stamp, "reading", what, where, reading=_reading(course, test, event))
    outcome, normal = test.outcomes[event.outcome], test.outcomes[normal_outcome(test)]
    return FindingLine(*stamp, "inspection", test.title, where, outcome=outcome, normal=normal)


def _reading(course: Course, test: Test, event: ev.Measured) -> ReadingLine:
    good = good_range(test, course.levels.get(test.id), event)
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


def _readouts(job: Job, records: Sequence[Record]) -> list[Readout]:
    """List what was stored when the vehicle came in, and after every run where somebody looked."""
    return [
        Readout(one.seq, records[one.seq].at, tuple(_code_lines(job, one.event)))
        for one in job.findings
        if isinstance(one.event, ev.Coded) and one.event.told
    ]


def _code_lines(job: Job, read: ev.Coded) -> Iterator[CodeLine]:
    kinds = {"stored": read.codes, "pending": read.pending, "permanent": read.permanent}
    for kind, texts in kinds.items():
        for code in read_codes(job.engine, texts or ()):
            yield CodeLine(code.text, code.title, kind)


def _after(readouts: Sequence[Readout], repaired: int | None) -> Readout | None:
    """Return the last readout after the last repair, None if there was none."""
    late = [codes for codes in readouts if repaired is not None and codes.seq > repaired]
    return late[-1] if late else None


def _verification(course: Course) -> Verification:
    """Say what was driven since the last repair and what risk remains."""
    job = course.job
    proof = prove(course.evidence, course.posterior, job.closing.causes if job.closing else ())
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
        residual_risk=course.residual_risk(),
        left_out=course.posterior.left_out,
    )


def _retracted(
    job: Job, records: Sequence[Record], numbered: Sequence[replay.Numbered]
) -> tuple[Retracted, ...]:
    events = dict(numbered)
    found = [seq for seq, event in events.items() if isinstance(event, replay.FOUND)]
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
    course: Course, numbered: Sequence[replay.Numbered], retracted: Sequence[Retracted]
) -> Otherwise | None:
    """Conclude as if what is weighed had not been retracted."""
    weighed = {line.seq for line in retracted if line.is_weighed}
    events = [
        (seq, event)
        for seq, event in numbered
        if not isinstance(event, ev.Undone) and (seq not in course.job.undone or seq in weighed)
    ]
    return beliefs.conclude(course, course.job.pack, events) if weighed else None


def _photo(record: Record, event: ev.Attached) -> Photo:
    return Photo(
        *on_record(record),
        name=event.name,
        caption=event.caption,
        of=event.of,
        media=event.media,
        digest=digest_of_file(event),
        bytes=len(picture_bytes(event)),
    )


def _provenance(pack: Pack) -> PriorSources:
    numbers = numbers_by_source(pack)
    lines = [
        SourceLine(source.grade, source.text, numbers[name])
        for name, source in pack.sources.items()
        if numbers[name]
    ]
    lines.sort(key=lambda line: (-line.numbers, line.text))
    return PriorSources(pack.name, pack.version, pack.digest, tuple(lines))
