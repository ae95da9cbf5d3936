"""Jobs and findings as rows of the two tables that histories are learned from."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.testing import band_of, reading_value
from swapinfer.ledger.events import Inspected, Measured, Ran, Replaced
from swapinfer.ledger.followed import misfiring
from swapinfer.ledger.replay import Job

if TYPE_CHECKING:
    from swapinfer.ledger.rows import JobRow


def job_rows(row: JobRow, job: Job) -> Iterator[dict[str, Any]]:
    """One row a cause of a job; nothing that names a person or a vehicle.

    Parameters
    ----------
    row : JobRow
        Index row.
    job : Job
        As replayed.
    """
    opening, closing = job.opening, job.closing
    common = {
        "job": row.job,
        "opened": row.opened_at[:10],
        "family": opening.family.lower(),
        "odometer_km": _number(opening.odometer_km),
        "complaint": _cylinder_complained_of(job) and "misfire",
        "layout": opening.layout,
        "ignition": opening.fitment.get("ignition", ""),
        "fuel": opening.fitment.get("fuel", ""),
        "place": _cylinder_complained_of(job),
        "exposure_km": _number(opening.driven_km),
        "comeback_of": "",
        "advised": "yes",
    }
    if closing is None or not closing.causes:
        yield {**common, "cause_kind": "not-found", "cause_mode": "", "verified": "no",
               "confirmed_by": ""}  # fmt: skip
        return
    for cause, mode in zip(closing.causes, closing.modes, strict=True):
        yield {
            **common,
            "cause_kind": job.elements[cause].home.kind,
            "cause_mode": mode,
            "verified": "yes" if closing.verified and not job.comebacks else "no",
            "confirmed_by": closing.confirmed_by or _by_repair(job),
        }


def _by_repair(job: Job) -> str:
    return "repair" if any(isinstance(event, Replaced) for _, event in job.standing) else ""


def _number(value: float | None) -> str:
    return "" if value is None or math.isnan(value) else f"{value:g}"


def _cylinder_complained_of(job: Job) -> str:
    for finding in job.findings:
        if isinstance(finding.event, Ran) and (seen := misfiring(job, finding.event)):
            return str(min(seen)) if len(seen) == 1 else ""
    return ""


def finding_rows(row: JobRow, job: Job) -> Iterator[dict[str, Any]]:
    """One row a reading or inspection of a job."""
    evidence = gather_evidence(job)
    level = float(evidence.level_values @ evidence.problem.level_q / evidence.problem.level_q.sum())
    for finding in job.findings:
        event = finding.event
        if isinstance(event, Ran):
            continue
        test = job.engine.tests[event.test]
        outcome = event.outcome if isinstance(event, Inspected) else ""
        if isinstance(event, Measured):
            value = reading_value(test, event)
            outcome = band_of(test, value, level if test.level else 1.0)
        yield {
            "job": row.job,
            "sequence": finding.seq,
            "test": event.test,
            "target": event.target,
            "outcome": outcome,
            "value": "" if isinstance(event, Inspected) else f"{event.value:g}",
        }
