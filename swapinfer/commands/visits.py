"""A shop's own history: visits of vehicles, comebacks among them, and what is learned from those.

That is two tables, and what the findings of a visit say whose cause nobody established. Nothing in
the tables names a person or a vehicle: a job goes by its opaque id; of what was typed freely only
the vehicle family is kept, made one word; no identification number, customer, complaint, note,
remark, repair order or technician.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.commands.shop import Shop
from swapinfer.errors import SwapinferError
from swapinfer.evidence.arrays import Arrays, FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.profiles import reading_value
from swapinfer.evidence.states import BEFORE
from swapinfer.ledger.events import (
    Closed,
    Coded,
    Inspected,
    Measured,
    Reopened,
    Replaced,
    read_events,
)
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Finding, Job, replay
from swapinfer.ledger.runs import misfiring
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer

LEAST = 1e-20
"""Smallest ratio of expected faults after the findings to before; keeps logs finite."""

LONGEST_WORD = 40
"""Letters of a vehicle family that are kept."""

Rows: TypeAlias = list[dict[str, Any]]


class Visit(Struct, frozen=True):
    """One visit: from a job's opening, or reopening, to its closing.

    Its name is the job's opaque id; later visits of a job have a number behind it. It is a part of
    the job, replayed to its end: from the time of its first event until that of the first that is
    no longer part of it. `comeback_of` names an earlier visit whose complaint returned.
    """

    name: str
    job: Job
    records: Sequence[Record]
    opened: str
    ended: str
    since: int
    until: int
    odometer_km: float | None
    closing: Closed | None
    comeback_of: str = ""

    @property
    def findings(self) -> list[Finding]:
        """What was found in it."""
        return [one for one in self.job.findings if self.since <= one.time < self.until]


def list_visits(shop: Shop) -> list[Visit]:
    """List the visits of a shop's vehicles that have ended, and comebacks that have not, in order.

    A job that was reopened is two visits, the second a comeback. So is another job of the same
    vehicle (by its identification number, which goes no further) within the pack's
    `comeback_days` of a verified repair. Jobs that moved to another store are left to that one.
    """
    visits: list[Visit] = []
    for row in shop.store.jobs():
        if row.status != "moved":
            records = shop.store.records(row.job)
            visits += _parts_of(shop.replay(records), records)
    visits.sort(key=lambda one: datetime.fromisoformat(one.opened))
    linked = _link_vehicles(visits, timedelta(days=shop.pack.custom.comeback_days))
    return [one for one in linked if one.closing or one.comeback_of]


def _parts_of(job: Job, records: Sequence[Record]) -> Iterator[Visit]:
    """Part a job where it was reopened."""
    at = {record.seq: record.at for record in records}
    starts = [t for t, (_, event) in enumerate(job.standing) if isinstance(event, Reopened)]
    before = ""
    for number, (since, until) in enumerate(pairwise([0, *starts, len(job.standing)])):
        part = job.standing[since:until]
        seq, first = part[0]
        again = first.odometer_km if isinstance(first, Reopened) else None
        closed = [event for _, event in part if isinstance(event, Closed)]
        name = f"{records[0].job}-{number + 1}" if number else records[0].job
        yield Visit(
            name=name,
            job=job,
            records=records,
            opened=at[seq],
            ended=at[part[-1][0]],
            since=since,
            until=until,
            odometer_km=job.opening.odometer_km if again is None else again,
            closing=closed[-1] if closed else None,
            comeback_of=before,
        )
        before = name


def _link_vehicles(visits: Iterable[Visit], soon: timedelta) -> list[Visit]:
    """Link visits, in order of time, of one vehicle that followed a verified repair too soon."""
    last: dict[str, Visit] = {}
    linked = []
    for visit in visits:
        vin = visit.job.opening.vehicle
        before = last.get(vin)
        if vin and before and before.closing and before.closing.verified and not visit.comeback_of:
            ended, opened = (datetime.fromisoformat(at) for at in (before.ended, visit.opened))
            if opened - ended <= soon:
                visit = replace(visit, comeback_of=before.name)  # noqa: PLW2901  the same, linked
        last[vin] = visit
        linked.append(visit)
    return linked


def table_rows(visits: Sequence[Visit]) -> tuple[Rows, Rows]:
    """Rows of the two tables that histories are learned from: jobs, and findings."""
    jobs = [row for visit in visits for row in _job_rows(visit)]
    return jobs, [row for visit in visits for row in _finding_rows(visit)]


def _job_rows(visit: Visit) -> Iterator[dict[str, Any]]:
    """One row a cause of a visit."""
    opening, closing = visit.job.opening, visit.closing
    place = _cylinder_complained_of(visit)
    family = re.sub(r"[^a-z0-9._+-]+", "-", opening.family.lower()).strip("._+-")
    common = {
        "job": visit.name,
        "opened": visit.opened[:10],
        "family": family[:LONGEST_WORD],
        "odometer_km": _number(visit.odometer_km),
        "complaint": place and "misfire",
        "layout": opening.layout,
        "ignition": opening.fitment.get("ignition", ""),
        "fuel": opening.fitment.get("fuel", ""),
        "place": place,
        "exposure_km": _number(opening.driven_km),
        "comeback_of": visit.comeback_of,
        "advised": "yes",
    }
    if closing is None or not closing.causes:
        nothing = {"cause_kind": "not-found", "cause_mode": "", "verified": "no"}
        yield {**common, **nothing, "confirmed_by": ""}
        return
    events = (event for _, event in visit.job.standing[visit.since : visit.until])
    by_repair = "repair" if any(isinstance(event, Replaced) for event in events) else ""
    for cause, mode in zip(closing.causes, closing.modes, strict=True):
        yield {
            **common,
            "cause_kind": visit.job.elements[cause].home.kind,
            "cause_mode": mode,
            "verified": "yes" if closing.verified and mode else "no",
            "confirmed_by": closing.confirmed_by or by_repair,
        }


def _number(value: float | None) -> str:
    return "" if value is None or math.isnan(value) else f"{value:g}"


def _cylinder_complained_of(visit: Visit) -> str:
    for finding in visit.findings:
        if isinstance(finding.event, Coded) and (seen := misfiring(visit.job, finding.event)):
            return str(min(seen)) if len(seen) == 1 else ""
    return ""


def _finding_rows(visit: Visit) -> Iterator[dict[str, Any]]:
    """One row a reading or inspection of a visit.

    The target is left empty where the finding is about the established cause, wherever that part
    sat at the time; or, as long as none is established, about the cylinder complained of.
    """
    evidence = gather_evidence(visit.job)
    for finding in visit.findings:
        event = finding.event
        if not isinstance(event, Measured | Inspected):
            continue
        test = visit.job.engine.tests[event.test]
        outcome = event.outcome if isinstance(event, Inspected) else ""
        if isinstance(event, Measured):
            value = reading_value(test, event)
            told = evidence.telling(test)
            weight_q = told.arrays.level_q / told.arrays.level_q.sum()
            level = told.levels.reading(test, weight_q) if test.level else None
            outcome = test.band_of(value, level)
        yield {
            "job": visit.name,
            "sequence": finding.seq,
            "test": event.test,
            "target": "" if _is_about_the_fault(visit, finding, event.target) else event.target,
            "outcome": outcome,
            "value": "" if isinstance(event, Inspected) else f"{event.value:g}",
        }


def _is_about_the_fault(visit: Visit, finding: Finding, target: str) -> bool:
    job, closing = visit.job, visit.closing
    if closing and closing.verified and closing.causes:
        place = next((p for p, e in finding.fitted.items() if e == closing.causes[0]), None)
        if place is None or target in job.engine.places:
            return target == place
        faulty = set(job.engine.places[place].cylinders)
        return bool(faulty & set(job.engine.target_cylinders(target)))
    complained = _cylinder_complained_of(visit)
    wanted = {int(complained)} if complained else set(job.engine.layout.cylinders)
    if target in job.engine.places:
        return wanted <= set(job.elements[finding.fitted[target]].home.cylinders)
    return wanted <= set(job.engine.target_cylinders(target))


def weigh_visits(
    visits: Iterable[Visit], causes: Sequence[str], pack: Pack
) -> dict[str, FloatArray]:
    """Weigh the findings of visits that established no cause with its mode.

    Visits are all of a shop's, in order of time, causes ``"kind.mode"`` each. Visit to
    log-likelihoods; left out are comebacks, visits that came back, and jobs that the pack, on which
    is learned, cannot replay.
    """
    weighed: dict[str, FloatArray] = {}
    for visit in visits:
        # Visits come in order of time: what came back is only known later.
        weighed.pop(visit.comeback_of, None)
        closing = visit.closing
        is_established = closing is not None and closing.verified and any(closing.modes)
        if visit.comeback_of or is_established:
            continue
        try:
            weighed[visit.name] = weigh_causes(replay(read_events(visit.records), pack), causes)
        except SwapinferError:
            continue
    return weighed


def weigh_causes(job: Job, causes: Sequence[str]) -> FloatArray:
    r"""Log-likelihood of a job's findings under each cause, ``"kind.mode"``, up to a constant.

    If the job was closed as verified, other elements than those that it names are ruled out: the
    element is established then, if not how it failed.

    Notes
    -----
    By Bayes' rule the findings D are as likely under cause c as
    :math:`E[n_c \mid D, \text{complaint}] / E[n_c \mid \text{complaint}]`, where :math:`n_c`
    counts the elements of that kind that have that mode since before the job; all other faults
    keep the pack's chances. Causes that the engine cannot have get the least of the others.
    """
    evidence = gather_evidence(job)
    named = set(job.closing.causes) if job.closing and job.closing.verified else set()
    only_complaint = np.arange(evidence.arrays.n_findings) == 0
    before_c = _expected(evidence, evidence.keeping(only_complaint), causes, set())
    after_c = _expected(evidence, evidence.arrays, causes, named)
    has = before_c > 0
    out_c = np.zeros(len(causes))
    out_c[has] = np.log(np.maximum(after_c[has] / before_c[has], LEAST))
    out_c[~has] = out_c[has].min()
    return out_c


def _expected(
    evidence: Evidence, arrays: Arrays, causes: Sequence[str], named: set[str]
) -> FloatArray:
    """Count the original faults expected of each cause after some findings."""
    space = evidence.space
    marginal_es = infer(arrays).marginal_es
    asked_e = [not e.is_new and (not named or e.id in named) for e in space.elements]
    original_es = (space.onset_es == BEFORE) & np.array(asked_e)[:, None]
    total_m = np.bincount(
        space.mode_es.ravel(), (marginal_es * original_es).ravel(), len(space.modes) + 1
    )
    at = {f"{kind}.{mode}": m for m, (kind, mode) in enumerate(space.modes, start=1)}
    return np.array([total_m[at[cause]] if cause in at else 0.0 for cause in causes])
