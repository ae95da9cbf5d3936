"""What to do next, and the questions around it."""

from __future__ import annotations

import math
from typing import ClassVar, Literal

from msgspec import Struct, structs

from swapinfer.commands.causes import Belief, believe, list_causes
from swapinfer.commands.facts import Facts
from swapinfer.commands.page import money
from swapinfer.commands.recording_commands import closing_command, commands_of
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, near_match
from swapinfer.ledger.cautions import cautions_met
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.pack.model import Costs
from swapinfer.plan import answers
from swapinfer.plan.actions import Action
from swapinfer.plan.answers import Node, plan_tree
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, PlannedStep, make_plan, next_steps
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, HAND_OVER
from swapinfer.plan.reason import OWED, Reason, Telling, explain
from swapinfer.plan.verifying import VERIFIED_RISK, missing_words, prove

Verdict = Literal["go-on", "prove", "stop-testing", "bet", "hand-over", "give-up"]


class Limits(Struct, frozen=True):
    """What the technician said about this moment.

    Attributes
    ----------
    lacking : tuple of str
        Tools that are not at hand, beside those the shop lacks.
    minutes, money : float or None
        Most that a step may take or cost.
    cheapest : str
        What "cheapest" means: money, minutes or driving.
    depth : int
        Steps looked ahead.
    """

    lacking: tuple[str, ...] = ()
    minutes: float | None = None
    money: float | None = None
    cheapest: str = "money"
    depth: int = 2

    @property
    def restrict(self) -> bool:
        """Whether anything is limited."""
        return bool(self.lacking) or self.minutes is not None or self.money is not None


class StepLine(Struct, frozen=True):
    """A next step in one line: id, title, minutes, money, and expected total cost."""

    id: str
    title: str
    minutes: float
    money: float
    expected_total: float


class OutcomeFacts(Struct, frozen=True):
    """An outcome of a step: what it would mean and what would be done then."""

    id: str
    title: str
    probability: float
    leading: str
    leading_probability: float
    then: str


class CautionFacts(Struct, frozen=True):
    """A caution: its short name, its text, and whether work in this job carried it before."""

    id: str
    name: str
    text: str
    is_known: bool


class TellingFacts(Struct, frozen=True):
    """What an outcome says about what was wrong before the step.

    Attributes
    ----------
    outcome : str
        Its id.
    probability : float
        That it is what will be found.
    points_to, clears : dict of str to float
        Elements that it makes clearly likelier, or less likely, and how likely they are then.
    """

    outcome: str
    probability: float
    points_to: dict[str, float]
    clears: dict[str, float]


class StepFacts(Struct, frozen=True):
    """A ranked step.

    Attributes
    ----------
    reason, change : str
        Which suspects it tells apart, or what carries it; what would change the advice.
    tellings : tuple of TellingFacts
        On which the reason rests, the likeliest outcome first.
    turn : float or None
        Probability of the leading cause below which another step would come first; told of a
        first step that repairs it.
    commands : tuple of str
        What records the step once it is done, "..." in the place of what was found.
    minutes, drive_minutes : float
        Work, and driving.
    money : float
        The step itself.
    expected_total : float
        Until the vehicle is verified.
    gain, bits : float
        Saving over going on without it; information.
    cautions : tuple of CautionFacts
        All of them, known or not.
    tools, opens, how : tuple of str
        Titles and texts.
    is_barred : bool
        Whether it may not come first as the job stands: what was begun is to be driven before.
    """

    id: str
    title: str
    reason: str
    change: str
    tellings: tuple[TellingFacts, ...]
    turn: float | None
    commands: tuple[str, ...]
    minutes: float
    drive_minutes: float
    money: float
    expected_total: float
    gain: float
    bits: float
    tools: tuple[str, ...]
    cautions: tuple[CautionFacts, ...]
    opens: tuple[str, ...]
    how: tuple[str, ...]
    outcomes: tuple[OutcomeFacts, ...]
    is_barred: bool


