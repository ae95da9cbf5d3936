"""Whether a repair is verified, and what stands against closing a job as it is told."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import InputError, JobError, UnconfirmedError
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job, replay
from swapinfer.ledger.runs import (
    failing_conditions,
    has_misfired,
    is_clean,
    last_repair,
    proving_minutes,
)
from swapinfer.ledger.words import element_label
from swapinfer.physics import MOST_MINUTES
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.outlook import Outlook
from swapinfer.posterior import Posterior, infer

VERIFIED_RISK = 0.05  # residual risk at which a repair is called verified by default
PROBABLE = 0.5  # probability under which a cause needs a second look before a job is closed on it


class CleanDrive(Struct, frozen=True):
    """How long a drive must stay clean."""

    minutes: float  # needed; infinite when no drive is long enough
    risk_now: float  # probability that a misfire is still to come, now and after such a drive
    risk_after: float
    conditions: tuple[str, ...]  # of the drive


class Proof(Struct, frozen=True):
    """The drive that is asked for after a repair, and what was driven of it.

    It is asked for in the conditions in which the vehicle failed, and for at least as long as the
    shortest run in which it did; as if what was driven of it since had not been.
    """

    repaired_seq: int | None  # last event that put something right; None when there is none
    asked: CleanDrive
    driven: float  # minutes driven clean in those conditions, since the repair and the last misfire

    @property
    def missing(self) -> float:
        """Clean minutes still to be driven."""
        return max(self.asked.minutes - self.driven, 0.0)

    @property
    def holds(self) -> bool:
        """Whether the repair is verified."""
        return self.repaired_seq is not None and self.missing == 0.0


def prove(
    evidence: Evidence,
    posterior: Posterior,
    causes: Sequence[str] = (),
    risk: float = VERIFIED_RISK,
) -> Proof:
    """Say how long a drive must stay clean after the last repair, and how long one was."""
    job = evidence.job
    repaired = last_repair(job, causes)
    here, least = _outlook(evidence, posterior), proving_minutes(job)
    conditions = failing_conditions(job) or here.conditions
    now = clean_drive_minutes(here, risk, conditions, least)
    runs = _clean_runs(job, repaired, conditions)
    if not runs:
        return Proof(repaired, now, 0.0)
    before = gather_evidence(_without(job, runs))
    outlook = _outlook(before, infer(before.arrays))
    asked = clean_drive_minutes(outlook, risk, conditions, least)
    after = min(asked.risk_after, now.risk_now)
    asked = replace(asked, risk_now=now.risk_now, risk_after=after)
    return Proof(repaired, asked, sum(runs.values()))


def _outlook(evidence: Evidence, posterior: Posterior) -> Outlook:
    return Outlook(evidence, posterior, PlanSettings(costs=evidence.job.pack.costs))


def _without(job: Job, runs: dict[int, float]) -> Job:
    kept, last = [], 0
    for seq, event in job.happened:
        if isinstance(event, (ev.Ran, ev.Reopened)):
            last = seq
        # What was read later belongs to the run before it.
        if (last if isinstance(event, ev.Scanned) else seq) not in runs:
            kept.append(event)
    return replay(enumerate(kept), job.pack)


def _clean_runs(job: Job, repaired: int | None, conditions: tuple[str, ...]) -> dict[int, float]:
    """Position to minutes of the clean runs since the repair and the last misfire."""
    runs: dict[int, float] = {}
    for finding in job.findings:
        run = finding.event
        if not isinstance(run, ev.Ran) or repaired is None or finding.seq < repaired:
            continue
        if has_misfired(job, run):
            runs.clear()
        elif is_clean(job, run) and set(conditions) <= set(run.conditions):
            runs[finding.seq] = run.minutes
    return runs


def clean_drive_minutes(
    outlook: Outlook,
    residual_risk: float,
    conditions: tuple[str, ...] | None = None,
    least: float = 0.0,
) -> CleanDrive:
    """Work out how long a drive must stay clean before the vehicle may be called repaired.

    With ``b_h`` the belief in each fault set and ``r_h`` its misfire episodes a minute, the risk
    after ``t`` clean minutes is ``sum b_h exp(-r_h t)`` over faulty sets, divided by the same over
    all sets; it falls with ``t``, and is solved by bisection.
    """
    if not 0.0 < residual_risk < 1.0:
        raise InputError(f"residual risk must lie between 0 and 1, got {residual_risk:g}")
    chosen = outlook.conditions if conditions is None else conditions
    belief_h, member_hf = outlook.hypotheses.belief_h, outlook.hypotheses.member_hf
    rate_h = member_hf @ outlook.predictor.total_rate_f(chosen)
    lasting_h = member_hf @ outlook.predictor.total_rate_f(()) > 0.0

    def risk(minutes: float) -> float:
        weight_h = belief_h * np.exp(-rate_h * minutes)
        return float(weight_h[lasting_h].sum() / weight_h.sum())

    minutes = max(_first_below(risk, residual_risk), least)
    return CleanDrive(minutes, risk(0.0), risk(min(minutes, MOST_MINUTES)), chosen)


def _first_below(risk: Callable[[float], float], wanted: float) -> float:
    if risk(0.0) <= wanted:
        return 0.0
    if risk(MOST_MINUTES) > wanted:
        return math.inf
    low, high = 0.0, MOST_MINUTES
    while high - low > 1e-3 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if risk(middle) <= wanted else (middle, high)
    return high


def missing_words(proof: Proof) -> str:
    """Say what is missing until a repair is verified; empty when it is."""
    if proof.holds:
        return ""
    if proof.repaired_seq is None:
        return "nothing that would put the cause right is recorded"
    when = ",".join(proof.asked.conditions)
    if math.isinf(proof.asked.minutes):
        return (
            f"no drive ({when}) is long enough while the risk of another misfire is "
            f"{100 * proof.asked.risk_now:.0f} %"
        )
    wanted = f"drive {math.ceil(proof.missing)} min {when} without a code first"
    if not proof.driven:
        return wanted
    return f"{wanted} ({proof.driven:g} of {math.ceil(proof.asked.minutes)} min are on record)"


def list_doubts(evidence: Evidence, posterior: Posterior, causes: Sequence[str]) -> list[str]:
    """List what stands against each cause that a job is to be closed on."""
    job, space = evidence.job, evidence.space
    touched = {d.element for d in job.disturbances}
    active_es = space.active_es(job.time)
    doubts = []
    for cause in dict.fromkeys(causes):
        e = space.index[cause]
        label, fault = element_label(job, cause), float(posterior.fault_e[e])
        present = float(posterior.marginal_es[e] @ active_es[e])
        if fault < PROBABLE:
            doubts.append(f"the {label} is at fault with a probability of only {100 * fault:.0f} %")
        if cause not in touched:
            doubts.append(f"the {label} was never touched")
        elif job.place_of(cause) and present >= 0.5 * fault:
            doubts.append(f"the {label} is still fitted, and nothing recorded put it right")
    return doubts


def check_closing(evidence: Evidence, posterior: Posterior, *, is_confirmed: bool) -> None:
    """Refuse a closing that claims what is not on record."""
    closing = evidence.job.closing
    if closing is None:
        return
    proof = prove(evidence, posterior, closing.causes)
    if closing.verified and (missing := missing_words(proof)):
        raise JobError(f'{missing}; or close without --verified: "repaired, not verified"')
    doubts = list_doubts(evidence, posterior, closing.causes)
    if doubts and not is_confirmed:
        raise UnconfirmedError("; ".join(doubts))
