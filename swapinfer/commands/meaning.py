"""What an event means, in sentences, and what to look out for after it."""

from __future__ import annotations

from collections.abc import Sequence

from swapinfer.commands.causes import Belief
from swapinfer.evidence.looks import look
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Entry, Event, Work, unhandled
from swapinfer.ledger.replay import Job
from swapinfer.ledger.runs import explain_run
from swapinfer.ledger.words import element_label, expected_range, in_unit_typed
from swapinfer.pack.codes import read_codes
from swapinfer.posterior import level_weights
from swapinfer.units import format_quantity, percent

NOTICEABLE = 0.005
"""Smallest change of a probability that is worth a sentence."""

MUCH = 0.1
"""Change of a probability that nobody would call little."""


def explain_events(before: Belief, after: Belief, events: Sequence[Event]) -> list[str]:
    """Say what new events mean: for a run, what followed what; for tests, how they read.

    Parameters
    ----------
    before, after : Belief
        Beliefs without and with the events.
    events : sequence of Event
        The newest.

    Returns
    -------
    list of str
        Sentences; empty for events that find nothing.
    """
    job = after.evidence.job
    newest = events[-1]
    match newest:
        case ev.Ran():
            return explain_run(job, job.findings[-1])
        case ev.Measured():
            return [*_reading_words(before, after, newest), *_shift(before, after)]
        case ev.Inspected():
            return [*_where_it_ran(after, newest), *_shift(before, after)]
        case Work() | Entry():
            return []
        case _:
            raise unhandled(newest, "explained")


def _reading_words(before: Belief, after: Belief, event: ev.Measured) -> list[str]:
    job = after.evidence.job
    test = job.engine.tests[event.test]
    level = None
    if test.level:
        level = after.evidence.usual(test, level_weights(after.evidence.arrays))
    good = expected_range(test, level, event)
    if not good and test.level:
        if max(map(abs, _changes(before, after).values())) >= MUCH:
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


def _faults(belief: Belief) -> dict[str, float]:
    return dict(zip(belief.evidence.arrays.elements, belief.posterior.fault_e, strict=True))


def _changes(before: Belief, after: Belief) -> dict[str, float]:
    old = _faults(before)
    return {name: new - old.get(name, 0.0) for name, new in _faults(after).items()}


def _shift(before: Belief, after: Belief) -> list[str]:
    """Name the elements whose probabilities rose and fell most."""
    old, new, change = _faults(before), _faults(after), _changes(before, after)
    said = []
    for word, name in (
        ("for", max(change, key=lambda name: change[name])),
        ("against", min(change, key=lambda name: change[name])),
    ):
        was, now = percent(old.get(name, 0.0)), percent(new[name])
        rose = change[name] if word == "for" else -change[name]
        if rose >= NOTICEABLE and was != now:
            label = element_label(after.evidence.job, name)
            said.append(f"{word} the {label} ({_in_words(was)} -> {_in_words(now)})")
    return [f"this speaks {', and '.join(said)}" if said else "this changes little"]


def _in_words(percentage: str) -> str:
    """Write a bound without a sign that looks like the arrow beside it."""
    return percentage.replace("> ", "over ").replace("< ", "under ")


def warn_of(job: Job, event: Event) -> list[str]:
    """Say what to look out for after an event."""
    warnings = []
    if isinstance(event, ev.Ran) and event.codes:
        reads = read_codes(job.pack, job.engine, event.codes)
        unknown = [read.text for read in reads if not read.role]
        if unknown:
            warnings.append(f"{' '.join(unknown)}: kept, but carries no weight in this reasoning")
    if isinstance(event, ev.Ran):
        warnings += _unweighed(job, event)
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
