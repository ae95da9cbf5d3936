"""The job as it would stand if a step were taken and ended in one of its outcomes."""

from __future__ import annotations

from collections.abc import Iterator

from swapinfer.evidence.levels import expected_level
from swapinfer.evidence.profiles import band_median, chances_of
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, carry_on
from swapinfer.pack.engine import format_code
from swapinfer.pack.model import GOOD, Test
from swapinfer.plan.actions import ALL_GOOD, ELSEWHERE, QUIET, READ, Action
from swapinfer.plan.repair_policy import LOOK_MINUTES

_MISFIRE_CODE = 300
"""P0300 and the cylinder's number make its misfire code (SAE J2012)."""


def suppose(job: Job, action: Action, outcome: str) -> Job:
    """Carry a job on as if an action had been done with a given outcome.

    Parameters
    ----------
    job : Job
        As it stands.
    action : Action
        What is done.
    outcome : str
        Id of one of its outcomes.

    Returns
    -------
    Job
    """
    return carry_on(job, *work_events(action), *_found(job, action, outcome))


def work_events(action: Action) -> list[Event]:
    """Events of an action's work, before anything is found."""
    work: list[Event] = [ev.Swapped(action.swaps)] if action.swaps else []
    work += [ev.Replaced(place) for place in action.replaced]
    work += [ev.Reseated(place) for place in action.reseated]
    return work


def _found(job: Job, action: Action, outcome: str) -> Iterator[Event]:
    if action.test:
        test = job.engine.tests[action.test]
        for target in action.targets:
            yield _finding(job, test, target, _shown(test, action, target, outcome))
    else:
        number = "0" if outcome == ELSEWHERE else outcome.removeprefix("cylinder")
        codes = () if outcome == QUIET else (format_code(_MISFIRE_CODE + int(number)),)
        minutes = LOOK_MINUTES if codes else action.drive_minutes
        if action.kind == READ:
            yield ev.Scanned(codes, pending=codes)
        else:
            yield ev.Ran(minutes, action.conditions, codes, pending=codes)


def _shown(test: Test, action: Action, target: str, outcome: str) -> str:
    """Outcome that one target of a test shows."""
    normal = normal_outcome(test)
    if outcome == ALL_GOOD:
        return normal
    if outcome in action.targets:
        return _telling_outcome(test) if target == outcome else normal
    return outcome if target == action.targets[0] else normal


def normal_outcome(test: Test) -> str:
    """Likeliest outcome on a thing in order."""
    chances = chances_of(test, GOOD)
    return max(chances, key=lambda name: chances[name])


def _telling_outcome(test: Test) -> str:
    """Outcome that speaks loudest against a thing in order."""
    good = chances_of(test, GOOD)
    others = [chances_of(test, profile) for profile in test.profiles if profile != GOOD]
    return max(good, key=lambda name: sum(c[name] for c in others) / good[name])


def _finding(job: Job, test: Test, target: str, shown: str) -> Event:
    if test.form == "inspection":
        return ev.Inspected(test.id, target, shown)
    level = expected_level(test, job.opening)
    value = test.as_shown(band_median(test, shown), level)
    reference = 0.0 if test.reference else None
    return ev.Measured(test.id, target, value, reference=reference)
