"""Causes, rivals, conflicts: what the findings lead to and what they leave open."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from swapinfer.claim.beliefs import Course
from swapinfer.claim.facts import (
    Against,
    Cause,
    Conflict,
    Finding,
    Flip,
    ModeShare,
    Rival,
    Standing,
    Verification,
)
from swapinfer.claim.settings import ClaimSettings
from swapinfer.ledger.events import Closed
from swapinfer.ledger.record import Record, clock_steps
from swapinfer.ledger.words import element_label, now_at

LN_10 = math.log(10.0)

SHOWN = 5
"""Causes whose course is shown."""

WORTH_SHOWING = 0.01
"""Causes that never reached this probability are no rivals."""

LIKELY = 0.5
"""Probability from which a cause of a job that is not closed is part of the conclusion."""

WORTH_SAYING = 1.0
"""Decibans from which a finding is said to have spoken against something."""

AGAINST_THE_CAUSE = 5.0
"""Decibans from which a finding against the cause is a conflict."""

MOST_AGAINST = 3


def subjects_of(course: Course) -> tuple[str, ...]:
    """Elements that the conclusion is about: those named at closing, else the likely ones."""
    closing = course.job.closing
    if closing is not None and closing.causes:
        return tuple(dict.fromkeys(closing.causes))
    return tuple(dict.fromkeys([course.leader, *_likely(course)]))


def _likely(course: Course) -> list[str]:
    fault_e = course.posterior.fault_e
    return [
        course.evidence.arrays.elements[e] for e in np.argsort(-fault_e) if fault_e[e] >= LIKELY
    ]


def shown_causes(course: Course) -> tuple[str, ...]:
    """Elements whose course is shown: the subjects, then whatever led at any time."""
    subjects = subjects_of(course)
    peak_e = course.fault_ne[1:].max(axis=0)
    rivals = [
        element
        for element in course.evidence.arrays.elements
        if element not in subjects and peak_e[course.index(element)] >= WORTH_SHOWING
    ]
    rivals.sort(key=lambda element: (element != course.leader, -peak_e[course.index(element)]))
    return (*subjects, *rivals[: max(0, SHOWN - len(subjects))])


def list_causes(course: Course, shown: Sequence[str]) -> tuple[Cause, ...]:
    """Describe the shown causes."""
    closing = course.job.closing
    named = closing.causes if closing else ()
    return tuple(_cause(course, element, named=element in named) for element in shown)


def _cause(course: Course, element: str, *, named: bool) -> Cause:
    e = course.index(element)
    shares: dict[str, float] = defaultdict(float)
    marginal_s = course.posterior.marginal_es[e]
    for state, p in zip(course.evidence.space.states[e], marginal_s, strict=False):
        if state.mode:
            shares[state.mode.title] += float(p)
    modes = sorted((ModeShare(title, p) for title, p in shares.items()), key=_least_first)
    return Cause(
        element=element,
        label=element_label(course.job, element),
        now=now_at(course.job, element),
        probability=float(course.posterior.fault_e[e]),
        low=float(course.intervals.low_e[e]) if course.intervals else None,
        high=float(course.intervals.high_e[e]) if course.intervals else None,
        before=float(course.fault_ne[0, e]),
        modes=tuple(modes),
        named=named,
    )


def _least_first(share: ModeShare) -> tuple[float, str]:
    return -share.probability, share.title


def list_rivals(
    course: Course, causes: Sequence[Cause], subjects: int, findings: Sequence[Finding]
) -> tuple[Rival, ...]:
    """Say of every shown cause that is not a subject why it was put aside."""
    return tuple(
        Rival(
            element=rival.element,
            label=rival.label,
            probability=rival.probability,
            factor=course.times_likelier.get(rival.element),
            against=_against(findings, position),
        )
        for position, rival in enumerate(causes[subjects:], start=subjects)
    )


def flip_of(course: Course) -> Flip | None:
    """Find the rival of the likeliest cause that is nearest to drawing level."""
    subjects = subjects_of(course)
    rivals = {name: f for name, f in course.times_likelier.items() if name not in subjects}
    if not rivals or course.leader not in subjects:
        return None
    rival, factor = min(rivals.items(), key=lambda pair: pair[1])
    leader = element_label(course.job, course.leader)
    return Flip(leader, element_label(course.job, rival), factor)


def _against(findings: Sequence[Finding], position: int) -> tuple[Against, ...]:
    lines = [
        Against(finding.seq, finding.decibans_c[position])
        for finding in findings
        if finding.decibans_c[position] <= -WORTH_SAYING
    ]
    return tuple(sorted(lines, key=lambda line: line.decibans)[:MOST_AGAINST])


def list_conflicts(
    course: Course, causes: Sequence[Cause], findings: Sequence[Finding], records: Sequence[Record]
) -> tuple[Conflict, ...]:
    """List what does not fit: findings against the cause, a better rival, odd records."""
    conflicts = [
        Conflict("against", finding.seq, causes[0].label, finding.decibans_c[0])
        for finding in findings
        if finding.decibans_c[0] <= -AGAINST_THE_CAUSE
    ]
    conflicts += _to_check_again(course)
    subjects = subjects_of(course)
    for element in dict.fromkeys([course.leader, *_likely(course)]):
        if element not in subjects:
            kind = "not leading" if element == course.leader else "not named"
            conflicts.append(Conflict(kind, -1, element_label(course.job, element)))
    conflicts += [Conflict("clock", seq, records[seq].at) for seq in clock_steps(records)]
    odd = [record.seq for record in records if record.pack != records[0].pack]
    conflicts += [Conflict("packs", seq, records[seq].pack) for seq in odd]
    return tuple(conflicts)


def _to_check_again(course: Course) -> list[Conflict]:
    if course.checks is None:
        return []
    return [
        Conflict("check again", seq, "", float(course.checks.conflict_db_n[n]))
        for n, seq in enumerate(course.evidence.seqs)
        if course.checks.check_again_n[n]
    ]


def _unproven(closing: Closed, verified: Verification) -> str:
    if closing.verified:
        return "claimed"
    return "unrepaired" if verified.repaired_seq is None else "unverified"


def standing_of(
    course: Course, causes: Sequence[Cause], verified: Verification, settings: ClaimSettings
) -> Standing:
    """Say how firm the conclusion is and, if it is a draft, why."""
    closing = course.job.closing
    subjects = subjects_of(course)
    joint = course.all_faulty(subjects)
    status, draft = "closed", []
    if closing is None:
        status, draft = "open", ["open"]
    elif closing.verified and verified.proven:
        status = "verified"
    else:
        draft.append(_unproven(closing, verified))
    if joint < settings.established:
        draft.append("not established")
    single = len(subjects) == 1
    return Standing(
        status=status,
        draft=tuple(draft),
        joint=joint,
        low=causes[0].low if single else None,
        high=causes[0].high if single else None,
        draws=course.draws,
        established=settings.established,
        exact=course.posterior.exact,
        log10_evidence=course.posterior.log_evidence / LN_10,
    )
