"""Priors: numbers with their sources, what was learned, what differs."""

from __future__ import annotations

from swapinfer.textview import show
from swapinfer.textview.page import Page, percent
from swapinfer.workflow.priors import ComparedView, LearnedView, PriorsView

SHOWN_CAUSES = 12


@show.register
def _(facts: PriorsView, page: Page) -> str:
    lines = page.wrap(f"priors {facts.name} {facts.version} ({facts.digest[:12]})")
    counts = ", ".join(f"{count} {grade}" for grade, count in facts.grades.items())
    lines += page.wrap(f"numbers by provenance: {counts}", indent=2)
    for number in facts.numbers:
        lines += page.wrap(f"{number.path} = {number.value}", indent=2)
        lines += page.wrap(f"{number.grade}: {number.source}", indent=6)
    return "\n".join(lines)


@show.register
def _(facts: LearnedView, page: Page) -> str:
    lines = page.wrap(f"{facts.rows_used} rows used, {facts.rows_refused} refused")
    for remark in facts.remarks:
        lines += page.wrap(remark)
    rows = [["before", "after", "90 %", "cases", "cause"]]
    likeliest = sorted(facts.causes, key=lambda cause: -max(cause.before, cause.after))
    for cause in likeliest[:SHOWN_CAUSES]:
        between = f"{percent(cause.low)} to {percent(cause.high)}"
        rows.append(
            [percent(cause.before), percent(cause.after), between, f"{cause.jobs:.1f}", cause.cause]
        )
    lines += page.table(rows, right=[0, 1, 2, 3])
    if len(facts.causes) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.causes) - SHOWN_CAUSES} rarer causes are in the report")
    lines += page.wrap(f"overlay: {facts.overlay}", hang=4)
    lines += page.wrap(f"report: {facts.report}", hang=4)
    if facts.rows_refused:
        lines += page.wrap(f"refused rows, each with its reason: {facts.refused}", hang=4)
    lines += page.wrap(f"use it with: swapinfer open RO --priors {facts.overlay}", hang=4)
    return "\n".join(lines)


@show.register
def _(facts: ComparedView, page: Page) -> str:
    lines = page.wrap(f"{facts.before} -> {facts.after}")
    rows = [["hazard", "share before", "after", "cause"]]
    rows += [
        [f"x {c.factor:.2f}", percent(c.share_before), percent(c.share_after), c.cause]
        for c in facts.causes[:SHOWN_CAUSES]
    ]
    lines += page.table(rows, right=[0, 1, 2])
    lines += page.wrap(
        f"{len(facts.next_steps)} of {facts.open_jobs} open jobs get another next step"
    )
    for change in facts.next_steps:
        lines += page.wrap(f"{change.ro}: {change.before} -> {change.after}", indent=2)
    return "\n".join(lines)
