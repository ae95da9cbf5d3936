"""What does not fit a conclusion: findings, rivals, records and times."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from swapinfer.claim.beliefs import Course
from swapinfer.claim.entries import FindingLine
from swapinfer.claim.facts import CauseLine, Conflict
from swapinfer.claim.pictures import is_as_attached
from swapinfer.claim.times import list_misfits
from swapinfer.ledger.events import Attached
from swapinfer.ledger.record import Record

AGAINST_THE_CAUSE = 5.0
"""Decibans from which a finding against the cause is a conflict."""

UNLIKELY_MODE = 0.1
"""Share of a cause's ways of failing under which one that was named does not fit."""


def list_conflicts(
    course: Course,
    causes: Sequence[CauseLine],
    findings: Sequence[FindingLine],
    records: Sequence[Record],
    minutes: Mapping[int, float],
    written_at: str,
) -> tuple[Conflict, ...]:
    """List what does not fit: findings against the cause, a better rival, odd records and times.

    Parameters
    ----------
    course : Course
        Of the job.
    causes, findings
        Those shown.
    records : sequence of Record
        The whole chain.
    minutes : mapping of int to float
        Standard time of each event.
    written_at : str
        Time of the write-up; empty where it has none.
    """
    conflicts = [
        Conflict("against", finding.seq, causes[0].label, finding.decibans_c[0])
        for finding in findings
        if finding.decibans_c[0] <= -AGAINST_THE_CAUSE
    ]
    if course.checks is not None:
        conflicts += [
            Conflict("check again", seq, "", float(course.checks.conflict_db_n[n]))
            for n, seq in enumerate(course.evidence.seqs)
            if course.checks.check_again_n[n]
        ]
    for element in course.likely:
        if element not in course.subjects:
            kind = "not leading" if element == course.leader else "not named"
            conflicts.append(Conflict(kind, -1, course.label(element)))
    conflicts += [
        Conflict("mode", -1, cause.headline, share=share)
        for cause in causes
        if (share := _share_named(cause)) < UNLIKELY_MODE
    ]
    came, closing = course.job.opening.odometer_km, course.job.closing
    if closing and (closing.odometer_km or math.inf) < (came or 0.0):
        conflicts.append(Conflict("odometer", -1, ""))
    conflicts += [
        Conflict("picture", seq, "")
        for seq, event in course.job.standing
        if isinstance(event, Attached) and not is_as_attached(event)
    ]
    conflicts += list_misfits(course.job, records, minutes, written_at)
    odd = [record.seq for record in records if record.pack != records[0].pack]
    conflicts += [Conflict("packs", seq, records[seq].pack) for seq in odd]
    return tuple(conflicts)


def _share_named(cause: CauseLine) -> float:
    """Share of a cause's ways of failing that the findings leave to the one it was closed with."""
    if not cause.closed_as:
        return 1.0
    named = sum(mode.probability for mode in cause.modes if mode.title == cause.closed_as)
    return named / max(sum(mode.probability for mode in cause.modes), 1e-12)
