"""Jobs in a list, one job whole, and where its parts are."""

from __future__ import annotations

from swapinfer.textview import show
from swapinfer.textview.events import cause_words
from swapinfer.textview.page import Page, percent
from swapinfer.workflow.facts import JobLine, JobList, JobView, PartsView


def status_words(status: str) -> str:
    """Say that a job that ended without proof was not verified."""
    return "closed, not verified" if status == "closed" else status


@show.register
def _(facts: JobList, page: Page) -> str:
    if not facts.jobs:
        return "no jobs yet; open one with: swapinfer open RO --layout inline-4"
    return "\n".join(page.table([_row(job) for job in facts.jobs], right=[2]))


def _row(job: JobLine) -> list[str]:
    said = [f"{percent(job.leading_probability)} {job.leading}"] if job.leading else []
    if job.status == "open" and job.next_step:
        said.append(f"next: {job.next_step}")
    if job.away:
        said.append(f"AWAY FROM HOME: {', '.join(job.away)}")
    age = "today" if job.age_days == 0 else f"{job.age_days} d"
    mark = "*" if job.is_current else " "
    return [
        mark + job.ro,
        status_words(job.status),
        age,
        "; ".join([*filter(None, [job.complaint]), *said]),
    ]


@show.register
def _(facts: JobView, page: Page) -> str:
    lines = page.wrap(
        page.strong(f"{facts.ro} ({status_words(facts.status)})") + f": {facts.engine}"
    )
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
