"""What to do next, why not something else, and what lies ahead."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

import typer
from msgspec import Struct, structs

from swapinfer.commands.app import command
from swapinfer.commands.causes import (
    GONE,
    Belief,
    believe,
    list_causes,
    plan_settings,
    spent_words,
    time_words,
    whole_way,
)
from swapinfer.commands.page import Facts, Page, exactness, money, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.steps import (
    SAME,
    MineFacts,
    OutcomeFacts,
    StepFacts,
    caution_lines,
    describe_step,
    mine_line,
    price_mine,
)
from swapinfer.commands.terminal import watched
from swapinfer.commands.typed import decimal, quantity, words
from swapinfer.evidence.states import draw_priors
from swapinfer.plan import answers
from swapinfer.plan.answers import Node, plan_tree
from swapinfer.plan.next import Plan, PlannedStep, make_plan, next_steps, title_way
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP
from swapinfer.plan.reason import HOW, OWED, Reason, explain
from swapinfer.plan.robust import try_step
from swapinfer.plan.verifying import VERIFIED_RISK, prove
from swapinfer.posterior.sensitivity import SEED

SHOWN_OUTCOMES = 4
GLANCE = 15
"""Lines that what is next may take, cautions that are new to the job not counted."""

INSTEAD = 3
"""Other steps named at a glance."""

Verdict = Literal["go-on", "tell-how", "prove", "stop-testing", "bet", "hand-over", "give-up"]

STANDS_OUT = 0.1
"""Below this probability no cause is called the likeliest."""

VERDICTS: Mapping[Verdict, str] = {
    "go-on": "not settled yet",
    "tell-how": "found; look how it failed",
    "prove": "prove the repair",
    "stop-testing": "stop testing and repair",
    "bet": "no test pays; repair by the odds",
    "hand-over": "nothing more pays; hand it over",
    "give-up": "nothing more pays; quote or refer it",
}

UNPROVEN = "nothing is proven before it is done and a drive stays quiet"
"""Below every advice to repair."""


class HeldFacts(Struct, frozen=True):
    """Draws of the priors, those under which nothing is better, and what most often is."""

    draws: int
    holds: int
    instead: str


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
        "go-on": the first step tells more; "tell-how": it tells how what is settled has failed;
        "prove": it drives what was repaired; "stop-testing": it repairs the leading cause, and
        what was found carries that; "bet": it repairs something that is not proven; "hand-over"
        or "give-up": nothing more pays.
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
    held : HeldFacts or None
        Under how many draws of the priors the first step holds, where that was asked.
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
    held: HeldFacts | None = None


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


@command("next", "next --mine 'swap coil'", has_full=True)
def show_next(
    shop: Shop,
    lacking: Annotated[str, typer.Option("--without", help="Tools not at hand, by commas.")] = "",
    minutes: Annotated[str, typer.Option(help="Only steps that take no longer.")] = "",
    cap: Annotated[
        float | None,
        typer.Option(parser=decimal, metavar="<number>", help="Only steps that cost no more."),
    ] = None,
    cheapest: Annotated[str, typer.Option(help="In money, minutes or driving.")] = "money",
    depth: Annotated[int, typer.Option(min=1, max=3, help="Steps looked ahead.")] = 2,
    count: Annotated[int, typer.Option(min=1, help="Steps to weigh up.")] = 5,
    mine: Annotated[str, typer.Option(help="Your own step, to be priced: 'swap coil'.")] = "",
    draws: Annotated[
        int,
        typer.Option(min=0, max=1000, help="Plan under so many draws of the priors as well."),
    ] = 0,
    ro: str = "",
) -> NextView:
    """Rank the next steps of a job."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    settings = structs.replace(
        plan_settings(shop, loaded.job, words(lacking)),
        objective=cheapest,
        minutes_left=quantity(minutes, "min"),
        money_left=cap,
        depth=depth,
    )
    outlook = Outlook(belief.evidence, belief.posterior, settings)
    plan = make_plan(outlook, outlook.rank())
    price = None
    if lacking.strip() or settings.minutes_left is not None or cap is not None:
        price = answers.price_of_limits(belief.evidence, belief.posterior, settings)
    view = _view(loaded.ro, belief, outlook, plan, count)
    own = price_mine(plan, mine, settings.costs) if mine.strip() else None
    held = _held(outlook, plan.best, draws) if draws else None
    return structs.replace(view, mine=own, limits_cost=price, held=held)


