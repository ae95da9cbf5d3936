"""What runs say by themselves: which cylinders misfired, and whether a repair held."""

from __future__ import annotations

from collections.abc import Sequence

from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack.codes import read_codes

REPAIRS = (ev.Replaced, ev.Reseated)
"""Events that put something right on purpose."""


def misfiring(job: Job, run: ev.Ran) -> frozenset[int] | None:
    """Cylinders that misfired in a run, or None if it does not say.

    A counter says so when it stands well above the background; codes stand for the cylinders
    that were not counted.
    """
    misfired = _counted(job, run) | (_named(job, run) - run.counts.keys())
    return misfired if misfired or speaks_of(job, run) else None


def speaks_of(job: Job, run: ev.Ran) -> frozenset[int]:
    """Cylinders of which a run says whether they misfired."""
    says_all = not names_none(job, run)
    if run.codes is None:
        says_all = run.felt == "smooth" and not run.counts
    return frozenset(job.engine.layout.cylinders if says_all else run.counts)


def names_none(job: Job, run: ev.Ran) -> bool:
    """Whether a misfire was stored, and no cylinder of one."""
    reads = read_codes(job.pack, job.engine, run.codes or ())
    return any(read.role == "random" for read in reads) and not _named(job, run)


def has_misfired(job: Job, run: ev.Ran) -> bool:
    """Whether codes or counters of a run show a misfire, in a known cylinder or not."""
    return bool(_counted(job, run) or _named(job, run)) or names_none(job, run)


def is_clean(job: Job, run: ev.Ran) -> bool:
    """Whether codes, or counters of all cylinders, were read after a run and show no misfire."""
    is_read = run.codes is not None or run.counts.keys() >= set(job.engine.layout.cylinders)
    return is_read and not has_misfired(job, run)


def _counted(job: Job, run: ev.Ran) -> frozenset[int]:
    floor = 4 * job.pack.running.leak_counts_per_min * run.minutes + 3
    return frozenset(cylinder for cylinder, count in run.counts.items() if count > floor)


def _named(job: Job, run: ev.Ran) -> frozenset[int]:
    reads = read_codes(job.pack, job.engine, run.codes or ())
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
        if ev.is_a(event, ev.Reopened):
            repaired = cured = None
        elif ev.is_a(event, REPAIRS):
            repaired = seq
        elif ev.is_a(event, ev.Swapped) and time in handled:
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