class MineFacts(Struct, frozen=True):
    """The technician's own step beside the best one.

    Attributes
    ----------
    id, title : str
        Of the step that was meant.
    more : float
        What it is expected to cost more in all.
    share : float
        That difference as a share of the best expected total.
    is_told_apart : bool
        Whether it is more than the plan can resolve.
    """

    id: str
    title: str
    more: float
    share: float
    is_told_apart: bool


class NextView(Facts, frozen=True):
    """Ranked next steps of a job.

    Attributes
    ----------
    steps : tuple of StepFacts
        The one to take first, then the others, the cheapest way on first.
    without_tests : float
        Expected cost of repairing by probability over cost without further tests.
    cost, spread, minutes, comebacks, wrong_parts : float
        What to expect under the plan.
    verdict : str
        "go-on": the first step tells more; "prove": it drives what was repaired; "stop-testing":
        it repairs the leading cause, and what was found carries that; "bet": it repairs something
        that is not proven; "hand-over" or "give-up": nothing more pays.
    leading_is_gone : bool
        Whether touching the leading cause has more likely ended the fault than not.
    exact : bool
        Whether every combination of faults was counted.
    off_by : float
        Furthest that a probability may be from the exact one; 0 when exact.
    mine : MineFacts or None
        The technician's own step, where one was named.
    limits_cost : float or None
        What the limits add to the expected cost; None without any.
    """

    shape: ClassVar[str] = "next/1"

    ro: str
    steps: tuple[StepFacts, ...]
    without_tests: float
    cost: float
    spread: float
    minutes: float
    comebacks: float
    wrong_parts: float
    objective: str
    currency: str
    verdict: Verdict
    leading: str
    leading_probability: float
    leading_is_gone: bool
    hypotheses: int
    left_out: float
    exact: bool
    off_by: float
    mine: MineFacts | None = None
    limits_cost: float | None = None


class TermFacts(Struct, frozen=True):
    """A term of a comparison: the step's cost, the best step's, and the difference."""

    name: str
    step: float
    best: float
    more: float


class WhyNotView(Facts, frozen=True):
    """A step beside the best one, term by term."""

    shape: ClassVar[str] = "why-not/1"

    ro: str
    step: str
    best: str
    more: float
    terms: tuple[TermFacts, ...]
    currency: str


class CleanDriveView(Facts, frozen=True):
    """How long a drive must stay clean before the vehicle may be called repaired.

    Attributes
    ----------
    minutes : float
        Needed; "OL" in JSON when no drive is long enough.
    conditions : tuple of str
        Under which it failed, or else under which what is suspected shows best.
    risk_now, risk_after : float
        That a misfire is still to come.
    """

    shape: ClassVar[str] = "clean-drive/1"

    ro: str
    minutes: float
    conditions: tuple[str, ...]
    risk_now: float
    risk_after: float
    wanted: float


class PlanTreeView(Facts, frozen=True):
    """The plan unfolded: steps, and after each outcome what to do then."""

    shape: ClassVar[str] = "plan/1"

    ro: str
    lines: tuple[str, ...]
    tree: dict[str, object]


def plan_settings(shop: Shop, job: Job, limits: Limits | None = None) -> PlanSettings:
    """Shop's figures and this moment's limits as planning takes them.

    Raises
    ------
    InputError
        If a tool or the meaning of "cheapest" is unknown.
    """
    limits = limits or Limits()
    known = job.pack.tools
    lacking = [_tool(name, known) for name in (*shop.settings.missing_tools, *limits.lacking)]
    return PlanSettings(
        costs=shop.settings.costs(job.pack),
        missing_tools=frozenset(lacking),
        part_prices=shop.settings.part_prices,
        objective=limits.cheapest,
        minutes_left=limits.minutes,
        money_left=limits.money,
        depth=limits.depth,
    )


def _tool(name: str, known: dict[str, str]) -> str:
    word = "-".join(name.lower().split())
    if word not in known:
        raise InputError(f'no tool "{name}"{near_match(word, known)}')
    return word


