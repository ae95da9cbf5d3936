"""What to do next, why not something else, and what lies ahead."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

import numpy as np
import typer
from msgspec import Struct, structs

from swapinfer.commands.app import command
from swapinfer.commands.causes import (
    GONE,
    believe,
    list_causes,
    plan_settings,
    spent_words,
    time_words,
    whole_way,
)
from swapinfer.commands.page import Facts, Page, exactness, money, percent, same_fields, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.steps import (
    SAME,
    MineFacts,
    StepFacts,
    caution_lines,
    describe_step,
    mine_line,
    price_mine,
)
from swapinfer.commands.terminal import watched
from swapinfer.commands.typed import decimal, quantity, words
from swapinfer.evidence.arrays import for_order
from swapinfer.evidence.states import draw_priors
from swapinfer.plan import answers
from swapinfer.plan.answers import Node, plan_tree
from swapinfer.plan.next import Plan, PlannedStep, make_plan, next_steps, title_way
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, try_steps, worst_tenth
from swapinfer.plan.reason import HOW, OWED, Reason, explain
from swapinfer.plan.verifying import VERIFIED_RISK, prove
from swapinfer.posterior.sensitivity import SEED

SHOWN_OUTCOMES, INSTEAD = 4, 3
"""Outcomes told in full, and other steps named at a glance."""

GLANCE = 15
"""Lines that what is next may take, cautions that are new to the job not counted."""

Verdict = Literal["go-on", "tell-how", "prove", "stop-testing", "bet", "hand-over", "give-up"]

SEVERAL = 5
"""Steps compared under other priors."""

HALF = 0.5
"""Above this risk a drive is no verification."""

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

REPAIRS = ("stop-testing", "bet")
"""Verdicts that advise a repair."""

UNPROVEN = "nothing is proven before it is done and a drive stays quiet"
"""Said with them."""


class HeldFacts(Struct, frozen=True):
    """Draws of the priors, those under which nothing is better, and what most often is.

    `above` is what the step costs above the best in the worst tenth of the draws, as a share;
    `sturdier` a step that is worth as much and loses less there, with the like figures.
    """

    draws: int
    holds: int
    instead: str
    above: float = 0.0
    sturdier: str = ""
    sturdier_holds: int = 0
    sturdier_above: float = 0.0


class NextView(Facts, frozen=True):
    """Next steps of a job: the one to take first, then the others, the cheapest way on first.

    `verdict` is "go-on" where the first step tells more, "tell-how" where it tells how what is
    settled has failed, "prove" where it drives what was repaired, "stop-testing" where it repairs a
    leading cause that findings carry, "bet" where that is not proven, "hand-over" or "give-up"
    where nothing more pays. `without_tests` is what repairing by the odds would cost, `limits_cost`
    what limits add to the cost; `mine` is the technician's own step, and `held` tells of draws of
    the priors, where they were asked for.
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
        int, typer.Option(min=0, max=1000, help="Plan under so many draws of the priors as well.")
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
    causes, best = list_causes(belief), plan.best
    reason = explain(outlook, best, is_best=True)
    first_of = dict[object, PlannedStep]()  # of each piece of work, the best length of drive
    for step in plan.steps:
        first_of.setdefault(step.action.without_drive if step.action else step.id, step)
    others = list(first_of.values())[1:count]
    own = {
        "ro": loaded.ro,
        "steps": (
            describe_step(belief, best, reason),
            *(describe_step(belief, step, explain(outlook, step)) for step in others),
        ),
        "verdict": _verdict(best, reason),
        "leading": causes[0].label if causes else "",
        "leading_probability": causes[0].probability if causes else 0.0,
        "leading_is_gone": bool(causes) and causes[0].is_gone,
        "exact": belief.posterior.exact,
        "off_by": belief.posterior.left_out,
        "mine": price_mine(plan, mine, settings.costs) if mine.strip() else None,
        "limits_cost": price,
        "held": _held(outlook, plan, draws) if draws else None,
    }
    return NextView(**same_fields(NextView, plan, plan.forecast) | own)


def _held(outlook: Outlook, plan: Plan, draws: int) -> HeldFacts:
    """Plan under other priors; of the steps that are worth as much, find the sturdiest."""
    resolution = outlook.settings.costs.resolution
    most = plan.best.expected_total * (1.0 + resolution)
    near = [
        s for s in plan.steps if s is plan.best or (s.expected_total <= most and not s.is_barred)
    ]
    by_work = dict[object, PlannedStep]()
    for step in near[:SEVERAL]:
        by_work.setdefault(step.action and step.action.without_drive, step)
    steps = list(by_work.values())
    prior_des = draw_priors(outlook.evidence.space, draws, SEED)
    tried = try_steps(outlook, [step.action for step in steps], prior_des)
    trials = list(watched(tried, "draws of the priors", draws))
    above_ds = np.array([trial.above_s for trial in trials])
    holds_s, tail_s = (above_ds <= resolution).sum(axis=0), worst_tenth(above_ds)
    failed = [title_way(outlook, t.first) for t in trials if t.above_s[0] > resolution]
    instead = [title for title, _ in Counter(failed).most_common(1)]
    held = HeldFacts(draws, int(holds_s[0]), "".join(instead), float(tail_s[0]))
    s = int(for_order(tail_s).argmin())
    if tail_s[s] > tail_s[0] - resolution:
        return held
    sturdier = steps[s].title, int(holds_s[s]), float(tail_s[s])
    return HeldFacts(held.draws, held.holds, held.instead, held.above, *sturdier)