def _held(outlook: Outlook, best: PlannedStep, draws: int) -> HeldFacts:
    prior_des = draw_priors(outlook.evidence.space, draws, SEED)
    trials = watched(try_step(outlook, best.action, prior_des), "draws of the priors", draws)
    failed = [title_way(outlook, trial.first) for trial in trials if not trial.holds]
    instead = [title for title, _ in Counter(failed).most_common(1)]
    return HeldFacts(draws, draws - len(failed), "".join(instead))


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
        verdict=_verdict(best, reason),
        leading=causes[0].label if causes else "",
        leading_probability=causes[0].probability if causes else 0.0,
        leading_is_gone=bool(causes) and causes[0].is_gone,
        hypotheses=plan.hypotheses,
        left_out=plan.left_out,
        exact=belief.posterior.exact,
        off_by=belief.posterior.left_out,
    )


def _verdict(best: PlannedStep, reason: Reason) -> Verdict:
    if best.action is None:
        return "give-up" if best.id == GIVE_UP else "hand-over"
    if reason.sentence == OWED:
        return "prove"
    if best.action.kind != "replace":
        return "tell-how" if reason.sentence.startswith(HOW) else "go-on"
    return "stop-testing" if reason.carried else "bet"


def _different_work(plan: Plan) -> list[PlannedStep]:
    """Keep the best length of drive for each piece of work: the others are variations."""
    best: dict[object, PlannedStep] = {}
    for step in plan.steps:
        action = step.action
        work = step.id if action is None else action.without_drive
        best.setdefault(work, step)
    return list(best.values())


@command("why-not", "why-not compression")
def show_why_not(
    shop: Shop,
    step: Annotated[str, typer.Argument(help="A step's id, or how it begins.")],
    ro: str = "",
) -> WhyNotView:
    """Compare a step with the best one, term by term."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    plan = next_steps(belief.evidence, belief.posterior, plan_settings(shop, loaded.job))
    found = answers.why_not(plan, step)
    return WhyNotView(
        ro=loaded.ro,
        step=found.step.title,
        best=found.best.title,
        more=found.step.expected_total - found.best.expected_total,
        terms=tuple(TermFacts(t.name, t.step, t.best, t.more) for t in found.terms),
        currency=plan.currency,
    )


@show.register
def _(facts: NextView, page: Page) -> str:
    lines = _headline(facts, page)
    best = facts.steps[0]
    if facts.mine:
        lines += mine_line(facts.mine, facts.currency, page)
    lines += _best(best, facts.currency, page)
    if facts.held:
        lines += page.wrap(_held_words(facts.held), indent=2)
    if page.is_full:
        lines += _everything(facts, page)
    new, known = caution_lines(best.cautions, page)
    lines += new
    lines += known + _commands(best)
    if facts.limits_cost is not None:
        lines += page.wrap(f"these limits cost {money(facts.limits_cost, facts.currency)}", 2)
    if not page.is_full:
        lines += _instead(facts, page)[: max(GLANCE + len(new) - len(lines), 0)]
    return "\n".join(lines)


def standing_words(facts: NextView) -> str:
    """Say how far a job is, and what is likeliest if anything stands out."""
    gone = GONE if facts.leading_is_gone else ""
    sure = exactness(facts.off_by, is_exact=facts.exact)
    likeliest = f"Likeliest: {facts.leading}, {percent(facts.leading_probability)}{sure}{gone}"
    if facts.verdict == "go-on" and facts.leading_probability < STANDS_OUT:
        likeliest = "Nothing stands out"
    return f"{VERDICTS[facts.verdict]}. {likeliest}"


def _headline(facts: NextView, page: Page) -> list[str]:
    lines = page.wrap(f"{facts.ro}: {standing_words(facts)}")
    if facts.verdict in ("stop-testing", "bet"):
        lines += page.wrap(UNPROVEN, indent=2)
    return lines


def _held_words(held: HeldFacts) -> str:
    said = f"holds under {held.holds} of {held.draws} draws of the priors"
    return f"{said}; where not, mostly better: {held.instead}" if held.instead else said


def _best(step: StepFacts, currency: str, page: Page) -> list[str]:
    lines = page.wrap(page.strong(f"next: {step.title}"), hang=6)
    lines += page.wrap(f"why: {step.reason}", indent=2, hang=5)
    lines += page.wrap(step.change, indent=2, hang=5)
    opens = f"; first off: {', '.join(step.opens)}" if step.opens else ""
    spent = spent_words(step.minutes, step.drive_minutes, step.money, currency)
    spent = f"{spent}; " if step.minutes else ""
    whole = whole_way(step.expected_total, currency)
    return lines + page.wrap(f"{spent}{whole}{opens}", indent=2)


def _commands(step: StepFacts) -> list[str]:
    """Commands as they are typed, never broken, since they are copied."""
    lead = "  type: "
    return [
        (lead if n == 0 else " " * len(lead)) + command for n, command in enumerate(step.commands)
    ]


def _instead(facts: NextView, page: Page) -> list[str]:
    best = facts.steps[0]
    return [
        page.cut(f"  or, {_more(step, best)}: {step.title} ({_time(step)})")
        for step in [other for other in facts.steps[1:] if not other.is_barred][:INSTEAD]
    ]


def _more(step: StepFacts, best: StepFacts) -> str:
    more = round(step.expected_total - best.expected_total)
    return f"{abs(more)} {'less' if more < 0 else 'more'}"


def _everything(facts: NextView, page: Page) -> list[str]:
    """Tell what is left out at a glance."""
    best = facts.steps[0]
    lines = page.wrap(f"{best.bits:.2f} bits", indent=2)
    lines += page.listed("tools", best.tools, indent=2)
    lines += page.numbered(best.how, indent=4)
    for outcome in best.outcomes[:SHOWN_OUTCOMES]:
        lines += _outcome(outcome, page)
    if len(facts.steps) > 1:
        lines += page.heading("instead, at the price of the difference")
        lines += page.table(
            [[_more(s, best), _time(s), s.title] for s in facts.steps[1:]], right=[0, 1]
        )
    return [*lines, "", *_forecast(facts, page)]


def _outcome(outcome: OutcomeFacts, page: Page) -> list[str]:
    return page.wrap(
        f"{percent(outcome.probability)} {outcome.title}: then {outcome.leading} "
        f"{percent(outcome.leading_probability)}; {outcome.then}",
        indent=2,
        hang=4,
    )


def _time(step: StepFacts) -> str:
    return time_words(step.minutes, step.drive_minutes)


def _forecast(facts: NextView, page: Page) -> list[str]:
    return page.wrap(
        f"expected in all {money(facts.cost, facts.currency)} (give or take "
        f"{facts.spread:.0f}), {facts.minutes:.0f} min, {facts.wrong_parts:.2f} parts bought in "
        f"vain, {percent(facts.comebacks)} chance of a comeback; without further tests "
        f"{money(facts.without_tests, facts.currency)}"
    )


@show.register
def _(facts: WhyNotView, page: Page) -> str:
    if math.isclose(facts.more, 0.0, abs_tol=SAME):
        return "\n".join(page.wrap(f"{facts.ro}: {facts.step} is the cheapest way on"))
    lines = page.wrap(
        f"{facts.ro}: {facts.step} is expected to cost {money(facts.more, facts.currency)} more "
        f"than: {facts.best}"
    )
    rows = [["", "this", "best", "more"]]
    rows += [[t.name, f"{t.step:.0f}", f"{t.best:.0f}", f"{t.more:+.0f}"] for t in facts.terms]
    return "\n".join(lines + page.table(rows, right=[1, 2]))


HALF = 0.5
"""Above this risk a drive is no verification."""


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


@command("clean", "clean --risk 0.02")
def show_clean_drive(
    shop: Shop,
    risk: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Risk that may remain.")
    ] = VERIFIED_RISK,
    ro: str = "",
) -> CleanDriveView:
    """Say how long a drive must stay clean before the vehicle may be called repaired."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    proof = prove(belief.evidence, belief.posterior, risk=risk)
    asked = proof.asked
    return CleanDriveView(
        loaded.ro, proof.missing, asked.conditions, asked.risk_now, asked.risk_after, risk
    )