def first_step(shop: Shop, belief: Belief) -> StepLine:
    """Cheapest next step in one line."""
    job = belief.evidence.job
    best = next_steps(belief.evidence, belief.posterior, plan_settings(shop, job)).best
    minutes = best.minutes + best.drive_minutes
    return StepLine(best.id, best.title, minutes, best.money, best.expected_total)


def show_next(shop: Shop, limits: Limits, ro: str = "", count: int = 5, mine: str = "") -> NextView:
    """Rank the next steps of a job.

    Parameters
    ----------
    shop : Shop
        Where.
    limits : Limits
        What the technician said about this moment.
    ro : str, optional
        Repair order; default the current job.
    count : int, optional
        Steps to show.
    mine : str, optional
        The technician's own step, to be priced against the best.

    Raises
    ------
    InputError
        If the own step is none that was considered.
    """
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    settings = plan_settings(shop, loaded.job, limits)
    outlook = Outlook(belief.evidence, belief.posterior, settings)
    plan = make_plan(outlook, outlook.rank())
    price = None
    if limits.restrict:
        price = answers.price_of_limits(belief.evidence, belief.posterior, settings)
    view = _view(loaded.ro, belief, outlook, plan, count)
    own = price_mine(plan, mine, settings.costs) if mine.strip() else None
    return structs.replace(view, mine=own, limits_cost=price)


def price_mine(plan: Plan, typed: str, costs: Costs) -> MineFacts:
    """Find the step that a technician means and set its price beside the best one's.

    Raises
    ------
    InputError
        If the plan has no such step.
    """
    step = answers.find_meant(plan, typed)
    more = step.expected_total - plan.best.expected_total
    share = more / plan.best.expected_total if plan.best.expected_total > 0.0 else 0.0
    return MineFacts(step.id, step.title, more, share, share > costs.resolution)


def _view(ro: str, belief: Belief, outlook: Outlook, plan: Plan, count: int) -> NextView:
    causes = list_causes(belief)
    best = plan.best
    reason = explain(outlook, best, is_best=True)
    others = _different_work(plan)[1:count]
    return NextView(
        ro=ro,
        steps=(
            describe_step(belief, best, reason),
            *(describe_step(belief, step, explain(outlook, step)) for step in others),
        ),
        without_tests=plan.without_tests,
        cost=plan.forecast.cost,
        spread=plan.forecast.spread,
        minutes=plan.forecast.minutes,
        comebacks=plan.forecast.comebacks,
        wrong_parts=plan.forecast.wrong_parts,
        objective=plan.objective,
        currency=plan.currency,
        verdict=_verdict(best, is_carried=bool(reason.carried), is_owed=reason.sentence == OWED),
        leading=causes[0].label if causes else "",
        leading_probability=causes[0].probability if causes else 0.0,
        leading_is_gone=bool(causes) and causes[0].is_gone,
        hypotheses=plan.hypotheses,
        left_out=plan.left_out,
        exact=belief.posterior.exact,
        off_by=belief.posterior.left_out,
    )


def _verdict(best: PlannedStep, *, is_carried: bool, is_owed: bool) -> Verdict:
    if best.action is None:
        return "give-up" if best.id == GIVE_UP else "hand-over"
    if is_owed:
        return "prove"
    if best.action.kind != "replace":
        return "go-on"
    return "stop-testing" if is_carried else "bet"


def _different_work(plan: Plan) -> list[PlannedStep]:
    """Keep the best length of drive for each piece of work: the others are variations."""
    best: dict[object, PlannedStep] = {}
    for step in plan.steps:
        action = step.action
        work = step.id if action is None else action.without_drive
        best.setdefault(work, step)
    return list(best.values())


