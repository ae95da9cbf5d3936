"""An event that was just recorded: what it means, the causes before and after, the next step."""

from __future__ import annotations

from swapinfer.textview import show
from swapinfer.textview.page import Page, exactness, money, percent
from swapinfer.workflow.facts import Cause, Recorded, StepLine

GONE = " [gone since it was touched]"
"""After a cause that touching it has more likely ended than not."""


@show.register
def _(facts: Recorded, page: Page) -> str:
    first = facts.seq - len(facts.said) + 1
    lines = []
    for seq, said in enumerate(facts.said, start=first):
        number = "supposed" if facts.is_supposed else f"#{seq}"
        lines += page.wrap(f"{facts.ro} {number}: {said}")
    for sentence in facts.meaning:
        lines += page.wrap(f"-> {sentence}", indent=2, hang=3)
    lines += _before_after(facts, page)
    if facts.next:
        lines += page.wrap("next: " + step_words(facts.next, facts.currency), hang=6)
    for warning in facts.warnings:
        lines += page.wrap(f"note: {warning}", hang=6)
    return "\n".join(lines)


def _before_after(facts: Recorded, page: Page) -> list[str]:
    if not facts.after:
        return page.wrap("no cause stands out", indent=2)
    old = {cause.element: cause.probability for cause in facts.before}
    rows = []
    for cause in facts.after:
        was = percent(old[cause.element]) if cause.element in old else ""
        arrow = f"{was:>8} ->" if was and facts.seq else ""
        rows.append([arrow, percent(cause.probability), cause_words(cause)])
    rows[0][-1] += exactness(facts.off_by, is_exact=facts.exact)
    return page.table(rows, right=[0, 1])


def cause_words(cause: Cause) -> str:
    """Name a cause with its likeliest mode, and whether touching it has ended the fault."""
    words = cause.label
    if cause.modes:
        words += f": {cause.modes[0].title}"
    return words + (GONE if cause.is_gone else "")


def step_words(step: StepLine, currency: str) -> str:
    """One line of a next step."""
    return (
        f"{step.title} ({step.minutes:.0f} min, {money(step.money, currency)}; "
        f"whole way out about {money(step.expected_total, currency)})"
    )
