"""Jobs in a list, one job whole, and where its parts are."""

from __future__ import annotations

from swapinfer.textview import show
from swapinfer.textview.events import cause_words
from swapinfer.textview.page import Page, percent
from swapinfer.workflow.facts import JobLine, JobList, JobView, PartsView


@show.register
def _(facts: JobList, page: Page) -> str:
    if not facts.jobs:
        return "no jobs yet; open one with: swapinfer open RO --layout inline-4"
    return "\n".join(line for job in facts.jobs for line in _job(job, page))


def _job(job: JobLine, page: Page) -> list[str]:
    mark = "*" if job.is_current else " "
    title = f"{mark} {job.ro}  {job.status}, opened {job.opened_at[:10]}"
    lines = page.wrap(page.strong(title) + (f": {job.complaint}" if job.complaint else ""), hang=4)
    if job.leading:
        lines += page.wrap(f"{percent(job.leading_probability)} {job.leading}", indent=4)
    if job.status == "open" and job.next_step:
        lines += page.wrap(f"next: {job.next_step}", indent=4, hang=6)
    if job.away:
        lines += page.wrap(f"away from home: {', '.join(job.away)}", indent=4)
    return lines


@show.register
def _(facts: JobView, page: Page) -> str:
    lines = page.wrap(page.strong(f"{facts.ro} ({facts.status})") + f": {facts.engine}")
    lines += page.wrap(f"complaint: {facts.complaint or 'misfire'}", indent=2)
    lines += page.wrap(f"odometer {facts.odometer}; with the fault {facts.driven}", indent=2)
    lines += ["", *(f"    {line}" for line in facts.drawing)]
    lines += page.heading("events")
    rows = []
    for event in facts.events:
        said = f"(undone) {event.said}" if event.undone else event.said
        rows.append([f"{event.seq}", event.at[:16].replace("T", " "), event.who[:10], said])
    lines += page.table(rows, right=[0])
    lines += page.heading("causes")
    lines += page.table([[percent(c.probability), cause_words(c)] for c in facts.causes], right=[0])
    if facts.away:
        lines += page.wrap(f"away from home: {', '.join(facts.away)}")
    if facts.open_access:
        lines += page.wrap(f"open: {', '.join(facts.open_access)}")
    return "\n".join(lines)


@show.register
def _(facts: PartsView, page: Page) -> str:
    rows = [
        [part.label, part.home or "-", part.place or "bench", "away" if part.is_away else ""]
        for part in facts.parts
    ]
    lines = page.table([["part", "belongs at", "is at", ""], *rows])
    if facts.moves_home:
        moves = ", ".join(f"{a} <-> {b}" for a, b in facts.moves_home)
        lines += page.wrap(f"to put all back: {moves}", hang=4)
    else:
        lines.append("every part is where it belongs")
    return "\n".join(lines)
