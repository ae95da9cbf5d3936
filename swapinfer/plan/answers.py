"""Answers around the plan: why not this, what a limit costs, what comes after what."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import get_close_matches

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import InputError, near_match, one_word
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.plan.actions import suppose
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, PlannedStep, next_steps
from swapinfer.posterior import Posterior, infer

_NEAR = 3  # steps named where none comes near what was typed
_LEAST = 0.03  # outcomes less likely than this are not followed in a tree


class Difference(Struct, frozen=True):
    """One term of a comparison, in currency; `more` is what the step costs more than the best."""

    name: str
    step: float
    best: float

    @property
    def more(self) -> float:
        """Difference."""
        return self.step - self.best


class WhyNot(Struct, frozen=True):
    """A step beside the best one."""

    step: PlannedStep
    best: PlannedStep
    terms: tuple[Difference, ...]  # they add up to the totals


def why_not(plan: Plan, step_id: str) -> WhyNot:
    """Compare a step with the best one, term by term."""
    step = find_meant(plan, step_id)
    pairs = zip(_terms(step), _terms(plan.best), strict=True)
    terms = tuple(Difference(name, mine, best) for (name, mine), (_, best) in pairs)
    return WhyNot(step, plan.best, terms)


def find_meant(plan: Plan, typed: str) -> PlannedStep:
    """Find the step of a plan that a person means.

    By its id, by how one begins, or by words of its id or title, whole or begun, as in ``swap coil
    3``: then the one with the least work beside is meant, the best of equals.
    """
    word = one_word(typed)
    named = plan.find(word)
    if named:
        return named
    wanted = _words(typed)
    begins = [step for step in plan.steps if word and step.id.startswith(word)]
    fits = begins or [step for step in plan.steps if wanted and _has_words(step, wanted)]
    if fits:
        return min(fits, key=_beside)
    heads = list(dict.fromkeys(map(_head, plan.steps)))
    close = get_close_matches(word, heads, n=1, cutoff=0.6)
    known = near_match(word, close) if close else f"; first of all: {', '.join(heads[:_NEAR])}"
    raise InputError(f'no step "{typed}" was considered here{known}')


def _beside(step: PlannedStep) -> tuple[int, int]:
    """How much work a step is, and how many words say it, its drive left out."""
    work = step.title.partition("; drive ")[0]
    return len(step.action.handled) if step.action else 0, len(_words(work))


def _head(step: PlannedStep) -> str:
    if step.action is None or step.action.kind == "drive":
        return step.id
    return step.action.without_drive.id


def _words(text: str) -> list[str]:
    """Words and numbers of a text; ``coil3`` is two."""
    return re.findall(r"[a-z]+|\d+", text.lower())


def _has_words(step: PlannedStep, wanted: Sequence[str]) -> bool:
    has = {*_words(step.id), *_words(step.title)}
    return all(
        word in has if word.isdigit() else any(one.startswith(word) for one in has)
        for word in wanted
    )


def _terms(step: PlannedStep) -> list[tuple[str, float]]:
    return [
        ("labour", step.cost.labour),
        ("driving", step.cost.driving),
        ("parts", step.cost.parts),
        ("risk of handling", step.cost.risk),
        ("what follows", step.expected_total - step.cost.total),
    ]


def price_of_limits(evidence: Evidence, posterior: Posterior, settings: PlanSettings) -> float:
    """Say what missing tools and limits of time and money add to the expected cost."""
    free = replace(
        settings, missing_tools=frozenset(), minutes_left=None, money_left=None, avoided=frozenset()
    )
    limited, unlimited = (
        next_steps(evidence, posterior, each, detailed=0).least for each in (settings, free)
    )
    return limited - unlimited


class Branch(Struct, frozen=True):
    """An outcome and what follows."""

    outcome: str
    probability: float
    then: Node | None  # None at the chosen depth


class Node(Struct, frozen=True):
    """A step of the plan."""

    step: PlannedStep
    branches: tuple[Branch, ...]  # the likeliest outcome first

    def lines(self, indent: str = "") -> Iterator[str]:
        """Tell the tree, one line a step or outcome."""
        yield f"{indent}{self.step.title}"
        for branch in self.branches:
            yield f"{indent}  {branch.outcome} ({branch.probability:.0%}):"
            if branch.then is not None:
                yield from branch.then.lines(indent + "    ")


def plan_tree(
    evidence: Evidence, posterior: Posterior, settings: PlanSettings, depth: int = 2
) -> Node:
    """Plan the next steps and, after every likely outcome, anew from the job as it would stand."""
    step = next_steps(evidence, posterior, settings, detailed=1).best
    if step.action is None:
        return Node(step, ())
    branches = []
    for outcome in step.outcomes:
        if outcome.probability < _LEAST:
            continue
        then = None
        if depth > 1:
            after = gather_evidence(suppose(evidence.job, step.action, outcome.id))
            then = plan_tree(after, infer(after.arrays), settings, depth - 1)
        branches.append(Branch(outcome.title, outcome.probability, then))
    return Node(step, tuple(branches))
