"""Jobs in a list."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, near_match
from swapinfer.ledger.store import STATUSES


class JobLine(Struct, frozen=True):
    """A job in a list; its age is in whole days, to its closing if it is closed."""

    ro: str
    status: str
    opened_at: str
    updated_at: str
    complaint: str
    leading: str
    leading_probability: float
    next_step: str
    away: tuple[str, ...]
    is_current: bool
    age_days: int


class JobList(Facts, frozen=True):
    """Jobs, the newest first."""

    shape: ClassVar[str] = "jobs/1"

    jobs: tuple[JobLine, ...]


@command("jobs", "jobs --status open")
def jobs(
    shop: Shop,
    status: Annotated[str, typer.Option(help="Only open, closed or verified ones.")] = "",
    advice: Annotated[
        bool, typer.Option("--advice", help="How often advice was followed; plans all anew.")
    ] = False,
) -> Facts:
    """List jobs at a glance, or how often advice was followed in them."""
    if status and status not in STATUSES:
        raise InputError(f'no status "{status}"{near_match(status, STATUSES)}')
    if advice:
        from swapinfer.commands.history import report_advice

        return report_advice(shop, status)
    return list_jobs(shop, status)


def list_jobs(shop: Shop, status: str = "") -> JobList:
    """List jobs, the newest first, without replaying any."""
    current = shop.store.current_job(shop.who)
    rows = shop.store.jobs(status or None)
    now = shop.now()
    return JobList(
        tuple(
            JobLine(
                ro=row.ro,
                status=row.status,
                opened_at=row.opened_at,
                updated_at=row.updated_at,
                complaint=str(row.summary.get("complaint", "")),
                leading=str(row.summary.get("leading", "")),
                leading_probability=float(str(row.summary.get("leading_probability", 0.0))),
                next_step=str(row.summary.get("next_step", "")),
                away=tuple(map(str, row.summary.get("away", []) or [])),
                is_current=row.job == current,
                age_days=_days(row.opened_at, now if row.status == "open" else row.updated_at),
            )
            for row in rows
        )
    )


def _days(start: str, end: str) -> int:
    return max((datetime.fromisoformat(end) - datetime.fromisoformat(start)).days, 0)


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


def status_words(status: str) -> str:
    """Say that a job that ended without proof was not verified."""
    return "closed, not verified" if status == "closed" else status
