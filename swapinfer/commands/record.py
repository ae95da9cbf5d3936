"""Recording events: what every one of them goes through, and what is told of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar

from swapinfer.commands.causes import Belief, Cause, believe, cause_words, list_causes
from swapinfer.commands.facts import Facts
from swapinfer.commands.meaning import explain_events, warn_of
from swapinfer.commands.page import Page, exactness, percent, show
from swapinfer.commands.planning import StepLine, first_step, step_words
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.errors import ConflictError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, refuse_conflict
from swapinfer.plan.verifying import check_closing

TRIES = 50
"""Attempts to append while others keep appending to the same job."""

LEADING = 3
"""Causes shown before and after an event."""


class Recorded(Facts, frozen=True):
    """An event was recorded.

    Attributes
    ----------
    ro : str
        Repair order.
    seq : int
        Position in the chain.
    event : str
        Type of event.
    said : tuple of str
        What was recorded, in words, one an event.
    meaning : tuple of str
        What it means, in sentences.
    before, after : tuple of Cause
        Leading causes before and after.
    next : StepLine or None
        Cheapest way on; None for a closed job.
    warnings : tuple of str
        What to look out for.
    is_supposed : bool
        Whether nothing was recorded: the event was only supposed.
    exact : bool
        Whether every combination of faults was counted.
    off_by : float
        Furthest that a probability may be from the exact one; 0 when exact.
    """

    shape: ClassVar[str] = "recorded/1"

    ro: str
    seq: int
    event: str
    said: tuple[str, ...]
    meaning: tuple[str, ...]
    before: tuple[Cause, ...]
    after: tuple[Cause, ...]
    next: StepLine | None
    currency: str
    warnings: tuple[str, ...] = ()
    is_supposed: bool = False
    exact: bool = True
    off_by: float = 0.0


Events = Sequence[Event]


def record(
    shop: Shop,
    events_of: Callable[[Job], Events],
    ro: str = "",
    touched: Sequence[str] = (),
    *,
    is_confirmed: bool = False,
) -> Recorded:
    """Append events to a job and say what they mean.

    Parameters
    ----------
    shop : Shop
        Where.
    events_of : callable
        Makes the events from the job as it is; raises if they cannot be.
    ro : str, optional
        Repair order; default the current job.
    touched : sequence of str, optional
        Places whose parts must not have been moved by someone else meanwhile.
    is_confirmed : bool, optional
        Whether a job may be closed although something stands against its causes.

    Returns
    -------
    Recorded

    Raises
    ------
    SwapinferError
        If an event cannot be; then nothing was recorded.
    """
    loaded = shop.load(ro)
    check = refuse_conflict({place: loaded.job.fitted[place] for place in touched})
    for _ in range(TRIES):
        events = events_of(loaded.job)
        for event in events:
            event.check()
        after = believe(shop.replay(loaded.records, events))
        if isinstance(events[-1], ev.Closed):
            check_closing(after.evidence, after.posterior, is_confirmed=is_confirmed)
        step = None if after.evidence.job.closing else first_step(shop, after)
        if shop.is_supposing:
            return _recorded(shop, loaded, events, after, step)
        try:
            _append(shop, loaded, events, summarise(after, step))
        except ConflictError:
            loaded = shop.load(loaded.ro)
            check(loaded.job)
            continue
        return _recorded(shop, loaded, events, after, step)
    raise ConflictError("others keep recording on this job; try again in a moment")


def _append(shop: Shop, loaded: OpenJob, events: Events, summary: dict[str, Any]) -> None:
    shop.store.append(
        loaded.id,
        *((event.type, event.to_json()) for event in events),
        who=shop.who,
        at=shop.now(),
        pack=loaded.records[0].pack,
        expect_seq=len(loaded.records),
        summary=summary,
    )


def _recorded(
    shop: Shop, loaded: OpenJob, events: Events, after: Belief, step: StepLine | None
) -> Recorded:
    before = believe(loaded.job)
    job = after.evidence.job
    return Recorded(
        ro=loaded.ro,
        seq=len(loaded.records) + len(events) - 1,
        event=events[-1].type,
        said=tuple(event.say(job) for event in events),
        meaning=tuple(explain_events(before, after, events)),
        before=list_causes(before),
        after=list_causes(after)[:LEADING],
        next=step,
        currency=shop.settings.costs(job.pack).currency,
        warnings=tuple(warn_of(job, events[-1])),
        is_supposed=shop.is_supposing,
        exact=after.posterior.exact,
        off_by=after.posterior.left_out,
    )


def summarise(belief: Belief, step: StepLine | None) -> dict[str, Any]:
    """Sum a job up for a list that does not replay it."""
    job, causes = belief.evidence.job, list_causes(belief)
    return {
        "status": job.status,
        "complaint": job.opening.complaint,
        "leading": causes[0].label if causes else "",
        "leading_probability": round(causes[0].probability, 4) if causes else 0.0,
        "next_step": step.title if step else "",
        "away": job.away_from_home(),
    }


def summarise_anew(shop: Shop, records: list[Record]) -> dict[str, Any]:
    """Sum up a job that comes from elsewhere."""
    belief = believe(shop.replay(records))
    return summarise(belief, None if belief.evidence.job.closing else first_step(shop, belief))


@show.register
def _(facts: Recorded, page: Page) -> str:
    first = facts.seq - len(facts.said) + 1
    lines = []
    for seq, said in enumerate(facts.said, start=first):
        number = "supposed" if facts.is_supposed else f"#{seq}"
        lines += page.wrap(f"{facts.ro} {number}: {said}")
    for sentence in facts.meaning:
        lines += page.wrap(f"-> {sentence}", indent=2, hang=3)
    lines += _before_after(facts, page)
    if facts.next:
        lines += page.wrap("next: " + step_words(facts.next, facts.currency), hang=6)
    for warning in facts.warnings:
        lines += page.wrap(f"note: {warning}", hang=6)
    return "\n".join(lines)


def _before_after(facts: Recorded, page: Page) -> list[str]:
    if not facts.after:
        return page.wrap("no cause stands out", indent=2)
    old = {cause.element: cause.probability for cause in facts.before}
    rows = []
    for cause in facts.after:
        was = percent(old[cause.element]) if cause.element in old else ""
        arrow = f"{was:>8} ->" if was and facts.seq else ""
        rows.append([arrow, percent(cause.probability), cause_words(cause)])
    rows[0][-1] += exactness(facts.off_by, is_exact=facts.exact)
    return page.table(rows, right=[0, 1])
