"""What is believed about a job, and how firmly."""

from __future__ import annotations

from swapinfer.commands.belief import BeliefView, SetLine
from swapinfer.commands.causes import cause_words
from swapinfer.commands.page import Page, bar, exactness, percent, show

SHOWN_CAUSES = 10


@show.register
def _(facts: BeliefView, page: Page) -> str:
    lines = [page.strong(facts.ro)]
    intervals = {interval.element: interval for interval in facts.intervals}
    rows = []
    for cause in facts.causes[:SHOWN_CAUSES]:
        between = ""
        if cause.element in intervals:
            low, high = intervals[cause.element].low, intervals[cause.element].high
            between = f"{percent(low)} to {percent(high)}"
        rows.append(
            [bar(cause.probability, 10), percent(cause.probability), between, cause_words(cause)]
        )
    lines += page.table(rows, right=[1, 2])
    lines += page.heading("combinations")
    lines += page.table([[percent(s.probability), _set(s)] for s in facts.sets], right=[0])
    lines.append(f"  {percent(facts.left_out)} in combinations not listed")
    for flip in facts.flips:
        lines += page.wrap(
            f"{facts.causes[0].label} stays ahead of {flip.rival} unless its prior odds were "
            f"{flip.factor:.3g} times what they are",
            hang=4,
        )
    if not facts.exact:
        sure = exactness(facts.off_by, is_exact=False).strip(" ()")
        lines += page.wrap(
            f"{sure}: too entangled to count every combination of faults, so only the most "
            "probable were"
        )
    return "\n".join(lines)


def _set(line: SetLine) -> str:
    return " with ".join(line.faults) if line.faults else "nothing wrong that shows"
