"""Recording events: what every one of them goes through, and what is told of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar

import msgspec
from msgspec import structs

from swapinfer.commands.causes import (
    Belief,
    Cause,
    StepLine,
    believe,
    cause_words,
    first_step,
    list_causes,
    plan_settings,
    step_words,
)
from swapinfer.commands.page import Facts, Page, exactness, show
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.errors import ConflictError
from swapinfer.evidence.looks import look
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Aside, Event, Paperwork, Work, unhandled
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job, refuse_conflict
from swapinfer.ledger.runs import explain_run, is_unseen
from swapinfer.ledger.words import element_label, expected_range, in_unit_typed
from swapinfer.pack.engine import read_codes
from swapinfer.pack.tables import digest_text
from swapinfer.posterior import usual_reading
from swapinfer.units import format_quantity, percent

TRIES = 50
"""Attempts to append while others keep appending to the same job."""

NOTICEABLE = 0.005
"""Smallest change of a probability that is worth a sentence."""

MUCH = 0.1
"""Change of a probability that nobody would call little."""

LEADING = 3
"""Causes shown before and after an event."""


class Recorded(Facts, frozen=True, kw_only=True):
    """What was recorded, or only supposed, and what it means.

    `seq` and `event` are the last event's. Causes are the leading ones; `next` is the cheapest way
    on, none for a closed job; `off_by` is the furthest that a probability may be from the exact.
    """

    shape: ClassVar[str] = "recorded/1"

    ro: str
    seq: int
    event: str
    said: tuple[str, ...]
    meaning: tuple[str, ...] = ()
    before: tuple[Cause, ...] = ()
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
    """Append events to a job and say what they mean; if one cannot be, nothing is recorded.

    They are made of the job as it stands, anew where someone else was first; parts at `touched`
    places must not have been moved meanwhile. A job may be closed although something stands against
    its causes if that `is_confirmed`.
    """
    loaded = shop.load(ro)
    check = refuse_conflict({place: loaded.job.fitted[place] for place in touched})
    for _ in range(TRIES):
        events = events_of(loaded.job)
        for event in events:
            event.check()
            _check_price(shop, loaded.job, event)
        after = believe(shop.replay(loaded.records, events))
        if isinstance(events[-1], ev.Closed):
            from swapinfer.plan.verifying import check_closing

            check_closing(after.evidence, after.posterior, is_confirmed=is_confirmed)
        step = _way_on(shop, loaded, events, after)
        try:
            if not shop.is_supposing:
                shop.store.append(
                    loaded.id,
                    *((event.type, event.to_json()) for event in events),
                    who=shop.who,
                    at=shop.now(),
                    pack=loaded.records[0].pack,
                    expect_seq=len(loaded.records),
                    summary=summarise(shop, after, step),
                )
        except ConflictError:
            loaded = shop.load(loaded.ro)
            check(loaded.job)
        else:
            before, seq = believe(loaded.job), len(loaded.records) + len(events) - 1
            return structs.replace(
                tell_recorded(shop, loaded.ro, seq, events, after, step),
                meaning=tuple(explain_events(before, after, events)),
                before=list_causes(before),
                warnings=tuple(_warnings(after.evidence.job, events[-1])),
            )
    raise ConflictError("others keep recording on this job; try again in a moment")


def _check_price(shop: Shop, job: Job, event: Event) -> None:
    """Refuse a price far beyond what the priors know of such a part, in the shop's currency."""
    if isinstance(event, ev.Replaced) and event.price is not None and event.place in job.fitted:
        kind = job.engine.kind_of(event.place)
        shop.settings.money.check_price("a price", event.price, job.pack, kind)


def tell_recorded(
    shop: Shop, ro: str, seq: int, events: Events, after: Belief, step: StepLine | None
) -> Recorded:
    """Say what was recorded, the last of it at `seq`, and where that leaves a job."""
    job = after.evidence.job
    return Recorded(
        ro=ro,
        seq=seq,
        event=events[-1].type,
        said=tuple(event.say(job) for event in events),
        after=list_causes(after)[:LEADING],
        next=step,
        currency=shop.settings.costs(job.pack).currency,
        is_supposed=shop.is_supposing,
        exact=after.posterior.exact,
        off_by=after.posterior.left_out,
    )


