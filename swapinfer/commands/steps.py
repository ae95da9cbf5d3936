"""A step in words and figures: what it tells, takes and costs, and what records it once done."""

from __future__ import annotations

import math
from collections.abc import Iterator

from msgspec import Struct

from swapinfer.commands.causes import Belief, list_causes
from swapinfer.commands.page import Page, money, percent, same_fields
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.pack.model import Costs, Test
from swapinfer.plan import answers
from swapinfer.plan.actions import READ, Action
from swapinfer.plan.next import Plan, PlannedStep
from swapinfer.plan.priority import HAND_OVER
from swapinfer.plan.reason import Reason
from swapinfer.plan.verifying import missing_words, prove

SAME = 1e-9
"""Differences below this are rounding."""

FOUND = "..."
"""Stands in a command for what was found."""

OUTCOMES_LENGTH = 32
"""Letters for the outcomes of an inspection; what they leave out is in: swapinfer tests TEST."""

TARGETS = 4
"""Readings to a command: more would not fit on a line."""


class OutcomeFacts(Struct, frozen=True):
    """An outcome of a step: what it would mean and what would be done then."""

    id: str
    title: str
    probability: float
    leading: str
    leading_probability: float
    then: str


class CautionFacts(Struct, frozen=True):
    """A caution: its short name, its text, and whether work in this job carried it before."""

    id: str
    name: str
    text: str
    is_known: bool


class TellingFacts(Struct, frozen=True):
    """What an outcome says about what was wrong before the step.

    It points to what it makes clearly likelier, clears what it makes less likely, each with how
    likely it is then.
    """

    outcome: str
    probability: float
    points_to: dict[str, float]
    clears: dict[str, float]


class StepFacts(Struct, frozen=True):
    """A ranked step.

    Its reason rests on `tellings`, the likeliest outcome first; `change` is what would change the
    advice, and `turn` the probability of the leading cause below which another step would come
    first. Commands have "..." in the place of what was found. Minutes and money are the step's own,
    `expected_total` counts until the vehicle is verified, `gain` is saved over going on without it.
    What `is_barred` may not come first: something begun is to be driven before.
    """

    id: str
    title: str
    reason: str
    change: str
    tellings: tuple[TellingFacts, ...]
    turn: float | None
    commands: tuple[str, ...]
    minutes: float
    drive_minutes: float
    money: float
    expected_total: float
    gain: float
    bits: float
    tools: tuple[str, ...]
    cautions: tuple[CautionFacts, ...]
    opens: tuple[str, ...]
    how: tuple[str, ...]
    outcomes: tuple[OutcomeFacts, ...]
    is_barred: bool


class MineFacts(Struct, frozen=True):
    """The technician's own step: what it costs more in all than the best one, and that as a share.

    It `is_told_apart` where that is more than the plan can resolve.
    """

    id: str
    title: str
    more: float
    share: float
    is_told_apart: bool


def describe_step(belief: Belief, step: PlannedStep, reason: Reason) -> StepFacts:
    """Put a step in words and figures."""
    job, pack = belief.evidence.job, belief.evidence.job.pack
    known, action = job.cautions_met(), step.action
    test = job.engine.tests[action.test] if action and action.test else None
    commands, unproven = (commands_of(job, action), "") if action else _closing(belief, step)
    own = {
        "reason": reason.sentence,
        "change": reason.change + unproven,
        "tellings": tuple(
            TellingFacts(
                one.outcome,
                one.chance,
                {suspect.element: suspect.probability for suspect in one.points_to},
                {suspect.element: suspect.probability for suspect in one.clears},
            )
            for one in reason.tellings
        ),
        "turn": reason.turn.probability if reason.turn else None,
        "commands": commands,
        "tools": tuple(pack.tools[tool] for tool in step.tools),
        "cautions": tuple(
            CautionFacts(name, pack.cautions[name].name, pack.cautions[name].text, name in known)
            for name in step.cautions
        ),
        "opens": tuple(pack.access[access].title for access in step.opens),
        "how": (*(f"first: {item}" for item in test.before), *test.steps) if test else (),
        "outcomes": tuple(
            OutcomeFacts(
                o.id,
                o.title,
                o.probability,
                element_label(job, o.suspects[0].element),
                o.suspects[0].probability,
                o.then,
            )
            for o in step.outcomes
        ),
    }
    return StepFacts(**same_fields(StepFacts, step) | own)


