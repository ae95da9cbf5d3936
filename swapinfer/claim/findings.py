"""What was found, in order, and what each finding did to belief."""

from __future__ import annotations

import math
from collections.abc import Mapping

from msgspec.structs import replace

from swapinfer.claim.beliefs import Course
from swapinfer.claim.facts import CodeLine, Codes, Finding, Reading, Verification
from swapinfer.ledger import events as ev
from swapinfer.ledger import replay as rp
from swapinfer.ledger.event import unhandled
from swapinfer.ledger.record import Record
from swapinfer.ledger.runs import explain_run, is_clean, last_repair
from swapinfer.ledger.words import good_range, place_label, wanted_words
from swapinfer.pack.codes import read_codes
from swapinfer.pack.model import GOOD, Test
from swapinfer.plan.verifying import prove


def list_findings(course: Course, records: Mapping[int, Record]) -> tuple[Finding, ...]:
    """List the complaint and every finding that stands.

    Parameters
    ----------
    course : Course
        From `swapinfer.claim.beliefs.follow_belief`.
    records : mapping of int to Record
        By position.
    """
    index = [course.index(element) for element in course.shown]
    complaint = _finding(records[0], "complaint", course.job.opening.complaint, "")
    found = [complaint, *(_describe(course, f, records[f.seq]) for f in course.job.findings)]
    return tuple(
        replace(
            finding,
            probability_c=tuple(float(course.fault_ne[n, e]) for e in index),
            decibans_c=tuple(float(course.decibans_ne[n - 1, e]) for e in index),
        )
        for n, finding in enumerate(found, start=1)
    )


def _finding(record: Record, kind: str, what: str, where: str) -> Finding:
    return Finding(record.seq, record.at, record.who, kind, what, where)


def _describe(course: Course, found: rp.Finding, record: Record) -> Finding:
    job, event = course.job, found.event
    if isinstance(event, ev.Ran):
        bare = _finding(record, "run", "", "")
        return replace(
            bare,
            minutes=event.minutes,
            conditions=tuple(job.pack.running.conditions[tag] for tag in event.conditions),
            codes=event.codes,
            counts=tuple(sorted(event.counts.items())),
            felt=job.pack.feelings[event.felt].title if event.felt else "",
            meaning=tuple(explain_run(job, found)),
        )
    test = job.engine.tests[event.test]
    where = place_label(job.engine, event.target)
    if isinstance(event, ev.Measured):
        bare = _finding(record, "reading", test.title + wanted_words(test, event), where)
        return replace(bare, reading=_reading(course, test, event))
    if not isinstance(event, ev.Inspected):
        raise unhandled(event, "written up")
    bare = _finding(record, "inspection", test.title, where)
    return replace(bare, outcome=test.outcomes[event.outcome], normal=normal_outcome(test))


def normal_outcome(test: Test) -> str:
    """Outcome that a thing in order shows most often."""
    if not test.chances:
        return ""
    chances = test.chances[GOOD]
    return test.outcomes[max(chances, key=lambda outcome: chances[outcome])]


def _reading(course: Course, test: Test, event: ev.Measured) -> Reading:
    good = good_range(test, course.level(test), event)
    over = math.isinf(event.value)
    return Reading(
        value=None if over else event.value,
        unit=test.unit,
        typed=event.typed,
        reference=event.reference,
        temperature_c=event.temperature_c,
        good=good,
        within=None if good is None else not over and good[0] <= event.value <= good[1],
    )


def codes_before(job: rp.Job, records: Mapping[int, Record]) -> Codes | None:
    """Return the codes of the first readout, None if nobody looked."""
    return next((_codes(job, f, records) for f in job.findings if _read(f)), None)


def codes_after(job: rp.Job, records: Mapping[int, Record]) -> Codes | None:
    """Return the codes of the last readout after the last repair, None if there was none."""
    repaired = last_repair(job, job.closing.causes if job.closing else ())
    late = [f for f in job.findings if _read(f) and repaired is not None and f.seq > repaired]
    return _codes(job, late[-1], records) if late else None


def _read(found: rp.Finding) -> bool:
    return isinstance(found.event, ev.Ran) and found.event.codes is not None


def _codes(job: rp.Job, found: rp.Finding, records: Mapping[int, Record]) -> Codes:
    codes = found.event.codes if isinstance(found.event, ev.Ran) else None
    lines = tuple(
        CodeLine(read.text, read.title) for read in read_codes(job.pack, job.engine, codes or ())
    )
    return Codes(found.seq, records[found.seq].at, lines)


def verification(course: Course) -> Verification:
    """Say what was driven since the last repair and what risk remains."""
    job = course.job
    proof = prove(course.evidence, course.posterior, job.closing.causes if job.closing else ())
    repaired, asked = proof.repaired_seq, proof.asked
    runs = [
        f.event
        for f in job.findings
        if isinstance(f.event, ev.Ran) and repaired is not None and f.seq > repaired
    ]
    clean_minutes = 0.0
    for run in runs:
        clean_minutes = clean_minutes + run.minutes if is_clean(job, run) else 0.0
    tags = dict.fromkeys(tag for run in runs for tag in run.conditions)
    return Verification(
        repaired_seq=repaired,
        minutes=sum(run.minutes for run in runs),
        clean_minutes=clean_minutes,
        runs=len(runs),
        asked_minutes=asked.minutes if math.isfinite(asked.minutes) else None,
        asked_conditions=tuple(job.pack.running.conditions[tag] for tag in asked.conditions),
        proven_minutes=proof.driven,
        proven=proof.holds,
        clean=clean_minutes > 0 if runs else None,
        conditions=tuple(job.pack.running.conditions[tag] for tag in tags),
        residual_risk=course.residual_risk(),
        left_out=course.posterior.left_out,
    )
