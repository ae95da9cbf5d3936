"""Why a cause is believed, finding by finding."""

from __future__ import annotations

from swapinfer.commands.page import Page, exactness, percent, show
from swapinfer.commands.reasons import FindingWeight, WhyView


@show.register
def _(facts: WhyView, page: Page) -> str:
    sure = exactness(facts.off_by, is_exact=facts.exact)
    lines = page.wrap(
        page.strong(f"{facts.ro}: {facts.cause}, {percent(facts.probability)}{sure}")
        + "; weights in decibans (10 = ten times the odds), each given those before it",
        hang=4,
    )
    rows = [["", "vs rival", "finding"]]
    rows.append([f"{facts.prior_decibans:+.1f}", "", "before any finding"])
    rows += [[f"{f.decibans:+.1f}", f"{f.against_rival:+.1f}", _words(f)] for f in facts.findings]
    rows.append([f"{facts.total_decibans:+.1f}", "", f"in all; best rival: {facts.rival}"])
    return "\n".join(lines + page.table(rows, right=[0, 1]))


def _words(finding: FindingWeight) -> str:
    marks = []
    if finding.decides:
        marks.append("without it another cause would lead")
    if finding.check_again:
        marks.append("does not fit the rest: check it again")
    tail = f" [{'; '.join(marks)}]" if marks else ""
    return f"{finding.said}: {finding.words}{tail}"
