"""Recording what happened in a job: one function an event."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar

from msgspec import Struct, structs

from swapinfer.commands.causes import Belief, Cause, believe, cause_words, list_causes
from swapinfer.commands.facts import Facts
from swapinfer.commands.meaning import explain_events
from swapinfer.commands.page import Page, exactness, percent, show
from swapinfer.commands.planning import StepLine, first_step, step_words
from swapinfer.commands.readings import NOT_TAKEN, Beside, find_target, find_test, make_readings
from swapinfer.commands.shop import OpenJob, Shop
from swapinfer.errors import ConflictError, InputError, JobError, near_match
from swapinfer.evidence.assemble import COMPLAINT_WORD
from swapinfer.ledger import events as ev
from swapinfer.ledger.limits import check_limits
from swapinfer.ledger.replay import Job, build_engine, last_undoable, refuse_conflict, replay
from swapinfer.ledger.words import element_label, job_status, say
from swapinfer.pack.codes import read_codes
from swapinfer.pack.model import Test
from swapinfer.plan.verifying import check_closing
from swapinfer.units import format_quantity

TRIES = 50
"""Attempts to append while others keep appending to the same job."""

ALONE = Beside()
"""Readings with nothing typed beside them."""

LEADING = 3
"""Causes shown before and after an event."""


class _Pending(Struct, frozen=True):
    """An event as it would stand if it were appended."""

    seq: int
    type: str
    payload: Mapping[str, Any]


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


Events = Sequence[ev.Event]


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
        events = list(map(check_limits, events_of(loaded.job)))
        after = believe(shop.replay(_with(loaded.records, events)))
        if ev.is_a(events[-1], ev.Closed):
            check_closing(after.evidence, after.posterior, is_confirmed=is_confirmed)
        step = None if after.evidence.job.closing else first_step(shop, after)
        if shop.is_supposing:
            return _recorded(shop, loaded, events, after, step)
        try:
            _append(shop, loaded, events, summarise(after.evidence.job, after, step))
        except ConflictError:
            loaded = shop.load(loaded.ro)
            check(loaded.job)
            continue
        return _recorded(shop, loaded, events, after, step)
    raise ConflictError("others keep recording on this job; try again in a moment")


def _with(records: Sequence[Any], events: Events) -> list[Any]:
    pending = (_Pending(len(records) + i, e.type, e.to_json()) for i, e in enumerate(events))
    return [*records, *pending]


def _append(shop: Shop, loaded: OpenJob, events: Events, summary: dict[str, Any]) -> None:
    shop.store.append_all(
        loaded.id,
        [(event.type, event.to_json()) for event in events],
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
        said=tuple(say(event, job) for event in events),
        meaning=tuple(explain_events(before, after, events)),
        before=list_causes(before),
        after=list_causes(after)[:LEADING],
        next=step,
        currency=shop.settings.costs(job.pack).currency,
        warnings=tuple(_warnings(job, events[-1])),
        is_supposed=shop.is_supposing,
        exact=after.posterior.exact,
        off_by=after.posterior.left_out,
    )


def _warnings(job: Job, event: ev.Event) -> list[str]:
    warnings = []
    if ev.is_a(event, ev.Ran) and event.codes:
        reads = read_codes(job.pack, job.engine, event.codes)
        unknown = [read.text for read in reads if not read.role]
        if unknown:
            warnings.append(f"{' '.join(unknown)}: kept, but carries no weight in this reasoning")
    if ev.is_a(event, ev.Ran):
        warnings += _unweighed(job, event)
    if ev.is_a(event, ev.Closed):
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
    for read in read_codes(job.pack, job.engine, run.codes or ()):
        if read.role == "misfire" and read.cylinders and set(read.cylinders) <= counted:
            listed = " and ".join(map(str, read.cylinders))
            said.append(f"{read.text}: not weighed, since the counter of {listed} was read")
        if read.role == "random" and counted >= set(job.engine.layout.cylinders):
            said.append(f"{read.text}: not weighed, since every cylinder was counted")
    if run.felt and (run.codes is not None or run.counts):
        read_out = "codes were" if run.codes is not None else "counters were"
        said.append(f'felt "{run.felt}": kept, not weighed, since {read_out} read')
    elif run.felt and run.suspected:
        said.append(f'felt "{run.felt}": kept, not weighed beside the cylinder that was heard')
    return said


def summarise(job: Job, belief: Belief, step: StepLine | None) -> dict[str, Any]:
    """Sum a job up for a list that does not replay it."""
    causes = list_causes(belief)
    return {
        "status": job_status(job),
        "complaint": job.opening.complaint,
        "leading": causes[0].label if causes else "",
        "leading_probability": round(causes[0].probability, 4) if causes else 0.0,
        "next_step": step.title if step else "",
        "away": job.away_from_home(),
    }


def open_job(shop: Shop, opening: ev.Opened) -> Recorded:
    """Open a job and make it the current one.

    Parameters
    ----------
    shop : Shop
        Where.
    opening : Opened
        First event; names of newer parts may be as typed.

    Raises
    ------
    InputError
        If layout, fitment or a place is unknown.
    ConflictError
        If the repair order is open already.
    """
    pack = shop.pack
    check_limits(opening)
    engine = build_engine(opening, pack)
    newer = {engine.find_place(name).id: age for name, age in opening.newer.items()}
    opening = dataclasses.replace(opening, newer=newer)
    belief = believe(replay(_with([], [opening]), pack))
    step = first_step(shop, belief)
    with shop.founding() as store, store.writing():
        shop.keep_pack(pack)
        first = store.create_job(
            opening.ro,
            opening.to_json(),
            who=shop.who,
            at=shop.now(),
            pack=pack.digest,
            summary=summarise(belief.evidence.job, belief, step),
        )
        store.choose_job(shop.who, first.job)
    return Recorded(
        ro=opening.ro,
        seq=0,
        event=opening.type,
        said=(say(opening, belief.evidence.job),),
        meaning=(),
        before=(),
        after=list_causes(belief)[:LEADING],
        next=step,
        currency=shop.settings.costs(pack).currency,
    )


def run_engine(shop: Shop, run: ev.Ran, ro: str = "") -> Recorded:
    """Record a period of running.

    Raises
    ------
    InputError
        If minutes or counts cannot be, or a condition, feeling or code is not one.
    """
    return record(shop, lambda job: [check_run(job, run)], ro)


def check_run(job: Job, run: ev.Ran) -> ev.Ran:
    """Return a run with its codes in canonical form, refusing one that cannot be.

    Raises
    ------
    InputError
        If minutes or counts cannot be, or a condition, feeling or code is not one.
    """
    check_limits(run)
    feelings = [word for word in job.pack.feelings if word != COMPLAINT_WORD]
    if run.felt and run.felt not in feelings:
        raise InputError(f'no feeling "{run.felt}"{near_match(run.felt, feelings)}')
    if run.codes is None and not run.counts and not run.felt and not run.suspected:
        raise InputError("say what was found: --codes (or --no-codes), --counts or --felt")
    if run.suspected and (run.codes is not None or run.counts):
        raise InputError("--suspect is for a drive after which neither codes nor counts were read")
    if run.codes is None:
        return run
    codes = tuple(read.text for read in read_codes(job.pack, job.engine, run.codes))
    return dataclasses.replace(run, codes=codes)


def swap_parts(shop: Shop, swaps: Sequence[tuple[str, str]], ro: str = "") -> Recorded:
    """Record that parts changed places, several kinds in one go if need be."""
    engine = shop.load(ro).job.engine
    pairs = tuple((engine.find_place(a).id, engine.find_place(b).id) for a, b in swaps)
    if not pairs:
        raise InputError("name at least one swap, for example: coil 3-1")
    touched = [place for pair in pairs for place in pair]
    return record(shop, lambda _job: [ev.Swapped(pairs)], ro, touched)


def put_back(shop: Shop, ro: str = "") -> Recorded:
    """Record that every part went back where it belongs."""
    return record(shop, lambda _job: [ev.Returned()], ro)


def reseat(shop: Shop, place: str, ro: str = "") -> Recorded:
    """Record that a connector or joint was taken apart and put together."""
    return record(shop, lambda job: [ev.Reseated(job.engine.find_place(place).id)], ro)


def replace(shop: Shop, place: str, price: float | None = None, ro: str = "") -> Recorded:
    """Record that what sits at a place was replaced or put right."""
    found = shop.load(ro).job.engine.find_place(place).id
    return record(shop, lambda _job: [ev.Replaced(found, price)], ro, [found])


def measure(
    shop: Shop,
    test_id: str,
    values: Mapping[str, str] | Sequence[str],
    beside: Beside = ALONE,
    ro: str = "",
) -> Recorded:
    """Record one reading, or several of one test.

    What they are relative to, and the figure wanted of a good one, are taken from an earlier
    reading where they are not given: a reference of the same day, a wanted figure of the same test.

    Parameters
    ----------
    shop : Shop
        Where.
    test_id : str
        A test of the pack that is a reading.
    values : mapping of str to str, or sequence of str
        Target as typed (``3``, ``coil3``, empty for the engine) to value with or without unit; or
        one value for each target in order, ``-`` where none was taken.
    beside : Beside, optional
        What was typed with them.
    ro : str, optional
        Repair order; default the current job.

    Raises
    ------
    DoubtError
        If a value hardly is meant as it stands, and nobody insists.
    InputError
        If the test is none, a value no number, impossible, or of another quantity.
    """
    loaded = shop.load(ro)
    test = find_test(loaded.job, test_id, "reading")
    beside, notes = _with_earlier(loaded, test, beside, shop.now())
    named = values if isinstance(values, Mapping) else _in_order(loaded.job, test, values)
    made = make_readings(loaded.job, test_id, named, beside, shop.settings)
    told = record(shop, lambda _job: made, loaded.ro)
    return structs.replace(told, warnings=(*told.warnings, *notes))


def _in_order(job: Job, test: Test, values: Sequence[str]) -> dict[str, str]:
    """Give values to the targets of a test, one each in order."""
    targets = job.engine.target_places(test.target)
    if len(values) == len(targets):
        return {t: v for t, v in zip(targets, values, strict=True) if v != NOT_TAKEN}
    if len(targets) == 1:
        raise InputError(f'"{test.id}" has one value, got {len(values)}: {" ".join(values)}')
    first = targets[0].removeprefix(test.target)
    raise InputError(
        f'"{test.id}" is read on {_listed(targets)}: say which, as in {first}={values[0]}, '
        f"or give all {len(targets)} values in order, {NOT_TAKEN} where none was taken"
    )


def _listed(targets: Sequence[str]) -> str:
    return f"{targets[0]} to {targets[-1]}" if len(targets) > 2 else " and ".join(targets)


def _with_earlier(
    loaded: OpenJob, test: Test, beside: Beside, now: str
) -> tuple[Beside, list[str]]:
    """Fill in from earlier readings what was not typed, and say so."""
    notes, tests = [], loaded.job.engine.tests
    earlier = [
        (seq, loaded.records[seq].at, event)
        for seq, event in reversed(loaded.job.standing)
        if isinstance(event, ev.Measured)
    ]
    if test.reference and not beside.against:
        for seq, at, event in earlier:
            known = tests[event.test]
            if known.reference == test.reference and event.reference and at[:10] == now[:10]:
                text = format_quantity(event.reference, known.unit)
                notes.append(f"against the {test.reference}'s {text} of {at[11:16]}, event {seq}")
                beside = structs.replace(beside, against=f"{event.reference!r} {known.unit}")
                break
    if test.wanted and not beside.wanted:
        for seq, _, event in earlier:
            if event.test == test.id and event.wanted:
                text = format_quantity(event.wanted, test.unit)
                notes.append(f"against the {test.wanted} of {text}, event {seq}")
                beside = structs.replace(beside, wanted=f"{event.wanted!r} {test.unit}")
                break
    return beside, notes


def inspect(shop: Shop, test_id: str, target: str, outcome: str, ro: str = "") -> Recorded:
    """Record an inspection with a named outcome."""

    def event_of(job: Job) -> ev.Inspected:
        test = find_test(job, test_id, "inspection")
        word = "-".join(outcome.lower().split())
        if word not in test.outcomes:
            raise InputError(
                f'"{outcome}" is no outcome of {test.id}{near_match(word, test.outcomes)}'
            )
        return ev.Inspected(test.id, find_target(job, test, target), word)

    return record(shop, lambda job: [event_of(job)], ro)


def inspect_as_typed(shop: Shop, test_id: str, seen: Sequence[str], ro: str = "") -> Recorded:
    """Record an inspection from where and what in one row of words: ``3 oil``, or ``sound``.

    Raises
    ------
    InputError
        If no outcome ends the words, or it is not said where.
    """
    job = shop.load(ro).job
    test = find_test(job, test_id, "inspection")
    where, outcome = _parted(test, seen)
    targets = job.engine.target_places(test.target)
    if not where and len(targets) > 1:
        raise InputError(
            f'"{test.id}" is done on {_listed(targets)}: say where and what was seen, as in '
            f"{targets[0].removeprefix(test.target)} {next(iter(test.outcomes))}"
        )
    return inspect(shop, test.id, where, outcome, ro)


def _parted(test: Test, seen: Sequence[str]) -> tuple[str, str]:
    """Part where from what: the longest end of the words that is an outcome."""
    words = [word.lower() for word in seen]
    for at in range(len(words)):
        if "-".join(words[at:]) in test.outcomes:
            return " ".join(words[:at]), "-".join(words[at:])
    is_place = len(words) > 1 or any(character.isdigit() for character in words[0])
    at = 1 if is_place else 0
    return " ".join(words[:at]), " ".join(words[at:])


def note(shop: Shop, text: str, ro: str = "") -> Recorded:
    """Record free text."""
    if not text.strip():
        raise InputError("a note needs some text")
    return record(shop, lambda _job: [ev.Noted(text)], ro)


def undo(shop: Shop, seq: int | None = None, ro: str = "") -> Recorded:
    """Retract the newest event that stands, or a given one."""
    loaded = shop.load(ro)
    target = last_undoable(loaded.records) if seq is None else seq
    if not 0 < target < len(loaded.records):
        raise JobError(
            f"no event {target} to undo; they are numbered 1 to {len(loaded.records) - 1}"
        )
    return record(shop, lambda _job: [ev.Undone(target)], ro)


def close(shop: Shop, closed: ev.Closed, ro: str = "", *, is_confirmed: bool = False) -> Recorded:
    """Close a job with its cause, verified or not.

    Parameters
    ----------
    shop : Shop
        Where.
    closed : Closed
        Names of causes may be as typed.
    ro : str, optional
        Repair order; default the current job.
    is_confirmed : bool, optional
        Whether someone was told what stands against the causes, and closes all the same.

    Raises
    ------
    InputError
        If there is not one mode for each cause, or a cause has no such mode.
    JobError
        If it is to be verified without a clean drive of the length asked.
    UnconfirmedError
        If something stands against a cause, and nobody confirmed it.
    """

    def event_of(job: Job) -> ev.Closed:
        causes = tuple(_find_element(job, name) for name in closed.causes)
        modes = closed.modes or ("",) * len(causes)
        if len(modes) != len(causes):
            raise InputError(f"{len(modes)} modes for {len(causes)} causes; give one a cause")
        for cause, mode in zip(causes, modes, strict=True):
            known = job.engine.kinds[job.elements[cause].home.kind].modes
            if mode and mode not in known:
                raise InputError(f'{cause} has no mode "{mode}"{near_match(mode, known)}')
        return dataclasses.replace(closed, causes=causes, modes=modes)

    return record(shop, lambda job: [event_of(job)], ro, is_confirmed=is_confirmed)


def reopen(
    shop: Shop, reason: str = "", odometer_km: float | None = None, ro: str = ""
) -> Recorded:
    """Reopen a closed job: the vehicle came back."""
    return record(shop, lambda _job: [ev.Reopened(reason, odometer_km)], ro)


def _find_element(job: Job, typed: str) -> str:
    word = "-".join(typed.lower().split())
    return word if word in job.elements else job.engine.find_place(typed).id


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