def explain_events(before: Belief, after: Belief, events: Sequence[Event]) -> list[str]:
    """Say what new events mean: for a run, what followed what; for tests, how they read."""
    job = after.evidence.job
    newest = events[-1]
    match newest:
        case ev.Ran() | ev.Scanned():
            return explain_run(job, job.latest) if job.latest else []
        case ev.Measured():
            return [*_reading_words(before, after, newest), *_shift(before, after)]
        case ev.Inspected():
            return [*_where_it_ran(after, newest), *_shift(before, after)]
        case ev.Reopened():
            return _shift(before, after)
        case Work() | Paperwork():
            return []
        case _:
            raise unhandled(newest, "explained")


def _reading_words(before: Belief, after: Belief, event: ev.Measured) -> list[str]:
    job = after.evidence.job
    test = job.engine.tests[event.test]
    level = usual_reading(after.evidence, test) if test.level else None
    good = expected_range(test, level, event)
    if not good and test.level:
        if max(abs(now - was) for was, now in _changes(before, after).values()) >= MUCH:
            return []
        has_others = len(job.engine.target_places(test.target)) > 1
        beside = "read others of its kind" if has_others else "find the maker's figure"
        return [f"alone it says little: {beside} to compare it with"]
    if not good:
        return []
    said = [f"a good one reads {good}{' here' * bool(test.level)}"]
    if test.wanted and not event.wanted:
        titles = [job.pack.fitments[axis][job.engine.fitment[axis]] for axis in test.fitted]
        usual = format_quantity(*in_unit_typed(test, event, test.nominal), significant=3)
        said.append(
            f"judged against the pack's usual {usual} ({', '.join(titles)}); "
            f"give --wanted for the {test.wanted}"
        )
    return said


def _where_it_ran(after: Belief, event: ev.Inspected) -> list[str]:
    """Say where a part left its marks, if not where it was looked at."""
    job = after.evidence.job
    view = look(after.evidence.space, event.test, event.target, job.findings[-1])
    if view.cylinders == set(job.engine.target_cylinders(event.target)):
        return []
    title = job.engine.kinds[view.test.remembers].title
    where = " and ".join(map(str, sorted(view.cylinders)))
    return [f"this {title} last ran in cylinder {where}, so this tells of that one"]


def _changes(before: Belief, after: Belief) -> dict[str, tuple[float, float]]:
    """How likely each element was to be at fault, and is."""
    old, new = (
        dict(zip(belief.evidence.arrays.elements, belief.posterior.fault_e, strict=True))
        for belief in (before, after)
    )
    return {name: (old.get(name, 0.0), now) for name, now in new.items()}


def _shift(before: Belief, after: Belief) -> list[str]:
    """Name the elements whose probabilities rose and fell most."""
    changes = _changes(before, after)
    rise = {name: now - was for name, (was, now) in changes.items()}
    said = []
    for word, name, sign in (
        ("for", max(rise, key=lambda name: rise[name]), 1),
        ("against", min(rise, key=lambda name: rise[name]), -1),
    ):
        was, now = (  # in words, since a sign would look like the arrow
            percent(p).replace("> ", "over ").replace("< ", "under ") for p in changes[name]
        )
        if sign * rise[name] >= NOTICEABLE and was != now:
            said.append(f"{word} the {element_label(after.evidence.job, name)} ({was} -> {now})")
    return [f"this speaks {', and '.join(said)}" if said else "this changes little"]


def _warnings(job: Job, event: Event) -> list[str]:
    """Say what to look out for after an event."""
    warnings = []
    if isinstance(event, ev.Coded):
        reads = read_codes(job.engine, event.present)
        unknown = [read.text for read in reads if not read.role]
        if unknown:
            warnings.append(f"{' '.join(unknown)}: kept, but carries no weight in this reasoning")
    if isinstance(event, ev.Ran):
        warnings += _unweighed(job, event)
        if event.permanent:
            warnings.append(
                "permanent codes outlast erasing: kept, but of this drive they say nothing"
            )
    if isinstance(event, (ev.Closed, ev.Reopened)) and event.odometer_km is not None:
        shown = job.opening.odometer_km or 0.0
        warnings += ["the odometer shows less than at first"] * (event.odometer_km < shown)
    if isinstance(event, ev.Closed):
        if away := job.away_from_home():
            labels = ", ".join(element_label(job, part) for part in away)
            warnings.append(f"not where they belong: {labels}")
        if job.open_access:
            titles = ", ".join(job.pack.access[name].title for name in sorted(job.open_access))
            warnings.append(f"still open: {titles}")
    return warnings


