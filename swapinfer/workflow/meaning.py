"""What an event means, in sentences: whether the fault followed the part."""

from __future__ import annotations

from collections.abc import Iterable
from math import exp

from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Finding, Job
from swapinfer.ledger.words import element_label, where_words
from swapinfer.pack.codes import read_codes
from swapinfer.pack.model import Curve, Test
from swapinfer.workflow.causes import Belief

NOTICEABLE = 0.005
"""Smallest change of a probability that is worth a sentence."""


def misfiring(job: Job, run: ev.Ran) -> frozenset[int] | None:
    """Cylinders that misfired in a run, or None if it does not say.

    A counter says so when it stands well above the background.
    """
    if run.counts:
        floor = 4 * job.pack.running.leak_counts_per_min * run.minutes + 3
        return frozenset(cylinder for cylinder, count in run.counts.items() if count > floor)
    if run.codes is None:
        return frozenset() if run.felt == "smooth" else None
    reads = read_codes(job.pack, job.engine, run.codes)
    cylinders = frozenset(c for r in reads if r.role == "misfire" for c in r.cylinders)
    if not cylinders and any(r.role == "random" for r in reads):
        return None
    return cylinders


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
    if not isinstance(run, ev.Ran):
        return []
    now = misfiring(job, run)
    if now is None:
        return ["a misfire was noticed, but nothing says in which cylinder"]
    sentences = [_state(now)]
    earlier = _last_misfire_elsewhere(job, finding)
    if earlier is not None:
        sentences += _followed(job, earlier, finding, now)
    return sentences


def _state(now: frozenset[int]) -> str:
    if not now:
        return "no cylinder misfired in this run"
    return f"{_cylinders(now)} misfired, the others were quiet"


def _cylinders(numbers: Iterable[int]) -> str:
    listed = [str(number) for number in sorted(numbers)]
    if len(listed) == 1:
        return f"cylinder {listed[0]}"
    return f"cylinders {', '.join(listed[:-1])} and {listed[-1]}"


def _last_misfire_elsewhere(job: Job, finding: Finding) -> Finding | None:
    for other in reversed(job.findings):
        if other.time >= finding.time or not isinstance(other.event, ev.Ran):
            continue
        if other.fitted != finding.fitted:
            return other if misfiring(job, other.event) else None
    return None


def _followed(job: Job, earlier: Finding, finding: Finding, now: frozenset[int]) -> list[str]:
    if not isinstance(earlier.event, ev.Ran):
        return []
    before = misfiring(job, earlier.event) or frozenset()
    was_at = {element: place for place, element in earlier.fitted.items()}
    sentences = []
    for place, element in finding.fitted.items():
        if element not in was_at or was_at[element] == place:
            continue
        origin, here = job.engine.places[was_at[element]], job.engine.places[place]
        if not set(origin.cylinders) & before or set(here.cylinders) & before:
            continue
        came, stayed = set(here.cylinders) & now, set(origin.cylinders) & now
        sentences.append(
            _verdict(
                element_label(job, element),
                (where_words(origin), where_words(here)),
                came=bool(came),
                stayed=bool(stayed),
            )
        )
    return sentences


def _verdict(part: str, moved: tuple[str, str], *, came: bool, stayed: bool) -> str:
    origin, here = moved
    if came and not stayed:
        return f"{here} now misfires and {origin} is quiet: the fault followed the {part}"
    if stayed and not came:
        return f"{origin} still misfires and {here} does not: the fault did not follow the {part}"
    if came and stayed:
        return f"{origin} still misfires and {here} does too: more than one thing may be at fault"
    return (
        f"neither {origin} nor {here} misfires: moving the {part} may have cured a contact, "
        "or the fault did not show this time"
    )


def explain_finding(before: Belief, after: Belief, event: ev.Event) -> list[str]:
    """Say what an event means: for a run, what followed what; for a test, how it reads.

    Parameters
    ----------
    before, after : Belief
        Beliefs without and with the event.
    event : Event
        Newest event.

    Returns
    -------
    list of str
        Sentences; empty for events that find nothing.
    """
    job = after.evidence.job
    if isinstance(event, ev.Ran) and job.findings:
        return explain_run(job, job.findings[-1])
    if isinstance(event, ev.Measured):
        return [_reading_words(after, event), *_shift(before, after)]
    if isinstance(event, ev.Inspected):
        return _shift(before, after)
    return []


def _reading_words(after: Belief, event: ev.Measured) -> str:
    test = after.evidence.job.engine.tests[event.test]
    values_q, weight_q = after.evidence.level_values, after.evidence.problem.level_q
    level = float(values_q @ weight_q) if test.level else 1.0
    return f"a good one reads {expected_range(test, level)}"


def _shift(before: Belief, after: Belief) -> list[str]:
    """Name the element whose probability moved most."""
    old = dict(zip(before.evidence.problem.elements, before.posterior.fault_e, strict=True))
    moved = [
        (new - old.get(name, 0.0), name)
        for name, new in zip(after.evidence.problem.elements, after.posterior.fault_e, strict=True)
    ]
    change, name = max(moved, key=lambda pair: abs(pair[0]))
    if abs(change) < NOTICEABLE:
        return ["this changes little"]
    label = element_label(after.evidence.job, name)
    return [f"this speaks {'for' if change > 0 else 'against'} the {label}"]


def expected_range(test: Test, level: float = 1.0) -> str:
    """Range that nine in ten good readings fall into, as text; empty for inspections."""
    curve = test.profiles["good"]
    if not isinstance(curve, Curve):
        return ""
    _, centre, sd = max(curve.lobes)
    if test.scale == "log":
        low, high = centre * exp(-1.645 * sd), centre * exp(1.645 * sd)
    else:
        low, high = centre - 1.645 * sd, centre + 1.645 * sd
    return f"{low * level:.3g} to {high * level:.3g} {test.unit}"
