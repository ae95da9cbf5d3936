"""What to do next, why not something else, how long to drive, and the plan unfolded."""

from __future__ import annotations

import math

from swapinfer.commands.causes import GONE
from swapinfer.commands.page import Page, exactness, money, percent, show
from swapinfer.commands.planning import (
    CautionFacts,
    CleanDriveView,
    MineFacts,
    NextView,
    OutcomeFacts,
    PlanTreeView,
    StepFacts,
    WhyNotView,
)

SHOWN_OUTCOMES = 4
HALF = 0.5
"""Above this risk a drive is no verification."""

GLANCE = 15
"""Lines that what is next may take, cautions that are new to the job not counted."""

SAME = 1e-9
"""Differences below this are rounding."""

INSTEAD = 3
"""Other steps named at a glance."""

VERDICTS = {
    "go-on": "one more step pays",
    "prove": "prove the repair",
    "stop-testing": "stop testing and repair",
    "bet": "no test pays; repair by the odds",
    "hand-over": "nothing more pays; hand it over",
    "give-up": "nothing more pays; stop here",
}

UNPROVEN = "nothing is proven before it is done and a drive stays quiet"
"""Below every advice to repair."""


@show.register
def _(facts: NextView, page: Page) -> str:
    lines = _verdict(facts, page)
    best = facts.steps[0]
    if facts.mine:
        lines += mine_line(facts.mine, facts.currency, page)
    lines += _best(best, facts.currency, page)
    if page.is_full:
        lines += _everything(facts, page)
    new, known = cautions_of(best.cautions, page)
    lines += new
    lines += known + _commands(best)
    if facts.limits_cost is not None:
        lines += page.wrap(f"these limits cost {money(facts.limits_cost, facts.currency)}", 2)
    if not page.is_full:
        lines += _instead(facts, page)[: max(GLANCE + len(new) - len(lines), 0)]
    return "\n".join(lines)


def _verdict(facts: NextView, page: Page) -> list[str]:
    gone = GONE if facts.leading_is_gone else ""
    sure = exactness(facts.off_by, is_exact=facts.exact)
    lines = page.wrap(
        f"{facts.ro}: {VERDICTS[facts.verdict]}. Likeliest: {facts.leading}, "
        f"{percent(facts.leading_probability)}{sure}{gone}"
    )
    if facts.verdict in ("stop-testing", "bet"):
        lines += page.wrap(UNPROVEN, indent=2)
    return lines


def mine_line(mine: MineFacts, currency: str, page: Page) -> list[str]:
    """Set the technician's own step beside the advice."""
    more = f"{money(abs(mine.more), currency)} ({percent(abs(mine.share))})"
    if abs(mine.more) < SAME:
        words = "no dearer than what is advised"
    elif mine.more < 0.0:
        words = f"{more} less in all than what is advised: do as you like"
    elif mine.is_told_apart:
        words = f"{more} more in all than what is advised: worth an argument"
    else:
        words = f"{more} more in all: less than the plan can tell apart, do as you like"
    return page.wrap(f"yours: {mine.title}: {words}", hang=7)


def _best(step: StepFacts, currency: str, page: Page) -> list[str]:
    lines = page.wrap(page.strong(f"next: {step.title}"), hang=6)
    lines += page.wrap(f"why: {step.reason}", indent=2, hang=5)
    lines += page.wrap(step.change, indent=2, hang=5)
    opens = f"; first off: {', '.join(step.opens)}" if step.opens else ""
    cost = f"{_time(step)}, {money(step.money, currency)}; " if step.minutes else ""
    whole = f"whole way out about {money(step.expected_total, currency)}"
    return lines + page.wrap(f"{cost}{whole}{opens}", indent=2)


def cautions_of(cautions: tuple[CautionFacts, ...], page: Page) -> tuple[list[str], list[str]]:
    """Cautions in full that are new to the job, and on one line the names of the others."""
    new = [line for c in cautions if not c.is_known or page.is_full for line in _full(c, page)]
    names = [c.name for c in cautions if c.is_known and not page.is_full]
    known = page.wrap(f"CAUTION as before: {', '.join(names)}", indent=2) if names else []
    return new, known


def _full(caution: CautionFacts, page: Page) -> list[str]:
    return page.wrap(f"CAUTION: {caution.text}", indent=2)


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
    return f"{step.expected_total - best.expected_total:+.0f}"


def _everything(facts: NextView, page: Page) -> list[str]:
    """Tell what is left out at a glance."""
    best = facts.steps[0]
    lines = page.wrap(f"{best.bits:.2f} bits", indent=2)
    if best.tools:
        lines += page.wrap(f"tools: {', '.join(best.tools)}", indent=2)
    for number, how in enumerate(best.how, start=1):
        lines += page.wrap(f"{number}. {how}", indent=4, hang=3)
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
    driving = f" + {step.drive_minutes:.0f} driving" if step.drive_minutes >= 0.5 else ""
    return f"{step.minutes:.0f} min{driving}"


def _forecast(facts: NextView, page: Page) -> list[str]:
    return page.wrap(
        f"expected in all {money(facts.cost, facts.currency)} (give or take "
        f"{facts.spread:.0f}), {facts.minutes:.0f} min, {facts.wrong_parts:.2f} parts bought in "
        f"vain, {percent(facts.comebacks)} chance of a comeback; without further tests "
        f"{money(facts.without_tests, facts.currency)}"
    )


@show.register
def _(facts: WhyNotView, page: Page) -> str:
    if math.isclose(facts.more, 0.0, abs_tol=1e-9):
        return "\n".join(page.wrap(f"{facts.ro}: {facts.step} is the cheapest way on"))
    lines = page.wrap(
        f"{facts.ro}: {facts.step} is expected to cost {money(facts.more, facts.currency)} more "
        f"than: {facts.best}"
    )
    rows = [["", "this", "best", "more"]]
    rows += [[t.name, f"{t.step:.0f}", f"{t.best:.0f}", f"{t.more:+.0f}"] for t in facts.terms]
    return "\n".join(lines + page.table(rows, right=[1, 2]))


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