def _closing(belief: Belief, step: PlannedStep) -> tuple[tuple[str, ...], str]:
    """Command that ends the job, and what is missing for it to end verified."""
    causes = list_causes(belief)
    if step.id != HAND_OVER or not causes or causes[0].place:
        return ("swapinfer close",), ""
    proof = prove(belief.evidence, belief.posterior, [causes[0].element])
    missing = missing_words(proof) if math.isfinite(proof.missing) else ""
    verified = " --verified" if proof.holds else ""
    return (
        (f"swapinfer close --cause {causes[0].element}{verified}",),
        f"; to close it as verified, {missing}" if missing else "",
    )


def commands_of(job: Job, action: Action) -> tuple[str, ...]:
    """Commands that record an action, in order, `FOUND` in the place of what was found."""
    return tuple(f"swapinfer {line}" for line in _lines(job, action))


def _lines(job: Job, action: Action) -> Iterator[str]:
    if action.test:
        yield from _test(job.engine.tests[action.test], action.targets)
    elif action.kind == "put-back":
        yield "back"
    elif action.swaps:
        yield f"swap {' '.join(_swap(job, *pair) for pair in action.swaps)}"
    if action.kind == READ:
        yield f"codes {FOUND} --pending {FOUND}"
    yield from (f"reseat {place}" for place in action.reseated)
    yield from (f"replace {place}" for place in action.replaced)
    if action.drive_minutes:
        when = f" --when {','.join(action.conditions)}" if action.conditions else ""
        yield f"drive {action.drive_minutes:g}{when} --codes {FOUND}"


def _swap(job: Job, first: str, second: str) -> str:
    """Write ``coil 3-1``; places that share cylinders are written out."""
    kind = job.engine.kind_of(first).id
    a, b = _short(kind, first), _short(kind, second)
    return f"{kind} {a}-{b}" if a != first and b != second else f"{first} {second}"


def _short(kind: str, name: str) -> str:
    """Shortest name that is understood where it is known of what kind it is."""
    number = name.removeprefix(kind)
    return number if number.isdecimal() else name


def _test(test: Test, targets: tuple[str, ...]) -> Iterator[str]:
    names = [_short(test.target, target) for target in targets]
    if test.form == "reading":
        against = f" --against {FOUND}{test.unit}" if test.reference else ""
        for at in range(0, len(names), TARGETS):
            values = " ".join(f"{name}={FOUND}{test.unit}" for name in names[at : at + TARGETS])
            yield f"read {test.id} {values}{against}"
        return
    seen = "|".join(test.outcomes)
    if len(seen) > OUTCOMES_LENGTH:
        seen = f"{seen[: seen.rindex('|', 0, OUTCOMES_LENGTH)]}|{FOUND}"
    yield from (f"inspect {test.id} {name} {seen}" for name in names)


def price_mine(plan: Plan, typed: str, costs: Costs) -> MineFacts:
    """Find the step that a technician means and set its price beside the best one's."""
    step = answers.find_meant(plan, typed)
    more = step.expected_total - plan.best.expected_total
    share = more / plan.best.expected_total if plan.best.expected_total > 0.0 else 0.0
    return MineFacts(step.id, step.title, more, share, share > costs.resolution)


def mine_line(mine: MineFacts, currency: str, page: Page) -> list[str]:
    """Set the technician's own step beside the advice."""
    more = f"{money(abs(mine.more), currency)} ({percent(abs(mine.share))})"
    if abs(mine.more) < SAME:
        words = "no dearer than what is advised"
    elif mine.more < 0.0:
        words = f"{more} less in all than what is advised: do as you like"
    elif mine.is_told_apart:
        words = f"{more} more in all than what is advised: worth an argument"
    else:
        words = f"{more} more in all: less than the plan can tell apart, do as you like"
    return page.wrap(f"yours: {mine.title}: {words}", hang=7)


def caution_lines(cautions: tuple[CautionFacts, ...], page: Page) -> tuple[list[str], list[str]]:
    """Cautions in full that are new to the job, and on one line the names of the others."""
    known = [c.name for c in cautions if c.is_known and not page.is_full]
    told = [c.text for c in cautions if c.name not in known]
    new = [line for text in told for line in page.wrap(f"CAUTION: {text}", indent=2)]
    return new, page.listed("CAUTION as before", known, indent=2)
