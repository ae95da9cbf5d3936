"""How firm a conclusion is, and why a write-up is a draft."""

from __future__ import annotations

import math
from collections.abc import Sequence

from swapinfer.claim.beliefs import LIKELY, Course
from swapinfer.claim.facts import CauseLine, Otherwise, Standing, Verification
from swapinfer.ledger.replay import Job

MOST_RARER = 1e6
"""Times rarer beforehand, beyond which it does not matter."""


def standing_of(
    course: Course,
    causes: Sequence[CauseLine],
    verified: Verification,
    published: Otherwise,
    established: float,
) -> Standing:
    """Say how firm the conclusion is and, if it is a draft, why.

    Parameters
    ----------
    course : Course
        Of the job.
    causes : sequence of CauseLine
        Those shown, the subjects first.
    verified : Verification
        What was driven since the last repair.
    published : Otherwise
        What follows under the published priors.
    established : float
        Least probability for that word.
    """
    joint = course.all_faulty(course.subjects)
    single = len(course.subjects) == 1
    status, unproven = _status(course.job, verified)
    unlikely = ["not established"] if joint < established else []
    if not unlikely and published.joint is not None and published.joint < established:
        unlikely = ["own priors"]
    return Standing(
        status=status,
        draft=(*unproven, *unlikely),
        joint=joint,
        low=causes[0].low if single else None,
        high=causes[0].high if single else None,
        rarer=_rarer(joint, established) if single else None,
        draws=len(course.intervals.fault_de) if course.intervals else 0,
        established=established,
        exact=course.posterior.exact,
        log10_evidence=course.posterior.log_evidence / math.log(10.0),
    )


def _rarer(probability: float, established: float) -> float | None:
    """How many times a cause's odds beforehand may shrink: its odds now shrink as many times."""
    least = established if probability >= established else LIKELY
    if probability < least:
        return None
    odds = probability / max(1.0 - probability, 1e-9)
    return float(f"{min(odds * (1.0 - least) / least, MOST_RARER):.4g}")


def _status(job: Job, verified: Verification) -> tuple[str, tuple[str, ...]]:
    """Open, closed or verified; and why the repair is not proven, if it is not."""
    if job.closing is None:
        return "open", ("open",)
    if not job.closing.verified:
        return "closed", ("unrepaired" if verified.repaired_seq is None else "unverified",)
    return ("verified", ()) if verified.proven else ("closed", ("claimed",))
