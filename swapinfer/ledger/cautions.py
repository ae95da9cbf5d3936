"""Cautions that belong to what was done in a job."""

from __future__ import annotations

from collections.abc import Iterator

from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job


def cautions_met(job: Job) -> frozenset[str]:
    """Ids of the cautions that some recorded work carries: whoever did it was shown them."""
    return frozenset(name for _, event in job.standing for name in cautions_of(job, event))


def cautions_of(job: Job, event: ev.Event) -> Iterator[str]:
    """Yield the ids of the cautions that an event's work carries, some of them repeatedly.

    What must come off for a repair depends on how the part had failed; that is not told here.
    """
    kinds, accesses = [], list[str]()
    if ev.is_a(event, ev.Ran):
        yield from job.pack.running.cautions
    if isinstance(event, (ev.Measured, ev.Inspected)):
        test = job.engine.tests[event.test]
        yield from test.cautions
        accesses.append(test.access)
    if isinstance(event, (ev.Replaced, ev.Reseated)):
        kinds.append(job.engine.kind_of(event.place))
    if isinstance(event, ev.Swapped):
        kinds += [job.engine.kind_of(first) for first, _ in event.swaps]
    if not isinstance(event, ev.Replaced):
        accesses += [kind.access for kind in kinds]
    for name in accesses:
        for opened in job.needs_open(name):
            yield from job.pack.access[opened].cautions
    for kind in kinds:
        yield from kind.cautions