def _unweighed(job: Job, run: ev.Ran) -> list[str]:
    """Say what of a run is kept without being weighed, since something better was read."""
    said = []
    counted = run.counts.keys()
    latest = job.latest
    fresh = latest.event if latest else run
    if isinstance(fresh, ev.Ran) and (old := {*(run.codes or ())} - {*(fresh.codes or ())}):
        was = "was" if len(old) == 1 else "were"
        said.append(f"{' '.join(sorted(old))}: not weighed, {was} stored before, and not pending")
        run = fresh
    before = job.listed_before(latest.seq, "pending") if latest else ()
    for read in read_codes(job.engine, run.present):
        if read.role and read.text in before and read.text in (run.pending or ()) and not counted:
            said.append(
                f"{read.text}: pending before as well, so it may be of the drive before; erase, or "
                "drive once more, where this drive is to prove a repair"
            )
        if read.role == "misfire" and read.cylinders and set(read.cylinders) <= counted:
            listed = " and ".join(map(str, read.cylinders))
            said.append(f"{read.text}: not weighed, since the counter of {listed} was read")
        if read.role == "random" and counted >= set(job.engine.layout.cylinders):
            said.append(f"{read.text}: not weighed, since every cylinder was counted")
    if run.felt and (run.is_read or run.counts) and not is_unseen(job, run):
        read_out = "codes were" if run.is_read else "counters were"
        said.append(f'felt "{run.felt}": kept, not weighed, since {read_out} read')
    elif run.felt and run.suspected:
        said.append(f'felt "{run.felt}": kept, not weighed beside the cylinder that was heard')
    return said


def _way_on(shop: Shop, loaded: OpenJob, events: Events, after: Belief) -> StepLine | None:
    """Plan the next step of an open job; what is said on the side leaves it as it was."""
    job = after.evidence.job
    if job.closing:
        return None
    if all(isinstance(event, Aside) and not isinstance(event, ev.Undone) for event in events):
        kept = shop.store.job(loaded.id).summary
        if kept.get("planned_from") == _grounds(shop, loaded.job):
            return msgspec.convert(kept["plan"], StepLine)
    return first_step(shop, after)


def _grounds(shop: Shop, job: Job) -> str:
    """Digest of what a next step was planned from: the events, and the shop's own figures."""
    figures = msgspec.json.encode(plan_settings(shop, job), order="sorted").decode()
    return digest_text(f"{[seq for seq, _ in job.standing]} {figures}")


def summarise(shop: Shop, belief: Belief, step: StepLine | None) -> dict[str, Any]:
    """Sum a job up for a list that does not replay it, and for what is said on the side later."""
    job, causes = belief.evidence.job, list_causes(belief)
    return {
        "status": job.status,
        "complaint": job.opening.complaint,
        "leading": causes[0].label if causes else "",
        "leading_probability": round(causes[0].probability, 4) if causes else 0.0,
        "next_step": step.title if step else "",
        "plan": msgspec.to_builtins(step),
        "planned_from": _grounds(shop, job),
        "away": job.away_from_home(),
    }


def summarise_anew(shop: Shop, records: list[Record]) -> dict[str, Any]:
    """Sum up a job that comes from elsewhere."""
    belief = believe(shop.replay(records))
    step = None if belief.evidence.job.closing else first_step(shop, belief)
    return summarise(shop, belief, step)


@show.register
def _(facts: Recorded, page: Page) -> str:
    first = facts.seq - len(facts.said) + 1
    lines = []
    for seq, said in enumerate(facts.said, start=first):
        number = "supposed" if facts.is_supposed else f"#{seq}"
        lines += page.wrap(f"{facts.ro} {number}: {said}")
    for sentence in facts.meaning:
        lines += page.wrap(f"-> {sentence}", indent=2, hang=3)
    old = {cause.element: cause.probability for cause in facts.before}
    rows = []
    for cause in facts.after:
        was = percent(old[cause.element]) if cause.element in old else ""
        arrow = f"{was:>8} ->" if was and facts.seq else ""
        rows.append([arrow, percent(cause.probability), cause_words(cause)])
    if rows:
        rows[0][-1] += exactness(facts.off_by, is_exact=facts.exact)
    lines += page.table(rows, right=[0, 1]) or page.wrap("no cause stands out", indent=2)
    if facts.next:
        lines += page.wrap("next: " + step_words(facts.next, facts.currency), hang=6)
    for warning in facts.warnings:
        lines += page.wrap(f"note: {warning}", hang=6)
    return "\n".join(lines)
