"""What to do next."""

from __future__ import annotations

from swapinfer.workflow.causes import Belief
from swapinfer.workflow.facts import StepLine
from swapinfer.workflow.shop import Shop


def first_step(shop: Shop, belief: Belief) -> StepLine | None:
    """Cheapest next step in one line."""
    return None
