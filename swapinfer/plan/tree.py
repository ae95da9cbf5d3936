"""The plan as a tree: what to do, and after each outcome what to do then."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import PlannedStep, next_steps
from swapinfer.plan.what_if import suppose
from swapinfer.posterior import Posterior, infer

_LEAST = 0.03
"""Outcomes less likely than this are not followed."""


class Branch(Struct, frozen=True):
    """An outcome and what follows.

    Attributes
    ----------
    outcome : str
        In words.
    probability : float
        After the step above.
    then : Node or None
        None at the chosen depth.
    """

    outcome: str
    probability: float
    then: Node | None


class Node(Struct, frozen=True):
    """A step of the plan.

    Attributes
    ----------
    step : PlannedStep
        What to do here.
    branches : tuple of Branch
        The likeliest outcome first.
    """

    step: PlannedStep
    branches: tuple[Branch, ...]

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
    """Plan the next steps and, for every likely outcome, the steps after it.

    Every node is planned anew from the job as it would stand then.

    Parameters
    ----------
    evidence : Evidence
        All findings so far.
    posterior : Posterior
        What they lead to.
    settings : PlanSettings
        Shop's figures and wishes.
    depth : int, optional
        Steps along every branch, at least 1.

    Returns
    -------
    Node
    """
    step = next_steps(evidence, posterior, settings).best
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
