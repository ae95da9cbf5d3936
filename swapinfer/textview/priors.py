"""Priors: numbers with their sources, what was learned, what differs."""

from __future__ import annotations

from swapinfer.commands.influence import InfluenceView
from swapinfer.commands.lives import LivesView
from swapinfer.commands.page import Page, money, percent, show
from swapinfer.commands.priors import ComparedView, LearnedView, PastLine, PriorsView, StrippedView

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
    return "\n".join(lines + _say_files(facts, page))


def _say_files(facts: LearnedView | LivesView, page: Page) -> list[str]:
    lines = page.wrap(f"overlay: {facts.overlay}", hang=4)
    lines += page.wrap(f"report: {facts.report}", hang=4)
    if facts.rows_refused:
        lines += page.wrap(f"refused rows, each with its reason: {facts.refused}", hang=4)
    return lines + page.wrap(f"use it with: swapinfer open RO --priors {facts.overlay}", hang=4)


@show.register
def _(facts: LivesView, page: Page) -> str:
    lines = page.wrap(f"{facts.rows_used} rows used, {facts.rows_refused} refused")
    for remark in facts.remarks:
        lines += page.wrap(remark)
    rows = [["life before", "after", "90 %, 1000 km", "shape", "failed", "mode"]]
    for one in sorted(facts.lives, key=lambda life: -life.failures)[:SHOWN_CAUSES]:
        before, middle, low, high = (
            f"{km / 1000:,.0f}" for km in (one.life_before, one.life, one.life_low, one.life_high)
        )
        shape, failed = f"{one.shape:.2f}", str(one.failures)
        rows.append([before, middle, f"{low} to {high}", shape, failed, one.cause])
    lines += page.table(rows, right=[0, 1, 2, 3, 4])
    if len(facts.lives) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.lives) - SHOWN_CAUSES} more modes are in the report")
    return "\n".join(lines + _say_files(facts, page))


@show.register
def _(facts: InfluenceView, page: Page) -> str:
    lines = page.wrap(
        f"{facts.tried} numbers moved over their intervals in {len(facts.jobs)} jobs: "
        + "; ".join(facts.jobs),
        hang=2,
    )
    lines += page.wrap(
        "steps: jobs that get another first step; cost: change of the expected cost; belief: "
        "largest change of a probability",
        hang=2,
    )
    rows = [["steps", "cost", "belief", "interval", "number"]]
    rows += [
        [
            str(one.steps_changed),
            money(one.cost_moved, facts.currency),
            percent(one.belief_moved),
            f"{one.low:.3g} to {one.high:.3g}",
            f"{one.path} ({one.grade})",
        ]
        for one in facts.numbers
    ]
    return "\n".join([*lines, *page.table(rows, right=[0, 1, 2])])


@show.register
def _(facts: StrippedView, page: Page) -> str:
    lines = page.wrap(f"{facts.jobs} jobs got running numbers, days became months")
    for file in facts.files:
        lines += page.wrap(file)
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
    lines += _say_past(facts.past, page) if facts.past else []
    return "\n".join(lines)


def _say_past(past: PastLine, page: Page) -> list[str]:
    origin = "drawn jobs, worked" if past.is_drawn else "past jobs, worked again"
    lines = page.wrap(
        f"{past.jobs} {origin} under both: {money(past.cost_before, past.currency)} -> "
        f"{money(past.cost_after, past.currency)} a job, saved {money(past.saved, past.currency)} "
        f"(90 % {money(past.low, past.currency)} to {money(past.high, past.currency)}); "
        f"{past.changed} begin with another step",
        hang=4,
    )
    caution = (
        "the store holds no verified job, so these were drawn from the second priors: it is what "
        "they save if they are right"
        if past.is_drawn
        else "the faults are those that were found, what tests and drives show is drawn by the "
        "first priors; priors that were learned from these very jobs look better than they are"
    )
    return lines + page.wrap(caution, indent=4)
