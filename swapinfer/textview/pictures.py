"""Suspicion on the engine's drawing, and belief over time as bars."""

from __future__ import annotations

from swapinfer.commands.advice import Advice, AdviceLine, AdviceReport
from swapinfer.commands.page import Page, bar, money, percent, show
from swapinfer.commands.pictures import HistoryView, PictureView

COUNTED = ("steps", "followed", "in_part", "priced", "advised_cost", "done_cost")
"""What is added up over jobs."""

LENGTH = 10
"""Characters of a full bar."""


@show.register
def _(facts: PictureView, page: Page) -> str:
    lines = page.wrap(f"{facts.ro}: chance that something of a cylinder's own is at fault")
    lines += ["", *facts.drawing[:-1]]
    lines += page.wrap(facts.drawing[-1])
    lines += page.wrap(f"what serves a bank or the whole engine: {percent(facts.shared)}")
    for part, where in facts.away.items():
        lines += page.wrap(f"on {where} now: {part}")
    return "\n".join(lines)


@show.register
def _(facts: HistoryView, page: Page) -> str:
    lines = []
    for moment in facts.moments:
        lines += page.wrap(page.strong(f"#{moment.seq} {moment.said}"), hang=3)
        if moment.advice:
            lines += advice_line(moment.advice, facts.currency, page)
        lines += page.table(
            [
                [bar(cause.probability, LENGTH), percent(cause.probability), cause.label]
                for cause in moment.causes
            ],
            right=[1],
        )
    return "\n".join(lines)


def advice_line(advice: Advice, currency: str, page: Page) -> list[str]:
    """Set what was advised beside what was done."""
    words = f"followed: {advice.followed}"
    if advice.followed != "yes" and advice.done_cost is None:
        words += "; what was done had not been weighed"
    elif advice.followed != "yes" and advice.done_cost is not None:
        more = money(advice.done_cost - advice.advised_cost, currency)
        words += f"; expected to cost {more} more in all"
    return page.wrap(f"advised: {advice.advised}. {words}", indent=2)


@show.register
def _(facts: AdviceReport, page: Page) -> str:
    if not any(job.steps for job in facts.jobs):
        return "no job has a step yet that advice could be compared with"
    rows = [["", "steps", "followed", "in part", "advised", "done"]]
    rows += [_advice_row(job) for job in facts.jobs if job.steps]
    total = AdviceLine(
        "in all", *(sum(getattr(job, name) for job in facts.jobs) for name in COUNTED)
    )
    lines = page.table([*rows, _advice_row(total)], right=range(1, 6))
    lines += page.wrap(
        f"advised, done: {facts.currency} then expected to the verified repair by what was advised "
        f"and by what was done, mean of the {total.priced} steps of which both are known"
    )
    return "\n".join(lines)


def _advice_row(job: AdviceLine) -> list[str]:
    costs = (job.advised_cost, job.done_cost)
    means = [f"{cost / job.priced:,.0f}" if job.priced else "-" for cost in costs]
    return [job.ro, str(job.steps), str(job.followed), str(job.in_part), *means]
