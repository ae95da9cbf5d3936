"""Answers around the plan: why not this, how long to drive, stop or go on, what a limit costs."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from msgspec.structs import replace

from swapinfer.errors import InputError, near_match
from swapinfer.evidence.assemble import Evidence
from swapinfer.physics import MOST_MINUTES
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, PlannedStep, next_steps
from swapinfer.plan.outlook import Outlook
from swapinfer.posterior import Posterior

_NEAR = 3
"""Steps named where none comes near what was typed."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One term of a comparison, in currency; `more` is what the step costs more than the best."""

    name: str
    step: float
    best: float

    @property
    def more(self) -> float:
        """Difference."""
        return self.step - self.best


@dataclass(frozen=True, slots=True)
class WhyNot:
    """A step beside the best one.

    Attributes
    ----------
    step, best : PlannedStep
        Those compared.
    terms : tuple of Difference
        Labour, driving, parts, risk, and what is expected to follow; they add up to the totals.
    """

    step: PlannedStep
    best: PlannedStep
    terms: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class CleanDrive:
    """How long a drive must stay clean.

    Attributes
    ----------
    minutes : float
        Needed; infinite when no drive is long enough.
    risk_now, risk_after : float
        Probability that a misfire is still to come, now and after such a drive.
    conditions : tuple of str
        Of the drive.
    """

    minutes: float
    risk_now: float
    risk_after: float
    conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StopOrGoOn:
    """The best way to learn more beside the best way to act on what is known.

    Attributes
    ----------
    learn : PlannedStep or None
        Cheapest step that repairs nothing; None when there is none.
    act : PlannedStep
        Cheapest repair, handing over, or giving up.
    saving : float
        What learning first is expected to save; negative when it does not pay.
    """

    learn: PlannedStep | None
    act: PlannedStep
    saving: float

    @property
    def goes_on(self) -> bool:
        """Whether learning more pays."""
        return self.learn is not None and self.saving > 0.0


@dataclass(frozen=True, slots=True)
class LimitPrice:
    """What limits cost.

    Attributes
    ----------
    free, limited : PlannedStep
        Best step without and with the limits.
    price : float
        Expected total that the limits add.
    """

    free: PlannedStep
    limited: PlannedStep
    price: float


def why_not(plan: Plan, step_id: str) -> WhyNot:
    """Compare a step with the best one, term by term.

    Parameters
    ----------
    plan : Plan
        From `next_steps`.
    step_id : str
        As `find_meant` takes it.

    Returns
    -------
    WhyNot

    Raises
    ------
    InputError
        If the plan has no such step: the tool is missing, or nothing suggests it.
    """
    step = find_meant(plan, step_id)
    pairs = zip(_terms(step), _terms(plan.best), strict=True)
    terms = tuple(Difference(name, mine, best) for (name, mine), (_, best) in pairs)
    return WhyNot(step, plan.best, terms)


def find_meant(plan: Plan, typed: str) -> PlannedStep:
    """Find the step of a plan that a person means.

    Parameters
    ----------
    plan : Plan
        From `next_steps`.
    typed : str
        A step's id; or how one begins, or words of its id or title, whole or begun, as in
        ``swap coil 3``: then the one with the least work beside is meant, the best of equals.

    Returns
    -------
    PlannedStep

    Raises
    ------
    InputError
        If the plan has no such step: the tool is missing, or nothing suggests it.
    """
    word = "-".join(typed.lower().split())
    named = plan.find(word)
    if named:
        return named
    wanted = _words(typed)
    begins = [step for step in plan.steps if word and step.id.startswith(word)]
    fits = begins or [step for step in plan.steps if wanted and _has_words(step, wanted)]
    if fits:
        return min(fits, key=_beside)
    heads = list(dict.fromkeys(map(_head, plan.steps)))
    close = get_close_matches(word, heads, n=1, cutoff=0.6)
    known = near_match(word, close) if close else f"; first of all: {', '.join(heads[:_NEAR])}"
    raise InputError(f'no step "{typed}" was considered here{known}')