@command("plan", "plan --depth 2")
def show_plan_tree(
    shop: Shop,
    depth: Annotated[int, typer.Option(min=1, max=4, help="Steps along every branch.")] = 2,
    ro: str = "",
) -> PlanTreeView:
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


@show.register
def _(facts: CleanDriveView, page: Page) -> str:
    when = f" ({', '.join(facts.conditions)})" if facts.conditions else ""
    risks = f"now {percent(facts.risk_now)}"
    if math.isinf(facts.minutes):
        text = f"no drive is long enough{when} for a risk of {percent(facts.wanted)}; {risks}"
    elif facts.risk_now > HALF:
        text = f"something is still wrong ({risks} that a misfire is still to come): repair first"
    elif facts.minutes == 0:
        text = f"it may be called repaired: the risk is {risks}"
    else:
        text = (
            f"drive {math.ceil(facts.minutes)} min{when}; if it stays clean, the risk that a "
            f"misfire is still to come falls to {percent(facts.risk_after)} ({risks})"
        )
    return "\n".join(page.wrap(f"{facts.ro}: {text}"))


@show.register
def _(facts: PlanTreeView, page: Page) -> str:
    lines = [facts.ro]
    for line in facts.lines:
        indent = len(line) - len(line.lstrip())
        lines += page.wrap(line.strip(), indent=indent)
    return "\n".join(lines)