def describe_step(belief: Belief, step: PlannedStep, reason: Reason) -> StepFacts:
    """Put a step in words and figures."""
    job, pack = belief.evidence.job, belief.evidence.job.pack
    known = cautions_met(job)
    closing, unproven = ("", "") if step.action else _closing(belief, step)
    return StepFacts(
        id=step.id,
        title=step.title,
        reason=reason.sentence,
        change=reason.change + unproven,
        tellings=tuple(_telling(telling) for telling in reason.tellings),
        turn=reason.turn.probability if reason.turn else None,
        commands=commands_of(job, step.action) if step.action else (closing,),
        minutes=step.minutes,
        drive_minutes=step.drive_minutes,
        money=step.money,
        expected_total=step.expected_total,
        gain=step.gain,
        bits=step.bits,
        tools=tuple(pack.tools[tool] for tool in step.tools),
        cautions=tuple(
            CautionFacts(name, pack.cautions[name].name, pack.cautions[name].text, name in known)
            for name in step.cautions
        ),
        opens=tuple(pack.access[access].title for access in step.opens),
        how=_how(job, step.action),
        outcomes=tuple(
            OutcomeFacts(
                id=o.id,
                title=o.title,
                probability=o.probability,
                leading=element_label(job, o.suspects[0].element),
                leading_probability=o.suspects[0].probability,
                then=o.then,
            )
            for o in step.outcomes
        ),
        is_barred=step.is_barred,
    )


def _closing(belief: Belief, step: PlannedStep) -> tuple[str, str]:
    """Command that ends the job, and what is missing for it to end verified."""
    causes = list_causes(belief)
    if step.id != HAND_OVER or not causes or causes[0].place:
        return closing_command("", is_proven=False), ""
    proof = prove(belief.evidence, belief.posterior, [causes[0].element])
    missing = missing_words(proof)
    unproven = f"; to close it as verified, {missing}" if math.isfinite(proof.missing) else ""
    return closing_command(causes[0].element, is_proven=proof.holds), unproven if missing else ""


def _telling(telling: Telling) -> TellingFacts:
    return TellingFacts(
        telling.outcome,
        telling.chance,
        {one.element: one.probability for one in telling.points_to},
        {one.element: one.probability for one in telling.clears},
    )


def _how(job: Job, action: Action | None) -> tuple[str, ...]:
    if action is None or not action.test:
        return ()
    test = job.engine.tests[action.test]
    return (*(f"first: {item}" for item in test.before), *test.steps)


def show_why_not(shop: Shop, step_id: str, ro: str = "") -> WhyNotView:
    """Compare a step with the best one, term by term."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    plan = next_steps(belief.evidence, belief.posterior, plan_settings(shop, loaded.job))
    found = answers.why_not(plan, step_id)
    return WhyNotView(
        ro=loaded.ro,
        step=found.step.title,
        best=found.best.title,
        more=found.step.expected_total - found.best.expected_total,
        terms=tuple(TermFacts(t.name, t.step, t.best, t.more) for t in found.terms),
        currency=plan.currency,
    )


def show_clean_drive(shop: Shop, risk: float = VERIFIED_RISK, ro: str = "") -> CleanDriveView:
    """Say how long a drive must stay clean before the vehicle may be called repaired."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    proof = prove(belief.evidence, belief.posterior, risk=risk)
    asked = proof.asked
    return CleanDriveView(
        loaded.ro, proof.missing, asked.conditions, asked.risk_now, asked.risk_after, risk
    )


def show_plan_tree(shop: Shop, depth: int = 2, ro: str = "") -> PlanTreeView:
    """Unfold the plan to a depth."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    node = plan_tree(belief.evidence, belief.posterior, plan_settings(shop, loaded.job), depth)
    return PlanTreeView(loaded.ro, tuple(node.lines()), _tree(node))


def _tree(node: Node) -> dict[str, object]:
    return {
        "step": node.step.id,
        "title": node.step.title,
        "expected_total": node.step.expected_total,
        "branches": [
            {
                "outcome": branch.outcome,
                "probability": branch.probability,
                "then": _tree(branch.then) if branch.then else None,
            }
            for branch in node.branches
        ],
    }


def step_words(step: StepLine, currency: str) -> str:
    """One line of a next step."""
    return (
        f"{step.title} ({step.minutes:.0f} min, {money(step.money, currency)}; "
        f"whole way out about {money(step.expected_total, currency)})"
    )
