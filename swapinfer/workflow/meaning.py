"""What an event means, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from swapinfer.ledger import events as ev
from swapinfer.ledger.followed import explain_run
from swapinfer.ledger.words import element_label, expected_range
from swapinfer.posterior import level_weights
from swapinfer.workflow.causes import Belief

NOTICEABLE = 0.005
"""Smallest change of a probability that is worth a sentence."""


def explain_events(before: Belief, after: Belief, events: Sequence[ev.Event]) -> list[str]:
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
            return [_reading_words(after, newest), *_shift(before, after)]
        case ev.Inspected():
            return _shift(before, after)
        case ev.Swapped() | ev.Returned() | ev.Reseated() | ev.Replaced():
            return []
        case ev.Opened() | ev.Closed() | ev.Reopened() | ev.Noted() | ev.Attached() | ev.Undone():
            return []
        case _:
            raise ev.unhandled(newest, "explained")


def _reading_words(after: Belief, event: ev.Measured) -> str:
    test = after.evidence.job.engine.tests[event.test]
    if not test.level:
        return f"a good one reads {expected_range(test)}"
    level = float(after.evidence.level_values @ level_weights(after.evidence.problem))
    return f"a good one reads {expected_range(test, level)} here"


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
