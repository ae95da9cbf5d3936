"""How firm a conclusion is: its standing, the published priors, and what does not fit."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from swapinfer.claim.beliefs import LIKELY, Reasoning, all_faulty, conclude, conclusion
from swapinfer.claim.facts import (
    CauseLine,
    ChangedEntry,
    Conflict,
    FindingLine,
    Otherwise,
    Published,
    Standing,
    Verification,
)
from swapinfer.claim.pictures import is_as_attached
from swapinfer.errors import PackError
from swapinfer.ledger.event import Aside
from swapinfer.ledger.events import Attached, Opened, Ran, Reopened
from swapinfer.ledger.record import Record, as_utc, clock_steps
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import Revision, changed_entries, holds_number
from swapinfer.pack.tables import digest_text, pack_from_json, pack_to_json

MOST_RARER = 1e6  # times rarer beforehand, beyond which it does not matter
AGAINST_THE_CAUSE = 5.0  # decibans from which a finding against the cause is a conflict
UNLIKELY_MODE = 0.1  # share of a cause under which a way of failing that was named does not fit
ROUNDED = 5.0  # minutes by which a drive may be longer than the clock allows, and clocks may differ
FASTEST = 3.0  # times faster than by standard times that a job may have gone
ALL_ROUNDED = 30.0  # minutes of standard time that may be recorded in no time at all
SHOWN = 8  # changed entries that are listed, those that weigh most
TRIED = 48  # changed entries that are weighed: of the kinds shown first, the most changed
LONGEST = 60  # characters of a changed entry that are shown


def standing_of(
    reasoning: Reasoning,
    causes: Sequence[CauseLine],
    verified: Verification,
    published: Otherwise,
    established: float,
) -> Standing:
    """Say how firm the conclusion is and, if it is a draft, why."""
    joint = all_faulty(reasoning.evidence, reasoning.posterior, reasoning.subjects)
    single = len(reasoning.subjects) == 1
    closing, status = reasoning.job.closing, "closed"
    draft: tuple[str, ...]
    if closing is None:
        status, draft = "open", ("open",)
    elif not closing.verified:
        draft = ("unrepaired" if verified.repaired_seq is None else "unverified",)
    else:
        status, draft = ("verified", ()) if verified.proven else ("closed", ("claimed",))
    if joint < established:
        draft += ("not established",)
    elif published.joint is not None and published.joint < established:
        draft += ("own priors",)
    intervals, posterior = reasoning.intervals, reasoning.posterior
    return Standing(
        status=status,
        draft=draft,
        joint=joint,
        low=causes[0].low if single else None,
        high=causes[0].high if single else None,
        rarer=_rarer(joint, established) if single else None,
        draws=len(intervals.fault_de) if intervals else 0,
        established=established,
        exact=posterior.exact,
        log10_evidence=posterior.log_evidence / math.log(10.0),
    )


def _rarer(probability: float, established: float) -> float | None:
    """How many times a cause's odds beforehand may shrink: its odds now shrink as many times."""
    least = established if probability >= established else LIKELY
    if probability < least:
        return None
    odds = probability / max(1.0 - probability, 1e-9)
    return float(f"{min(odds * (1.0 - least) / least, MOST_RARER):.4g}")


def list_conflicts(
    reasoning: Reasoning,
    causes: Sequence[CauseLine],
    findings: Sequence[FindingLine],
    records: Sequence[Record],
    minutes: Mapping[int, float],
    written_at: str,
) -> tuple[Conflict, ...]:
    """List what does not fit: findings against the cause, a better rival, odd records and times."""
    job, checks = reasoning.job, reasoning.checks
    conflicts = [
        Conflict("against", finding.seq, causes[0].label, finding.decibans_c[0])
        for finding in findings
        if finding.decibans_c[0] <= -AGAINST_THE_CAUSE
    ]
    if checks is not None:
        conflicts += [
            Conflict("check again", seq, "", float(checks.conflict_db_n[n]))
            for n, seq in enumerate(reasoning.evidence.seqs)
            if checks.check_again_n[n]
        ]
    for element in reasoning.likely:
        if element not in reasoning.subjects:
            kind = "not leading" if element == reasoning.leader else "not named"
            conflicts.append(Conflict(kind, -1, reasoning.label(element)))
    for cause in causes:
        named = sum(mode.probability for mode in cause.modes if mode.title == cause.closed_as)
        share = named / max(sum(mode.probability for mode in cause.modes), 1e-12)
        if cause.closed_as and share < UNLIKELY_MODE:
            conflicts.append(Conflict("mode", -1, cause.headline, share=share))
    came, closing = job.opening.odometer_km, job.closing
    if closing and (closing.odometer_km or math.inf) < (came or 0.0):
        conflicts.append(Conflict("odometer", -1, ""))
    conflicts += [
        Conflict("picture", seq, "")
        for seq, event in job.standing
        if isinstance(event, Attached) and not is_as_attached(event)
    ]
    conflicts += [Conflict("clock", seq, records[seq].at) for seq in clock_steps(records)]
    conflicts += _misfit_times(job, records, minutes)
    conflicts += dated_after(records, as_utc(written_at)) if written_at else []
    odd = [record.seq for record in records if record.pack != records[0].pack]
    return (*conflicts, *(Conflict("packs", seq, records[seq].pack) for seq in odd))


