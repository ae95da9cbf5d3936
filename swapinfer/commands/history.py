"""How belief moved over a job, and whether the advice before each step was followed.

Nothing of the advice is stored: every step's is planned anew from the events before it, under the
job's own pack and the shop's present settings, and so is the same whenever it is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import ClassVar, Literal

from msgspec import Struct
from msgspec.structs import astuple

from swapinfer.commands.app import command
from swapinfer.commands.causes import Cause, believe, list_causes, plan_settings
from swapinfer.commands.page import Facts, Page, bar, money, percent, show
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event, Paperwork, Repair, unhandled
from swapinfer.ledger.replay import Job, replay
from swapinfer.plan.actions import READ, Action, work_events
from swapinfer.plan.next import Plan, next_steps

LEADERS = 3
"""Causes shown after each finding."""

Deed = tuple[str, ...]
"""Something done: what, and where."""

DRIVE: Deed = ("drive",)
BACK: Deed = ("back",)
CODES: Deed = ("codes",)

WORK = ("swap", "reseated", "replaced", "back")
"""Deeds after which a drive is still to follow."""

Followed = Literal["yes", "in part", "no"]


class Advice(Struct, frozen=True):
    """What was advised before a step, and whether it was followed.

    It was "in part" with other parts beside it, or another donor. Costs are those expected to the
    verified repair by what was advised and by what was done, None when the plan had not weighed it.
    """

    advised: str
    followed: Followed
    advised_cost: float
    done_cost: float | None


class AdviceLine(Struct, frozen=True):
    """A job's steps: how many, how many as advised, and both costs of those that have one.

    Of `priced` steps both costs are known; the costs are sums over those.
    """

    ro: str
    steps: int
    followed: int
    in_part: int
    priced: int
    advised_cost: float
    done_cost: float


class AdviceReport(Facts, frozen=True):
    """How often advice was followed, job by job, and what advised and done were to cost."""

    shape: ClassVar[str] = "advice/1"

    jobs: tuple[AdviceLine, ...]
    currency: str


class Moment(Struct, frozen=True):
    """The leading causes after an event; for the first of a step, what was advised before it."""

    seq: int
    said: str
    causes: tuple[Cause, ...]
    advice: Advice | None


class HistoryView(Facts, frozen=True):
    """Belief over time, and how advice was taken."""

    shape: ClassVar[str] = "history/1"

    ro: str
    moments: tuple[Moment, ...]
    currency: str


@command("history", "history")
def show_history(shop: Shop, ro: str = "") -> HistoryView:
    """Show how belief moved and advice was taken; what was undone is left out."""
    loaded = shop.load(ro)
    past = _Past(loaded.job)
    advice = _trace_advice(shop, past)
    moments = [
        Moment(seq, event.say(loaded.job), list_causes(past.after(n))[:LEADERS], advice.get(seq))
        for n, (seq, event) in enumerate(past.events, start=1)
        if isinstance(event, ev.Opened | ev.Reopened) or not isinstance(event, Paperwork)
    ]
    currency = shop.settings.costs(loaded.job.pack).currency
    return HistoryView(loaded.ro, tuple(moments), currency)


@show.register
def _(facts: HistoryView, page: Page) -> str:
    lines = []
    for moment in facts.moments:
        lines += page.wrap(page.strong(f"#{moment.seq} {moment.said}"), hang=3)
        if moment.advice:
            one = moment.advice
            words = f"advised: {one.advised}. followed: {one.followed}"
            if one.followed != "yes" and one.done_cost is None:
                words += "; what was done had not been weighed"
            elif one.followed != "yes" and one.done_cost is not None:
                more = money(one.done_cost - one.advised_cost, facts.currency)
                words += f"; expected to cost {more} more in all"
            lines += page.wrap(words, indent=2)
        lines += page.table(
            [
                [bar(cause.probability), percent(cause.probability), cause.label]
                for cause in moment.causes
            ],
            right=[1],
        )
    return "\n".join(lines)


class DoneStep(Struct):
    """Events that belong together, work and the drive after it or one test: where they begin."""

    at: int
    deeds: set[Deed] = set()

    @property
    def is_work(self) -> bool:
        """Whether a drive is still to follow."""
        return bool(self.deeds) and all(deed[0] in WORK for deed in self.deeds)


class _Past:
    """What stands of a job, and what was believed after so many events of it."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.events = job.happened
        self.after = cache(lambda count: believe(replay(self.events[:count], job.pack)))


