"""Files written, verified and checked."""

from __future__ import annotations

from swapinfer.commands.filing import StoreView, Written
from swapinfer.commands.page import Page, show


@show.register
def _(facts: Written, page: Page) -> str:
    lines = []
    for name in facts.files:
        lines += page.wrap(f"{facts.ro}: {name}" if facts.ro else name)
    if facts.is_draft:
        lines += page.wrap(f"marked as a draft: {', '.join(facts.remarks)}")
    else:
        for remark in facts.remarks:
            lines += page.wrap(remark, indent=2)
    return "\n".join(lines)


@show.register
def _(facts: StoreView, page: Page) -> str:
    lines = [f"{facts.jobs} jobs, {facts.records} events verify"]
    for fault in facts.faults:
        lines += page.wrap(f"FAULT: {fault}", indent=2)
    for remark in facts.remarks:
        lines += page.wrap(f"note: {remark}", indent=2)
    return "\n".join(lines)
