"""Suspicion on the engine's drawing, and belief over time as bars."""

from __future__ import annotations

from swapinfer.textview import show
from swapinfer.textview.page import Page, bar, percent
from swapinfer.workflow.pictures import HistoryView, PictureView

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
        lines += page.table(
            [
                [bar(cause.probability, LENGTH), percent(cause.probability), cause.label]
                for cause in moment.causes
            ],
            right=[1],
        )
    return "\n".join(lines)
