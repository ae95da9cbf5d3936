"""Commands that record a step once it is done, as they are typed."""

from __future__ import annotations

from collections.abc import Iterator

from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Test
from swapinfer.plan.actions import Action

FOUND = "..."
"""Stands in a command for what was found."""

OUTCOMES_LENGTH = 32
"""Letters for the outcomes of an inspection; what they leave out is in: swapinfer tests TEST."""

TARGETS = 4
"""Readings to a command: more would not fit on a line."""


def closing_command(cause: str, *, is_proven: bool) -> str:
    """Command that ends a job.

    Parameters
    ----------
    cause : str
        Element that was put right; empty when none was.
    is_proven : bool
        Whether a drive has shown so.
    """
    named = f" --cause {cause}" if cause else ""
    return f"swapinfer close{named}{' --verified' if cause and is_proven else ''}"


def commands_of(job: Job, action: Action) -> tuple[str, ...]:
    """Commands that record an action.

    Parameters
    ----------
    job : Job
        As it stands before the action.
    action : Action
        What is done.

    Returns
    -------
    tuple of str
        In the order in which they are typed, `FOUND` in the place of what was found.
    """
    return tuple(f"swapinfer {line}" for line in _lines(job, action))


def _lines(job: Job, action: Action) -> Iterator[str]:
    if action.test:
        yield from _test(job.engine.tests[action.test], action.targets)
    elif action.kind == "put-back":
        yield "back"
    elif action.swaps:
        yield f"swap {' '.join(_swap(job, *pair) for pair in action.swaps)}"
    for place in action.reseated:
        yield f"reseat {place}"
    for place in action.replaced:
        yield f"replace {place}"
    if action.drive_minutes:
        when = f" --when {','.join(action.conditions)}" if action.conditions else ""
        yield f"drive {action.drive_minutes:g}{when} --codes {FOUND}"


def _swap(job: Job, first: str, second: str) -> str:
    """Write ``coil 3-1``; places that share cylinders are written out."""
    kind = job.engine.kind_of(first).id
    a, b = first.removeprefix(kind), second.removeprefix(kind)
    return f"{kind} {a}-{b}" if a.isdecimal() and b.isdecimal() else f"{first} {second}"


def _test(test: Test, targets: tuple[str, ...]) -> Iterator[str]:
    names = [_target(test, target) for target in targets]
    if test.form == "reading":
        against = f" --against {FOUND}{test.unit}" if test.reference else ""
        for at in range(0, len(names), TARGETS):
            values = " ".join(f"{name}={FOUND}{test.unit}" for name in names[at : at + TARGETS])
            yield f"read {test.id} {values}{against}"
        return
    seen = "|".join(test.outcomes)
    if len(seen) > OUTCOMES_LENGTH:
        seen = f"{seen[: seen.rindex('|', 0, OUTCOMES_LENGTH)]}|{FOUND}"
    for name in names:
        yield f"inspect {test.id} {name} {seen}"


def _target(test: Test, target: str) -> str:
    """Shortest name that is understood: a number says which of the test's targets."""
    number = target.removeprefix(test.target)
    return number if number.isdecimal() else target
