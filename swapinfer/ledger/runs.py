"""What runs say: what misfired, whether a fault followed or a repair held, what they still owe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from math import inf
from typing import TYPE_CHECKING, TypeAlias

from msgspec import Struct

from swapinfer.layout import Place
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.words import element_label, where_words
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
    that were not counted.
    """
    misfired = _counted(job, run) | (_named(job, run) - run.counts.keys())
    return misfired if misfired or speaks_of(job, run) else None


def speaks_of(job: Job, run: Told) -> frozenset[int]:
    """Cylinders of which a run says whether they misfired."""
    says_all = not names_none(job, run) and not is_unseen(job, run)
    if not run.is_read:
        says_all = run.felt == "smooth" and not run.counts
    return frozenset(job.engine.layout.cylinders if says_all else run.counts)


def names_none(job: Job, run: Told) -> bool:
    """Whether a misfire was stored, and no cylinder of one."""
    reads = read_codes(job.engine, run.present)
    return any(read.role == "random" for read in reads) and not _named(job, run)


def has_misfired(job: Job, run: Told) -> bool:
    """Whether codes or counters of a run show a misfire, in a known cylinder or not."""
    return bool(_counted(job, run) or _named(job, run)) or names_none(job, run)


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


def _counted(job: Job, run: Told) -> frozenset[int]:
    if isinstance(run, ev.Scanned):
        return frozenset()
    floor = 4 * job.pack.running.leak_counts_per_min * run.minutes + 3
    return frozenset(cylinder for cylinder, count in run.counts.items() if count > floor)


def _named(job: Job, run: Told) -> frozenset[int]:
    reads = read_codes(job.engine, run.present)
    return frozenset(c for read in reads if read.role == "misfire" for c in read.cylinders)


def last_repair(job: Job, causes: Sequence[str] = (), until: int | None = None) -> int | None:
    """Position of the last event that put something right since the vehicle last came in.

    Parameters
    ----------
    job : Job
        As it stands.
    causes : sequence of str, optional
        Elements found at fault. Where nothing was replaced or reseated on purpose, handling one
        of them in a swap counts: that may have cured a contact.
    until : int, optional
        Only events before this position are looked at.

    Returns
    -------
    int or None
        None if there is none.
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
    runs = [f.event for f in job.findings if isinstance(f.event, ev.Ran)]
    return [run for run in runs if has_misfired(job, run)]


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
    """Say what a run means beside the last one in another arrangement.

    Parameters
    ----------
    job : Job
        After the run.
    finding : Finding
        The run.

    Returns
    -------
    list of str
        Sentences.
    """
    run = finding.event
    if isinstance(run, ev.Scanned):
        return [_arrived(job, run)]
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
    sentences = [_state(job, run, now)]
    earlier = _last_misfire_elsewhere(job, finding)
    if earlier is not None:
        sentences += _followed(job, earlier, finding, now)
    return sentences


def _arrived(job: Job, scanned: ev.Scanned) -> str:
    """Say what that means which was stored when the vehicle came in."""
    if now := misfiring(job, scanned):
        return f"{_cylinders(now)} misfired before the vehicle came in, no other left a code"
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
    listed = [str(number) for number in sorted(numbers)]
    if len(listed) == 1:
        return f"cylinder {listed[0]}"
    return f"cylinders {', '.join(listed[:-1])} and {listed[-1]}"


def _last_misfire_elsewhere(job: Job, finding: Finding) -> Finding | None:
    for other in reversed(job.findings):
        if other.time >= finding.time or not isinstance(other.event, ev.Coded):
            continue
        if set(other.fitted.values()) != set(finding.fitted.values()):
            return None  # something was replaced: a quiet cylinder then has another reason
        if other.fitted != finding.fitted:
            return other if misfiring(job, other.event) else None
    return None


def _followed(job: Job, earlier: Finding, finding: Finding, now: frozenset[int]) -> list[str]:
    if not isinstance(earlier.event, ev.Coded):
        return []
    moved = list(_moved_away(job, earlier, finding, misfiring(job, earlier.event) or frozenset()))
    explained = {origin for _, origin, here in moved if set(here.cylinders) & now}
    return [
        _verdict(
            element_label(job, element),
            (where_words(origin), where_words(here)),
            came=bool(set(here.cylinders) & now),
            stayed=bool(set(origin.cylinders) & now),
            elsewhere=any(set(origin.cylinders) & set(other.cylinders) for other in explained),
        )
        for element, origin, here in moved
    ]


def _moved_away(
    job: Job, earlier: Finding, finding: Finding, before: AbstractSet[int]
) -> Iterator[tuple[str, Place, Place]]:
    """Parts that were moved from a cylinder that misfired to one that did not."""
    was_at = {element: place for place, element in earlier.fitted.items()}
    known = _known(job, earlier) & _known(job, finding)
    for place, element in finding.fitted.items():
        if was_at.get(element, place) != place:
            origin, here = job.engine.places[was_at[element]], job.engine.places[place]
            if not {*origin.cylinders, *here.cylinders} <= known:
                continue
            if set(origin.cylinders) & before and not set(here.cylinders) & before:
                yield element, origin, here


def _known(job: Job, finding: Finding) -> frozenset[int]:
    return speaks_of(job, finding.event) if isinstance(finding.event, ev.Coded) else frozenset()


def carried(job: Job) -> frozenset[str]:
    """Parts that a misfire went along with when they were moved, each alone to its cylinders.

    Parameters
    ----------
    job : Job
        As it stands.

    Returns
    -------
    frozenset of str
        Elements that are still fitted; of each the latest comparison counts.
    """
    went: dict[str, bool] = {}
    for finding in job.findings:
        now = misfiring(job, finding.event) if isinstance(finding.event, ev.Coded) else None
        earlier = _last_misfire_elsewhere(job, finding) if now else None
        if not now or earlier is None or not isinstance(earlier.event, ev.Coded):
            continue
        moved = list(_moved_away(job, earlier, finding, misfiring(job, earlier.event) or set()))
        for element, origin, here in moved:
            rivals = [
                o for e, _, o in moved if e != element and set(o.cylinders) & set(here.cylinders)
            ]
            came, stayed = set(here.cylinders) & now, set(origin.cylinders) & now
            went[element] = bool(came) and not stayed and not rivals
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
    """How far a job has come.

    Attributes
    ----------
    is_unread : bool
        Whether nothing that control units have stored or counted was read since it came in.
    is_blind : bool
        Whether the engine was not even run yet, and no misfire was stored when it came in.
    is_undriven : bool
        Whether something was moved, reseated or replaced since the last run.
    failed_in : tuple of str
        Conditions of the latest run in which a misfire was read.
    is_failing : bool
        Whether the vehicle misfired in the latest run that says so or otherwise.
    owed_in : tuple of str or None
        Conditions of the drive that the last repair still owes; None when it owes none.
    owed_minutes : float
        Minutes of it that are still to be driven clean; 0 when none is owed.
    lamp : bool
        Whether a run since the last repair felt as if a cylinder missed all the time.
    """

    is_unread: bool
    is_blind: bool
    is_undriven: bool
    failed_in: tuple[str, ...]
    is_failing: bool
    owed_in: tuple[str, ...] | None
    owed_minutes: float
    lamp: bool


def what_was_begun(job: Job) -> Begun:
    """Find what a job has begun and not finished.

    Parameters
    ----------
    job : Job
        As it stands.

    Returns
    -------
    Begun
    """
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