def _beside(step: PlannedStep) -> tuple[int, int]:
    """How much work a step is, and how many words say it, its drive left out."""
    work = step.title.partition("; drive ")[0]
    return len(step.action.handled) if step.action else 0, len(_words(work))


def _head(step: PlannedStep) -> str:
    """Id of a step without its drive."""
    if step.action is None or step.action.kind == "drive":
        return step.id
    return step.action.without_drive.id


def _words(text: str) -> list[str]:
    """Words and numbers of a text; ``coil3`` is two."""
    return re.findall(r"[a-z]+|\d+", text.lower())


def _has_words(step: PlannedStep, wanted: Sequence[str]) -> bool:
    has = {*_words(step.id), *_words(step.title)}
    return all(
        word in has if word.isdigit() else any(one.startswith(word) for one in has)
        for word in wanted
    )


def _terms(step: PlannedStep) -> list[tuple[str, float]]:
    return [
        ("labour", step.cost.labour),
        ("driving", step.cost.driving),
        ("parts", step.cost.parts),
        ("risk of handling", step.cost.risk),
        ("what follows", step.expected_total - step.cost.total),
    ]


def clean_drive_minutes(
    outlook: Outlook,
    residual_risk: float,
    conditions: tuple[str, ...] | None = None,
    least: float = 0.0,
) -> CleanDrive:
    """Work out how long a drive must stay clean before the vehicle may be called repaired.

    Parameters
    ----------
    outlook : Outlook
        Of the job as it stands, repairs recorded.
    residual_risk : float
        Probability that may remain that a fault is still there, between 0 and 1.
    conditions : tuple of str, optional
        Of the drive; those under which what is suspected shows best by default.
    least : float, optional
        Minutes that are asked for in any case.

    Returns
    -------
    CleanDrive

    Raises
    ------
    InputError
        If the risk is not between 0 and 1.

    Notes
    -----
    With ``b_h`` the belief in each fault set and ``r_h`` its misfire episodes a minute, the risk
    after ``t`` clean minutes is ``sum b_h exp(-r_h t)`` over faulty sets, divided by the same over
    all sets; it falls with ``t``, and is solved by bisection.
    """
    if not 0.0 < residual_risk < 1.0:
        raise InputError(f"residual risk must lie between 0 and 1, got {residual_risk:g}")
    chosen = outlook.conditions if conditions is None else conditions
    belief_h = outlook.hypotheses.belief_h
    rate_f = outlook.predictor.total_rate_f(chosen)
    rate_h = outlook.hypotheses.member_hf @ rate_f
    lasting_h = outlook.hypotheses.member_hf @ outlook.predictor.total_rate_f(()) > 0.0

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


def stop_or_go_on(plan: Plan) -> StopOrGoOn:
    """Weigh the best way to learn more against acting now.

    Parameters
    ----------
    plan : Plan
        From `next_steps`.

    Returns
    -------
    StopOrGoOn
    """
    acts = [s for s in plan.steps if s.action is None or s.action.kind == "replace"]
    learns = [s for s in plan.steps if s not in acts]
    learn = min(learns, key=lambda step: step.expected_total, default=None)
    act = min(acts, key=lambda step: step.expected_total)
    saving = act.expected_total - learn.expected_total if learn else -math.inf
    return StopOrGoOn(learn, act, saving)


def price_of_limits(evidence: Evidence, posterior: Posterior, settings: PlanSettings) -> LimitPrice:
    """Say what missing tools and limits of time and money add to the expected cost.

    Parameters
    ----------
    evidence : Evidence
        All findings.
    posterior : Posterior
        What they lead to.
    settings : PlanSettings
        With the limits.

    Returns
    -------
    LimitPrice
    """
    unlimited = replace(
        settings, missing_tools=frozenset(), minutes_left=None, money_left=None, avoided=frozenset()
    )
    free = next_steps(evidence, posterior, unlimited)
    limited = next_steps(evidence, posterior, settings)
    return LimitPrice(free.best, limited.best, limited.least - free.least)
