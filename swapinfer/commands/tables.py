"""Jobs and findings as rows of the two tables that histories are learned from.

Nothing in them names a person or a vehicle: a job goes by its opaque id; of what was typed freely
only the vehicle family is kept, made one word; no identification number, customer, complaint,
note, remark, repair order or technician.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any

from swapinfer.commands.visits import Visit
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.testing import band_of, reading_value
from swapinfer.ledger.events import Inspected, Measured, Ran, Replaced, is_a
from swapinfer.ledger.replay import Finding
from swapinfer.ledger.runs import misfiring

LONGEST_WORD = 40


def job_rows(visit: Visit) -> Iterator[dict[str, Any]]:
    """One row a cause of a visit.

    Parameters
    ----------
    visit : Visit
        From `swapinfer.commands.visits.list_visits`.
    """
    opening, closing = visit.job.opening, visit.closing
    place = _cylinder_complained_of(visit)
    common = {
        "job": visit.name,
        "opened": visit.opened[:10],
        "family": one_word(opening.family),
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
        yield {**common, "cause_kind": "not-found", "cause_mode": "", "verified": "no",
               "confirmed_by": ""}  # fmt: skip
        return
    for cause, mode in zip(closing.causes, closing.modes, strict=True):
        yield {
            **common,
            "cause_kind": visit.job.elements[cause].home.kind,
            "cause_mode": mode,
            "verified": "yes" if closing.verified and mode else "no",
            "confirmed_by": closing.confirmed_by or _by_repair(visit),
        }


def one_word(text: str) -> str:
    """Make one lower-case word of letters, digits and ``. _ + -``."""
    word = re.sub(r"[^a-z0-9._+-]+", "-", text.lower()).strip("._+-")
    return word[:LONGEST_WORD]


def _by_repair(visit: Visit) -> str:
    events = [event for _, event in visit.job.standing[visit.since : visit.until]]
    return "repair" if any(is_a(event, Replaced) for event in events) else ""


def _number(value: float | None) -> str:
    return "" if value is None or math.isnan(value) else f"{value:g}"


def _cylinder_complained_of(visit: Visit) -> str:
    for finding in visit.findings:
        if isinstance(finding.event, Ran) and (seen := misfiring(visit.job, finding.event)):
            return str(min(seen)) if len(seen) == 1 else ""
    return ""


def finding_rows(visit: Visit) -> Iterator[dict[str, Any]]:
    """One row a reading or inspection of a visit.

    The target is left empty where the finding is about the established cause, wherever that part
    sat at the time; or, as long as none is established, about the cylinder complained of.
    """
    evidence = gather_evidence(visit.job)
    weight_q = evidence.arrays.level_q / evidence.arrays.level_q.sum()
    for finding in visit.findings:
        event = finding.event
        if isinstance(event, Ran):
            continue
        test = visit.job.engine.tests[event.test]
        outcome = event.outcome if isinstance(event, Inspected) else ""
        if isinstance(event, Measured):
            value = reading_value(test, event)
            level = evidence.levels.reading(test, weight_q) if test.level else None
            outcome = band_of(test, value, level)
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
