"""What to do next, why not something else, how long to drive, and the plan unfolded."""

from __future__ import annotations

import math

from swapinfer.textview import show
from swapinfer.textview.events import GONE
from swapinfer.textview.page import Page, money, percent
from swapinfer.workflow.planning import (
    CleanDriveView,
    NextView,
    OutcomeFacts,
    PlanTreeView,
    StepFacts,
    WhyNotView,
)

SHOWN_OUTCOMES = 4
HALF = 0.5
"""Above this risk a drive is no verification."""


@show.register
def _(facts: NextView, page: Page) -> str:
    lines = _verdict(facts, page)
    best = facts.steps[0]
    lines += _best(best, facts.currency, page)
    if len(facts.steps) > 1:
        lines += page.heading("instead, at the price of the difference")
        lines += page.table(
            [
                [f"+{s.expected_total - best.expected_total:.0f}", _time(s), s.title]
                for s in facts.steps[1:]
            ],
            right=[0, 1],
        )
    lines += ["", *_forecast(facts, page)]
    return "\n".join(lines)


def _verdict(facts: NextView, page: Page) -> list[str]:
    verdict = "stop testing" if facts.is_repair else "one more test pays"
    gone = GONE if facts.leading_is_gone else ""
    return page.wrap(
        f"{facts.ro}: {verdict}. Leading cause: {facts.leading}: "
        f"{percent(facts.leading_probability)}{gone}"
    )


def _best(step: StepFacts, currency: str, page: Page) -> list[str]:
    lines = page.wrap(page.strong(f"next: {step.title}"), hang=6)
    lines += page.wrap(
        f"{_time(step)}, {money(step.money, currency)}, {step.bits:.2f} bits; "
        f"expected to the verified repair {money(step.expected_total, currency)}",
        indent=2,
    )
    if step.tools:
        lines += page.wrap(f"tools: {', '.join(step.tools)}", indent=2)
    if step.opens:
        lines += page.wrap(f"comes off first: {', '.join(step.opens)}", indent=2)
    for caution in step.cautions:
        lines += page.wrap(f"CAUTION: {caution}", indent=2)
    for number, how in enumerate(step.how, start=1):
        lines += page.wrap(f"{number}. {how}", indent=4, hang=3)
    for outcome in step.outcomes[:SHOWN_OUTCOMES]:
        lines += _outcome(outcome, page)
    return lines


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
    lines = page.wrap(
        f"expected in all {money(facts.cost, facts.currency)} (give or take "
        f"{facts.spread:.0f}), {facts.minutes:.0f} min, {facts.wrong_parts:.2f} parts bought in "
        f"vain, {percent(facts.comebacks)} chance of a comeback; without further tests "
        f"{money(facts.without_tests, facts.currency)}"
    )
    if facts.limits_cost is not None:
        lines += page.wrap(f"these limits cost {money(facts.limits_cost, facts.currency)}")
    return lines


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