def _trace_advice(shop: Shop, past: _Past) -> dict[int, Advice]:
    """Tell what was advised before each step of a job, by the number of its first event."""
    traced = {}
    settings = plan_settings(shop, past.job)
    for step in split_steps([event for _, event in past.events]):
        belief = past.after(step.at)
        plan = next_steps(belief.evidence, belief.posterior, settings, detailed=0)
        traced[past.events[step.at][0]] = _judge(plan, step.deeds)
    return traced


def split_steps(events: Sequence[Event]) -> list[DoneStep]:
    """Group events into steps: work with the drive that follows it, the readings of one test."""
    steps: list[DoneStep] = []
    last: DoneStep | None = None
    for at, event in enumerate(events):
        deeds = set(_deeds(event))
        if not deeds:
            last = None if isinstance(event, (ev.Closed, ev.Reopened)) else last
            continue
        if last is None or not _goes_on(last, deeds):
            last = DoneStep(at)
            steps.append(last)
        last.deeds |= deeds
    return steps


def _goes_on(step: DoneStep, deeds: set[Deed]) -> bool:
    if step.is_work:
        return DRIVE in deeds or DoneStep(0, deeds).is_work
    return {deed[:2] for deed in deeds} == {deed[:2] for deed in step.deeds} and DRIVE not in deeds


def _deeds(event: Event) -> Iterator[Deed]:
    match event:
        case ev.Ran():
            yield DRIVE
        case ev.Scanned():
            yield CODES
        case ev.Swapped(swaps):
            yield from (("swap", *sorted(pair)) for pair in swaps)
        case ev.Returned():
            yield BACK
        case Repair(place):
            yield event.type, place
        case ev.Measured(test, target) | ev.Inspected(test, target):
            yield "test", test, target
        case Paperwork():
            return
        case _:
            raise unhandled(event, "compared with advice")


def _deeds_of(action: Action) -> set[Deed]:
    if action.kind == "put-back":
        return {BACK}
    if action.kind == READ:
        return {CODES}
    work = {deed for event in work_events(action) for deed in _deeds(event)}
    return work or {("test", action.test, t) for t in action.targets} or {DRIVE}


def _judge(plan: Plan, deeds: set[Deed]) -> Advice:
    best = plan.best
    done = deeds if deeds == {DRIVE} else deeds - {DRIVE}
    advised = _deeds_of(best.action) if best.action else set()
    followed: Followed = "yes"
    if not _is_same(advised, done):
        followed = "in part" if any(_shares(a, d) for a in advised for d in done) else "no"
    same = [step for step in plan.steps if step.action and _is_same(_deeds_of(step.action), done)]
    done_cost = min((step.expected_total for step in same), default=None)
    return Advice(best.title, followed, best.expected_total, done_cost)


def _is_same(advised: set[Deed], done: set[Deed]) -> bool:
    """Whether all that was advised was done; of a test further targets do no harm."""
    is_test = all(deed[0] == "test" for deed in done)
    return advised <= done if is_test and advised else advised == done


def _shares(advised: Deed, done: Deed) -> bool:
    """Whether two deeds have the work in common, and for a swap at least one of its places."""
    if advised == done:
        return True
    is_same_work = advised[0] == done[0] in ("swap", "test")
    return is_same_work and bool(set(advised[1:]) & set(done[1:]))


def report_advice(shop: Shop, status: str = "") -> AdviceReport:
    """Tell of every job how often advice was followed; planned anew, it takes its time."""
    rows = shop.store.jobs(status or None)
    lines = tuple(_line(shop, shop.load(row.ro)) for row in rows)
    return AdviceReport(lines, shop.settings.costs(shop.pack).currency)


def _line(shop: Shop, loaded: OpenJob) -> AdviceLine:
    traced = list(_trace_advice(shop, _Past(loaded.job)).values())
    priced = [(one.advised_cost, one.done_cost) for one in traced if one.done_cost is not None]
    return AdviceLine(
        ro=loaded.ro,
        steps=len(traced),
        followed=sum(one.followed == "yes" for one in traced),
        in_part=sum(one.followed == "in part" for one in traced),
        priced=len(priced),
        advised_cost=sum(advised for advised, _ in priced),
        done_cost=sum(done for _, done in priced),
    )


@show.register
def _(facts: AdviceReport, page: Page) -> str:
    if not any(job.steps for job in facts.jobs):
        return "no job has a step yet that advice could be compared with"
    rows = [["", "steps", "followed", "in part", "advised", "done"]]
    rows += [_advice_row(job) for job in facts.jobs if job.steps]
    total = AdviceLine(
        "in all", *map(sum, zip(*(astuple(job)[1:] for job in facts.jobs), strict=True))
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
