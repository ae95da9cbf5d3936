"""What runs say: what misfired, whether a fault followed or a repair held, what they still owe."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf
from typing import TYPE_CHECKING, TypeAlias

from msgspec import Struct

from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.words import element_label, listed, where_words
from swapinfer.pack.engine import read_codes

if TYPE_CHECKING:
    from swapinfer.ledger.replay import Finding, Job

DRIVEN = "verified by a drive"
UNPROVEN = "closed as verified, without a clean drive"

Told: TypeAlias = ev.Ran | ev.Scanned
"""What says which cylinders misfired: a run, or what was stored when the vehicle came in."""

NOTHING_OWED: tuple[None, float] = None, 0.0


def misfiring(job: Job, run: Told) -> frozenset[int] | None:
    """Cylinders that misfired in a run, or None if it does not say.

    A counter says so when it stands well above the background; codes stand for the cylinders
    that were not counted. What was stored on arrival is older than a counter that shows nothing.
    """
    counted = run.counts.keys() if isinstance(run, ev.Ran) else set[int]()
    misfired = standing_out(job, run) | (named_cylinders(job, run) - counted)
    return misfired if misfired or speaks_of(job, run) else None


def speaks_of(job: Job, run: Told) -> frozenset[int]:
    """Cylinders of which a run says whether they misfired."""
    says_all = not names_none(job, run) and not is_unseen(job, run)
    if not run.is_read:
        says_all = run.felt == "smooth" and not run.counts
    return frozenset(job.engine.layout.cylinders if says_all else weighed_counts(job, run))


def names_none(job: Job, run: Told) -> bool:
    """Whether a misfire was stored, and no cylinder of one."""
    reads = read_codes(job.engine, run.present)
    return any(read.role == "random" for read in reads) and not named_cylinders(job, run)


def has_misfired(job: Job, run: Told) -> bool:
    """Whether codes or counters of a run show a misfire, in a known cylinder or not."""
    return bool(standing_out(job, run) or named_cylinders(job, run)) or names_none(job, run)


def is_unseen(job: Job, run: Told) -> bool:
    """Whether a misfire was felt in a run, and codes were read that know nothing of it."""
    felt = job.pack.feelings.get(run.felt)
    is_silent = run.is_read and not run.counts and not has_misfired(job, run)
    return felt is not None and felt.with_misfire > felt.without and is_silent


def is_clean(job: Job, run: ev.Ran) -> bool:
    """Whether codes, or counters of all cylinders, were read after a run and show no misfire.

    Nor was one felt: the control unit may have missed it; nor could none be confirmed yet.
    """
    is_read = run.is_read or run.counts.keys() >= set(job.engine.layout.cylinders)
    is_missed = is_unseen(job, run) or is_too_early(job, run)
    return is_read and not has_misfired(job, run) and not is_missed


def is_too_early(job: Job, run: ev.Ran) -> bool:
    """Whether only confirmed codes were read, there was none, and it was the first cycle.

    That is the first run since the vehicle came in, since work was done or since codes were found
    or erased: what is found is erased.
    """
    if job.pack.monitor is None or run.codes != () or run.pending is not None or run.counts:
        return False
    time = next((f.time for f in job.findings if f.event is run), job.time)
    runs = [f for f in job.findings if isinstance(f.event, ev.Ran) and f.time < time]
    if not runs or not isinstance(last := runs[-1].event, ev.Ran) or has_misfired(job, last):
        return True
    return any(
        event.is_work or isinstance(event, (ev.Reopened, ev.Erased))
        for _, event in job.standing[runs[-1].time : time]
    )


def counted_minutes(job: Job, run: Told) -> float:
    """Time over which counters ran; a usual cycle where it was the last before an arrival."""
    if isinstance(run, ev.Ran):
        return run.minutes
    monitor = job.pack.monitor
    return run.since_start or (
        monitor.cycle_minutes if monitor else job.pack.running.complaint_minutes
    )


def weighed_counts(job: Job, run: Told) -> dict[int, int]:
    """Counters that say something: where nobody knows how long they ran, those that stand out.

    The last cycle may have been the way into the workshop.
    """
    is_timed = isinstance(run, ev.Ran) or run.since_start is not None
    out = standing_out(job, run)
    return {c: count for c, count in run.counts.items() if is_timed or c in out}


def standing_out(job: Job, run: Told) -> frozenset[int]:
    """Cylinders whose counter stands well above what healthy ones count."""
    floor = 4 * job.pack.running.leak_counts_per_min * counted_minutes(job, run) + 3
    return frozenset(cylinder for cylinder, count in run.counts.items() if count > floor)


def named_cylinders(job: Job, run: Told) -> frozenset[int]:
    """Cylinders of which a misfire code is stored or pending."""
    reads = read_codes(job.engine, run.present)
    return frozenset(c for read in reads if read.role == "misfire" for c in read.cylinders)


def last_repair(job: Job, causes: Sequence[str] = (), until: int | None = None) -> int | None:
    """Position of the last event that put something right since the vehicle last came in.

    Where nothing was replaced or reseated on purpose, a swap that handled one of the causes counts:
    it may have cured a contact. Only events before `until` are looked at.
    """
    handled = {d.time for d in job.disturbances if d.element in causes}
    repaired = cured = None
    for time, (seq, event) in enumerate(job.standing):
        if until is not None and seq >= until:
            break
        if isinstance(event, ev.Reopened):
            repaired = cured = None
        elif event.is_repair:
            repaired = seq
        elif isinstance(event, ev.Swapped) and time in handled:
            cured = seq
    return cured if repaired is None else repaired


def failing_runs(job: Job) -> list[ev.Ran]:
    """Return all runs whose codes or counters show a misfire."""
    return [run for run in _runs(job) if has_misfired(job, run)]


def proving_minutes(job: Job) -> float:
    """Return how long a repair must at least be driven clean before it counts as verified.

    As long as the shortest run in which it failed, and no shorter than the pack asks.
    """
    shortest = min((run.minutes for run in failing_runs(job)), default=0.0)
    return max(shortest, job.pack.costs.verify_minutes)


def failing_conditions(job: Job) -> tuple[str, ...]:
    """Conditions that all runs with a misfire have in common, in the order of the first."""
    runs = failing_runs(job)
    if not runs:
        return ()
    common = set.intersection(*(set(run.conditions) for run in runs))
    return tuple(tag for tag in runs[0].conditions if tag in common)


def ending(job: Job, closing: ev.Closed) -> str:
    """Say how a job ended, as far as the events before show: "repaired, not verified"."""
    ends = [seq for seq, other in job.standing if other == closing]
    until = ends[-1] if ends else None
    repaired = last_repair(job, closing.causes, until)
    if repaired is None:
        return "closed as verified, without a repair" if closing.verified else "not repaired"
    if not closing.verified:
        return "repaired, not verified"
    between = [f.event for f in job.findings if repaired < f.seq and (not until or f.seq < until)]
    if any(isinstance(other, ev.Ran) and is_clean(job, other) for other in between):
        return DRIVEN
    return UNPROVEN


def explain_run(job: Job, finding: Finding) -> list[str]:
    """Say what a run means beside the last one in another arrangement."""
    run = finding.event
    if isinstance(run, ev.Scanned):
        silent = "no counter stands out, which says little: that may have been the way in"
        return [_arrived(job, run), *[silent] * (run.counts != {} and not weighed_counts(job, run))]
    if not isinstance(run, ev.Ran):
        return []
    now = misfiring(job, run)
    if is_unseen(job, run):
        return ["a misfire was felt and no code set: counters would say in which cylinder"]
    if now is None and run.suspected:
        heard = " and ".join(map(str, sorted(run.suspected)))
        return [f"the ear suspects cylinder {heard}; codes or counters would say which it is"]
    if now is None:
        return ["a misfire was noticed, but nothing says in which cylinder"]
    moved = _moved(job, finding, run)
    came = [origin.cylinders for _, origin, here in moved if now & {*here.cylinders}]
    explained = {cylinder for cylinders in came for cylinder in cylinders}
    return [
        _state(job, run, now),
        *(
            _verdict(
                element_label(job, element),
                (where_words(origin), where_words(here)),
                came=bool(now & {*here.cylinders}),
                stayed=bool(now & {*origin.cylinders}),
                elsewhere=bool(explained & {*origin.cylinders}),
            )
            for element, origin, here in moved
        ),
    ]


def _arrived(job: Job, scanned: ev.Scanned) -> str:
    """Say what that means which was stored when the vehicle came in."""
    if now := misfiring(job, scanned):
        others = ", no other left a code" * scanned.is_read
        return f"{_cylinders(now)} misfired before the vehicle came in{others}"
    if names_none(job, scanned):
        return "there was a misfire before the vehicle came in; the code names no cylinder"
    if scanned.permanent:
        return (
            "permanent codes outlast erasing: someone erased the others, and which misfire they "
            "are of is not sure"
        )
    return "no misfire left a code; that is so as well if codes were erased before it came in"


def _state(job: Job, run: ev.Ran, now: frozenset[int]) -> str:
    quiet = speaks_of(job, run) - now
    unread = set(job.engine.layout.cylinders) - quiet - now
    if is_too_early(job, run):
        return (
            "no misfire is confirmed, which says little after a first cycle: it takes a second "
            "one, unless the catalyst is in danger; read the pending codes too"
        )
    if not unread and not now:
        return "no cylinder misfired in this run"
    if not unread:
        return f"{_cylinders(now)} misfired, the others were quiet"
    said = f"{_cylinders(now)} misfired" if now else f"{_cylinders(quiet)} did not misfire"
    if names_none(job, run):
        return f"{said}; the code names no cylinder, so it speaks of the others"
    return f"{said}; nothing was read of {_cylinders(unread)}"


def _cylinders(numbers: Iterable[int]) -> str:
    names = [str(number) for number in sorted(numbers)]
    return f"cylinder{'s' if len(names) > 1 else ''} {listed(names)}"


def _moved(job: Job, finding: Finding, run: Told) -> list[tuple[str, Place, Place]]:
    """List the parts that were moved from a cylinder that misfired to one that did not.

    That is since the last finding in another arrangement; none where something was replaced since,
    for a quiet cylinder then has another reason.
    """
    told = ((f, f.event) for f in reversed(job.findings) if isinstance(f.event, ev.Coded))
    earlier = ((f, event) for f, event in told if f.time < finding.time)
    last = next((pair for pair in earlier if pair[0].fitted != finding.fitted), None)
    if last is None or set(last[0].fitted.values()) != set(finding.fitted.values()):
        return []
    before = misfiring(job, last[1]) or frozenset()
    known = speaks_of(job, last[1]) & speaks_of(job, run)
    was_at = {element: place for place, element in last[0].fitted.items()}
    moved = []
    for place, element in finding.fitted.items():
        origin, here = job.engine.places[was_at[element]], job.engine.places[place]
        is_known = {*origin.cylinders, *here.cylinders} <= known
        if is_known and before & {*origin.cylinders} and not before & {*here.cylinders}:
            moved.append((element, origin, here))
    return moved


def carried(job: Job) -> frozenset[str]:
    """Parts that a misfire went along with when they were moved, each alone to its cylinders.

    Of each the latest comparison counts; only those still fitted are told.
    """
    went: dict[str, bool] = {}
    for finding in job.findings:
        now = misfiring(job, finding.event) if isinstance(finding.event, ev.Coded) else None
        if not now or not isinstance(finding.event, ev.Coded):
            continue
        moved = _moved(job, finding, finding.event)
        for element, origin, here in moved:
            came, stayed = now & {*here.cylinders}, now & {*origin.cylinders}
            there = sum(bool({*other.cylinders} & {*here.cylinders}) for _, _, other in moved)
            went[element] = bool(came) and not stayed and there == 1
    return frozenset(element for element, did in went.items() if did) & set(job.fitted.values())


def _verdict(
    part: str, moved: tuple[str, str], *, came: bool, stayed: bool, elsewhere: bool
) -> str:
    origin, here = moved
    if came and not stayed:
        quiet = f"{origin} {_verb(origin, 'is', 'are')} quiet"
        now = f"{here} now {_verb(here, 'misfires', 'misfire')}"
        return f"{now} and {quiet}: the fault followed the {part}"
    still = f"{origin} still {_verb(origin, 'misfires', 'misfire')}"
    if stayed and not came:
        not_so = f"{here} {_verb(here, 'does', 'do')} not"
        return f"{still} and {not_so}: the fault did not follow the {part}"
    if came and stayed:
        too = f"{here} {_verb(here, 'does', 'do')} too"
        return f"{still} and {too}: more than one thing may be at fault"
    if elsewhere:
        return f"{here} {_verb(here, 'is', 'are')} quiet: the fault did not go with the {part}"
    return (
        f"neither {origin} nor {here} {_verb(here, 'misfires', 'misfire')}: moving the {part} may "
        "have cured a contact, or the fault did not show this time"
    )


def _verb(subject: str, singular: str, plural: str) -> str:
    return plural if subject.startswith("cylinders") else singular


class Begun(Struct, frozen=True):
    """How far a job has come."""

    is_unread: bool  # nothing stored or counted by control units was read since it came in
    is_blind: bool  # the engine was not even run yet, and no misfire was stored when it came in
    is_undriven: bool  # something was moved, reseated or replaced since the last run
    failed_in: tuple[str, ...]  # conditions of the latest run in which a misfire was read
    is_failing: bool  # the vehicle misfired in the latest run that says so or otherwise
    owed_in: tuple[str, ...] | None  # conditions of the drive that the last repair still owes
    owed_minutes: float  # of it that are still to be driven clean; 0 when none is owed
    lamp: bool  # a run since the last repair felt as if a cylinder missed all the time


def what_was_begun(job: Job) -> Begun:
    """Find what a job has begun and not finished."""
    events = [event for _, event in job.standing]
    repaired = max((n for n, e in enumerate(events) if isinstance(e, ev.Replaced)), default=0)
    before, after = _runs(job, until=repaired), _runs(job, since=repaired)
    stored = [f.event for f in job.findings if isinstance(f.event, ev.Scanned)]
    lately = [f.event for f in job.findings if f.time >= job.arrival[0]]
    failed = [run for run in (*before, *after) if has_misfired(job, run)]
    told = [_fails(job, finding.event) for finding in job.findings]
    failing = [fails for fails in told if fails is not None]
    owed_in, owed_minutes = _owed(job, before, after) if repaired else NOTHING_OWED
    at_work = max((n for n, e in enumerate(events) if e.is_work), default=0)
    return Begun(
        is_unread=not any(isinstance(e, ev.Coded) and (e.is_read or e.counts) for e in lately),
        is_blind=not before and not after and not any(has_misfired(job, one) for one in stored),
        is_undriven=at_work > 0 and not _runs(job, since=at_work),
        failed_in=failed[-1].conditions if failed else (),
        is_failing=bool(failing) and failing[-1],
        owed_in=owed_in,
        owed_minutes=owed_minutes,
        lamp=any(run.felt and job.pack.feelings[run.felt].hard for run in after),
    )


def _fails(job: Job, found: Event) -> bool | None:
    """Whether the vehicle misfired, as far as a finding says; None where it does not."""
    if isinstance(found, ev.Ran) and is_clean(job, found):
        return False
    if isinstance(found, ev.Ran | ev.Scanned):
        return has_misfired(job, found) or is_unseen(job, found) or None
    return isinstance(found, ev.Reopened) or None


def _runs(job: Job, since: int = 0, until: float = inf) -> list[ev.Ran]:
    """List the runs from one time of a job to another."""
    found = (f.event for f in job.findings if since <= f.time < until)
    return [event for event in found if isinstance(event, ev.Ran)]


def _owed(
    job: Job, before: list[ev.Ran], after: list[ev.Ran]
) -> tuple[tuple[str, ...] | None, float]:
    """Conditions in which it failed before the repair and was not proven since; minutes missing."""
    if any(has_misfired(job, run) for run in after):
        return NOTHING_OWED
    clean = [run for run in after if is_clean(job, run)]
    failed_in = [run.conditions for run in before if has_misfired(job, run)]
    for tags in reversed(failed_in or [()]):
        driven = sum(run.minutes for run in clean if set(tags) <= set(run.conditions))
        if driven < proving_minutes(job):
            return tags, proving_minutes(job) - driven
    return NOTHING_OWED
