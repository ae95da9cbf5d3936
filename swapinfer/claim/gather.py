"""From a replayed job and its records to the facts of a write-up."""

from __future__ import annotations

import base64
import binascii
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from swapinfer.claim import beliefs, findings
from swapinfer.claim.beliefs import Course, follow_belief
from swapinfer.claim.clean import clean_text, leave_out, map_texts
from swapinfer.claim.effort import tally
from swapinfer.claim.facts import (
    ClaimFacts,
    LedgerFacts,
    NoteLine,
    Photo,
    Provenance,
    Repair,
    Retracted,
    SourceLine,
    Vehicle,
)
from swapinfer.claim.moves import arrange, list_moves, list_trails
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.vin import check_vin, normal_vin
from swapinfer.ledger import events as ev
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, Stage
from swapinfer.ledger.words import element_label
from swapinfer.pack.fixes import access_of, fix_for
from swapinfer.pack.model import Pack


def gather_facts(job: Job, records: Sequence[Record], settings: ClaimSettings) -> ClaimFacts:
    """Collect everything that a write-up says.

    Parameters
    ----------
    job : Job
        As replayed from `records`.
    records : sequence of Record
        The whole chain.
    settings : ClaimSettings
        Of the shop.

    Returns
    -------
    ClaimFacts
        Every text in it is clean, and without what is to be left out.
    """
    by_seq = {record.seq: record for record in records}
    course = follow_belief(job)
    handled = job.stages
    causes = beliefs.list_causes(course)
    found = findings.list_findings(course, by_seq)
    verified = findings.verification(course)
    facts = ClaimFacts(
        ro=job.opening.ro,
        shop=settings.shop,
        opened_at=records[0].at,
        technicians=tuple(dict.fromkeys(record.who for record in records)),
        complaint=job.opening.complaint,
        remark=job.closing.remark if job.closing else "",
        vehicle=_vehicle(job),
        standing=beliefs.standing_of(course, causes, verified, settings.established),
        causes=causes,
        subjects=len(course.subjects),
        leader=course.label(course.leader),
        flip=beliefs.flip_of(course),
        confirmed_by=_confirmed_by(job),
        repairs=_repairs(course, handled, by_seq),
        codes_before=findings.codes_before(job, by_seq),
        codes_after=findings.codes_after(job, by_seq),
        findings=found,
        moves=list_moves(job, handled, by_seq),
        arrangements=arrange(job, handled),
        trails=list_trails(job, handled),
        rivals=beliefs.list_rivals(course, causes, found),
        conflicts=beliefs.list_conflicts(course, causes, found, records),
        retracted=_retracted(job, records),
        notes=_notes(job, by_seq),
        spent=tally(job, records, settings, course.modes_of),
        verification=verified,
        cautions=_cautions(course, handled),
        photos=tuple(_photos(job, by_seq)),
        provenance=_provenance(job.pack),
        ledger=LedgerFacts(records[0].job, len(records), records[-1].digest, records[-1].program),
    )
    return _released(facts, job.opening, settings)


def _released(facts: ClaimFacts, opening: ev.Opened, settings: ClaimSettings) -> ClaimFacts:
    cleaned = map_texts(facts, clean_text)
    if not settings.redact:
        return cleaned
    secrets = (clean_text(opening.vin), clean_text(opening.customer))
    return map_texts(cleaned, leave_out(secrets))


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
    )


def _confirmed_by(job: Job) -> str:
    test = job.engine.tests.get(job.closing.confirmed_by) if job.closing else None
    return test.title if test else ""


def _repairs(
    course: Course, handled: Sequence[Stage], records: Mapping[int, Record]
) -> tuple[Repair, ...]:
    job, repairs = course.job, []
    for stage in handled:
        if isinstance(stage.event, ev.Replaced):
            record, element = records[stage.seq], stage.before[stage.event.place]
            modes = course.modes_of(element)
            found = sum(1 for seq in course.evidence.seqs if seq < stage.seq)
            fault_e = course.fault_ne[found]
            others = {name: fault_e[course.index(name)] for name in stage.before.values()}
            probability = float(others.pop(element))
            runner_up = max(others, key=lambda name: (others[name], name))
            repairs.append(
                Repair(
                    seq=stage.seq,
                    at=record.at,
                    who=record.who,
                    what=fix_for(job.engine.kind_of(stage.event.place), modes).title,
                    element=element,
                    label=element_label(job, element),
                    price=stage.event.price,
                    probability=probability,
                    next_label=element_label(job, runner_up),
                    next_probability=float(others[runner_up]),
                )
            )
    return tuple(repairs)


def _retracted(job: Job, records: Sequence[Record]) -> tuple[Retracted, ...]:
    by_seq = {record.seq: record for record in records}
    events = dict(read_events(records))
    undoing = {
        event.seq: by_seq[seq] for seq, event in job.standing if isinstance(event, ev.Undone)
    }
    return tuple(
        Retracted(
            seq=seq,
            at=by_seq[seq].at,
            who=by_seq[seq].who,
            said=events[seq].say(job),
            undone_by=undoing[seq].who,
            undone_at=undoing[seq].at,
        )
        for seq in sorted(job.undone)
    )


def _notes(job: Job, records: Mapping[int, Record]) -> tuple[NoteLine, ...]:
    return tuple(
        NoteLine(seq, records[seq].at, records[seq].who, event.text)
        for seq, event in job.standing
        if isinstance(event, ev.Noted)
    )


def _cautions(course: Course, handled: Sequence[Stage]) -> tuple[str, ...]:
    """Texts of all cautions that belong to what was done, the general ones first."""
    job = course.job
    named = set(job.cautions_met())
    for stage in handled:
        if isinstance(stage.event, ev.Replaced):
            kind = job.engine.kind_of(stage.event.place)
            fix = fix_for(kind, course.modes_of(stage.before[stage.event.place]))
            named.update(job.access_cautions(access_of(kind, fix)))
    order = list(job.pack.cautions)
    return tuple(job.pack.cautions[c].text for c in sorted(named, key=order.index))


def _photos(job: Job, records: Mapping[int, Record]) -> Iterable[Photo]:
    for seq, event in job.standing:
        if isinstance(event, ev.Attached):
            yield Photo(
                seq=seq,
                at=records[seq].at,
                who=records[seq].who,
                name=event.name,
                media=event.media,
                digest=event.digest,
                bytes=len(picture_bytes(event)),
            )


def picture_bytes(event: ev.Attached) -> bytes:
    """Return the file of an attached picture; empty if it cannot be read."""
    try:
        return base64.b64decode(event.data, validate=True)
    except (binascii.Error, ValueError):
        return b""


def _provenance(pack: Pack) -> Provenance:
    numbers = Counter(pack.provenance.values())
    lines = [
        SourceLine(source.grade, source.text, numbers[name])
        for name, source in pack.sources.items()
        if numbers[name]
    ]
    lines.sort(key=lambda line: (-line.numbers, line.text))
    return Provenance(pack.name, pack.version, pack.digest, tuple(lines))
