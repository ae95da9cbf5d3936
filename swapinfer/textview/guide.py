"""Guided work: the step at hand, and the question about it."""

from __future__ import annotations

from msgspec.structs import replace

from swapinfer.commands.guide import CONTROLS, GuideView
from swapinfer.commands.jobs import status_words
from swapinfer.commands.next import OutcomeFacts, StepFacts, cautions_of, mine_line
from swapinfer.commands.page import Page, money, percent, show

MEANINGS = 3
"""Outcomes whose meaning is told beforehand."""

WORTH_NAMING = 0.1
"""A cause less likely than this after an outcome is not named with it."""


@show.register
def _(facts: GuideView, page: Page) -> str:
    lines = ["", "-" * min(page.width, 60)]
    if facts.step is None:
        lines += page.wrap(page.strong(f"{facts.ro} is {status_words(facts.status)}"))
        lines += page.wrap("nothing is left to do; if it comes back: swapinfer reopen")
        return "\n".join(lines)
    step = facts.step
    if facts.mine:
        lines += mine_line(facts.mine, facts.currency, page)
    lines += page.wrap(page.strong(f"{facts.ro}: {step.title}"), hang=4)
    lines += page.wrap(_effort(step, facts.currency), indent=2)
    lines += page.wrap(f"why: {step.reason}", indent=2, hang=5)
    if step.change:
        lines += page.wrap(step.change, indent=2, hang=5)
    if facts.is_full:
        lines += _outcomes(step, page)
    if step.tools:
        lines += page.wrap(f"tools: {', '.join(step.tools)}", indent=2)
    if step.opens:
        lines += page.wrap(f"first: {', '.join(step.opens)}", indent=2)
    new, known = cautions_of(step.cautions, replace(page, is_full=facts.is_full))
    lines += new + known
    for number, how in enumerate(step.how, start=1):
        lines += page.wrap(f"{number}. {how}", indent=2, hang=3)
    if facts.away:
        lines += page.wrap(f"not where they belong: {', '.join(facts.away)}", indent=2)
    return "\n".join(lines)


def _effort(step: StepFacts, currency: str) -> str:
    driving = f" + {step.drive_minutes:.0f} min driving" if step.drive_minutes >= 0.5 else ""
    return (
        f"{step.minutes:.0f} min{driving}, {money(step.money, currency)}; "
        f"whole way out about {money(step.expected_total, currency)}"
    )


def _outcomes(step: StepFacts, page: Page) -> list[str]:
    if not step.outcomes:
        return []
    rows = [[percent(one.probability), _meaning(one)] for one in step.outcomes[:MEANINGS]]
    return ["  it will tell", *page.table(rows, right=[0])]


def _meaning(one: OutcomeFacts) -> str:
    if one.leading_probability < WORTH_NAMING:
        return one.title
    return f"{one.title}: {one.leading} {percent(one.leading_probability)}"


def controls(page: Page) -> str:
    """Say what may be typed at any question."""
    return "\n".join(page.wrap(", ".join(f"{key} {words}" for key, words in CONTROLS.items())))
