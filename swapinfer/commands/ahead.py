"""What lies ahead: the plan unfolded, and how long a drive must stay clean."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar

import typer

from swapinfer.commands.app import command
from swapinfer.commands.causes import believe, plan_settings
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.typed import decimal
from swapinfer.plan.answers import Node, plan_tree
from swapinfer.plan.verifying import VERIFIED_RISK, prove

HALF = 0.5
"""Above this risk a drive is no verification."""


class CleanDriveView(Facts, frozen=True):
    """How long a drive must stay clean before the vehicle may be called repaired.

    Attributes
    ----------
    minutes : float
        Needed; "OL" in JSON when no drive is long enough.
    conditions : tuple of str
        Under which it failed, or else under which what is suspected shows best.
    risk_now, risk_after : float
        That a misfire is still to come.
    """

    shape: ClassVar[str] = "clean-drive/1"

    ro: str
    minutes: float
    conditions: tuple[str, ...]
    risk_now: float
    risk_after: float
    wanted: float


class PlanTreeView(Facts, frozen=True):
    """The plan unfolded: steps, and after each outcome what to do then."""

    shape: ClassVar[str] = "plan/1"

    ro: str
    lines: tuple[str, ...]
    tree: dict[str, object]


@command("clean", "clean --risk 0.02")
def show_clean_drive(
    shop: Shop,
    risk: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Risk that may remain.")
    ] = VERIFIED_RISK,
    ro: str = "",
) -> CleanDriveView:
    """Say how long a drive must stay clean before the vehicle may be called repaired."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    proof = prove(belief.evidence, belief.posterior, risk=risk)
    asked = proof.asked
    return CleanDriveView(
        loaded.ro, proof.missing, asked.conditions, asked.risk_now, asked.risk_after, risk
    )


@command("plan", "plan --depth 2")
def show_plan_tree(
    shop: Shop,
    depth: Annotated[int, typer.Option(min=1, max=4, help="Steps along every branch.")] = 2,
    ro: str = "",
) -> PlanTreeView:
    """Unfold the plan to a depth."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    node = plan_tree(belief.evidence, belief.posterior, plan_settings(shop, loaded.job), depth)
    return PlanTreeView(loaded.ro, tuple(node.lines()), _tree(node))


def _tree(node: Node) -> dict[str, object]:
    return {
        "step": node.step.id,
        "title": node.step.title,
        "expected_total": node.step.expected_total,
        "branches": [
            {
                "outcome": branch.outcome,
                "probability": branch.probability,
                "then": _tree(branch.then) if branch.then else None,
            }
            for branch in node.branches
        ],
    }


@show.register
def _(facts: CleanDriveView, page: Page) -> str:
    when = f" ({', '.join(facts.conditions)})" if facts.conditions else ""
    risks = f"now {percent(facts.risk_now)}"
    if math.isinf(facts.minutes):
        text = f"no drive is long enough{when} for a risk of {percent(facts.wanted)}; {risks}"
    elif facts.risk_now > HALF:
        text = f"something is still wrong ({risks} that a misfire is still to come): repair first"
    elif facts.minutes == 0:
        text = f"it may be called repaired: the risk is {risks}"
    else:
        text = (
            f"drive {math.ceil(facts.minutes)} min{when}; if it stays clean, the risk that a "
            f"misfire is still to come falls to {percent(facts.risk_after)} ({risks})"
        )
    return "\n".join(page.wrap(f"{facts.ro}: {text}"))


@show.register
def _(facts: PlanTreeView, page: Page) -> str:
    lines = [facts.ro]
    for line in facts.lines:
        indent = len(line) - len(line.lstrip())
        lines += page.wrap(line.strip(), indent=indent)
    return "\n".join(lines)