def _verdict(best: PlannedStep, reason: Reason) -> Verdict:
    if best.action is None:
        return "give-up" if best.id == GIVE_UP else "hand-over"
    if reason.sentence == OWED:
        return "prove"
    if best.action.kind != "replace":
        return "tell-how" if reason.sentence.startswith(HOW) else "go-on"
    return "stop-testing" if reason.carried else "bet"


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
    best, currency = facts.steps[0], facts.currency
    lines = page.wrap(f"{facts.ro}: {standing_words(facts)}")
    if facts.verdict in REPAIRS:
        lines += page.wrap(UNPROVEN, indent=2)
    if facts.mine:
        lines += mine_line(facts.mine, currency, page)
    lines += page.wrap(page.strong(f"next: {best.title}"), hang=6)
    lines += page.wrap(f"why: {best.reason}", indent=2, hang=5)
    lines += page.wrap(best.change, indent=2, hang=5)
    opens = f"; first off: {', '.join(best.opens)}" if best.opens else ""
    spent = spent_words(best.minutes, best.drive_minutes, best.money, currency)
    spent = f"{spent}; " if best.minutes else ""
    lines += page.wrap(f"{spent}{whole_way(best.expected_total, currency)}{opens}", indent=2)
    if facts.held:
        held = f"holds under {facts.held.holds} of {facts.held.draws} draws of the priors"
        held += f"; where not, mostly better: {facts.held.instead}" if facts.held.instead else ""
        if facts.held.sturdier:
            held += f"; sturdier, and worth as much: {facts.held.sturdier}"
            held += f" (holds under {facts.held.sturdier_holds})"
        lines += page.wrap(held, indent=2)
    lines += _everything(facts, page) if page.is_full else []
    new, known = caution_lines(best.cautions, page)
    lines += new + known
    for n, typed in enumerate(best.commands):  # never broken, since they are copied
        lines.append(("        " if n else "  type: ") + typed)
    if facts.limits_cost is not None:
        lines += page.wrap(f"these limits cost {money(facts.limits_cost, currency)}", 2)
    if not page.is_full:
        left = [step for step in facts.steps[1:] if not step.is_barred][:INSTEAD]
        named = [f"  or, {_more(s, best)}: {s.title} ({_time(s)})" for s in left]
        lines += map(page.cut, named[: max(GLANCE + len(new) - len(lines), 0)])
    return "\n".join(lines)


def standing_words(facts: NextView) -> str:
    """Say how far a job is, and what is likeliest if anything stands out."""
    gone = GONE if facts.leading_is_gone else ""
    sure = exactness(facts.off_by, is_exact=facts.exact)
    likeliest = f"Likeliest: {facts.leading}, {percent(facts.leading_probability)}{sure}{gone}"
    if facts.verdict == "go-on" and facts.leading_probability < STANDS_OUT:
        likeliest = "Nothing stands out"
    return f"{VERDICTS[facts.verdict]}. {likeliest}"


def _more(step: StepFacts, best: StepFacts) -> str:
    more = round(step.expected_total - best.expected_total)
    return f"{abs(more)} {'less' if more < 0 else 'more'}"


def _time(step: StepFacts) -> str:
    return time_words(step.minutes, step.drive_minutes)


def _everything(facts: NextView, page: Page) -> list[str]:
    """Tell what is left out at a glance."""
    best = facts.steps[0]
    lines = page.wrap(f"{best.bits:.2f} bits", indent=2)
    lines += page.listed("tools", best.tools, indent=2)
    lines += page.numbered(best.how, indent=4)
    for one in best.outcomes[:SHOWN_OUTCOMES]:
        then = f"then {one.leading} {percent(one.leading_probability)}; {one.then}"
        lines += page.wrap(f"{percent(one.probability)} {one.title}: {then}", indent=2, hang=4)
    if len(facts.steps) > 1:
        lines += page.heading("instead, at the price of the difference")
        rows = [[_more(s, best), _time(s), s.title] for s in facts.steps[1:]]
        lines += page.table(rows, right=[0, 1])
    forecast = page.wrap(
        f"expected in all {money(facts.cost, facts.currency)} (give or take "
        f"{facts.spread:.0f}), {facts.minutes:.0f} min, {facts.wrong_parts:.2f} parts bought in "
        f"vain, {percent(facts.comebacks)} chance of a comeback; without further tests "
        f"{money(facts.without_tests, facts.currency)}"
    )
    return [*lines, "", *forecast]


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


class CleanDriveView(Facts, frozen=True):
    """How long a drive must stay clean before the vehicle may be called repaired.

    Its minutes are "OL" when none is long enough; conditions are those in which it failed, or else
    in which what is suspected shows best; risks are that a misfire is still to come.
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
    own = {"ro": loaded.ro, "minutes": proof.missing, "wanted": risk}
    return CleanDriveView(**same_fields(CleanDriveView, proof.asked) | own)


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