def _misfit_times(
    job: Job, records: Sequence[Record], minutes: Mapping[int, float]
) -> Iterator[Conflict]:
    """Yield drives longer than the clock allows, and work that the whole time is too short for."""

    def passed(first: int, last: int) -> float:
        return (as_utc(records[last].at) - as_utc(records[first].at)).total_seconds() / 60.0

    events = [(seq, event) for seq, event in job.standing if not isinstance(event, Aside)]
    taken = 0.0
    for (before, earlier), (seq, event) in pairwise(events):
        if isinstance(event, Ran) and isinstance(earlier, (Opened, Reopened)):
            continue  # what was driven before may be recorded just after
        taken += minutes[seq]
        if isinstance(event, Ran) and event.minutes > passed(before, seq) + ROUNDED:
            since = records[before].at
            yield Conflict("drive", seq, records[seq].at, since=since, minutes=event.minutes)
    last = events[-1][0]
    if taken > FASTEST * passed(0, last) + ALL_ROUNDED:
        yield Conflict("work", last, records[last].at, since=records[0].at, minutes=taken)


def dated_after(records: Sequence[Record], time: datetime) -> list[Conflict]:
    """List the records that are dated after a time, for which they were still to come."""
    latest = time + timedelta(minutes=ROUNDED)
    late = [record for record in records if as_utc(record.at) > latest]
    return [Conflict("future", record.seq, record.at) for record in late]


def compare_with_published(reasoning: Reasoning, published: Pack) -> Published:
    """Compare a job's priors with the published ones, and weigh each change made alone in those."""
    text, own = pack_to_json(published), reasoning.job.pack
    is_same = text == pack_to_json(own)
    if is_same:
        concludes = conclusion(reasoning.evidence, reasoning.posterior, reasoning.subjects)
    else:
        concludes = conclude(reasoning, published)
    kinds = {reasoning.job.elements[element].home.kind for element in reasoning.shown}
    at = tuple(f"element.{kind}." for kind in kinds)
    changes = changed_entries(published, own)
    likeliest = sorted(
        changes, key=lambda one: (not one.path.startswith(at), -_stretch(one), one.path)
    )
    weighed = [(one, _joint_with(reasoning, text, one)) for one in likeliest[:TRIED]]
    weighed.sort(key=lambda pair: (-_moved(concludes.joint, pair[1]), pair[0].path))
    numbers = sum(holds_number(one.before) or holds_number(one.after) for one in changes)
    return Published(
        pack=published.name,
        version=published.version,
        digest=digest_text(text),
        is_same=is_same,
        concludes=concludes,
        numbers=numbers,
        others=len(changes) - numbers,
        changed=tuple(
            ChangedEntry(one.path, _written(one.before), _written(one.after), joint)
            for one, joint in weighed[:SHOWN]
        ),
    )


def _stretch(change: Revision) -> float:
    """By how many times a number differs, as a logarithm; infinite for what is no such number."""
    pair = (change.before, change.after)
    numbers = [float(value) for value in pair if isinstance(value, int | float)]
    if len(numbers) < 2 or min(numbers) <= 0.0:
        return math.inf
    return round(abs(math.log(numbers[0] / numbers[1])), 6)


def _joint_with(reasoning: Reasoning, text: str, change: Revision) -> float | None:
    """Probability of the conclusion under the published priors with one entry changed."""
    table = json.loads(text)
    inner, (*outer, last) = table, change.path.split(".")
    for key in outer:
        inner = inner.setdefault(key, {})
    if change.after is None:
        del inner[last]
    else:
        inner[last] = change.after
    try:
        return conclude(reasoning, pack_from_json(json.dumps(table))).joint
    except PackError:
        return None


def _moved(before: float | None, after: float | None) -> float:
    """How far the log odds moved, rounded so that the order is the same on every machine."""
    if before is None or after is None:
        return 0.0
    first, last = (min(max(p, 1e-12), 1.0 - 1e-12) for p in (before, after))
    return round(abs(math.log(last / (1.0 - last)) - math.log(first / (1.0 - first))), 6)


def _written(value: object) -> str:
    if type(value) in (int, float):
        return f"{value:.10g}"
    text = "absent" if value is None else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST else f"{text[: LONGEST - 1]}…"
