"""Exact reasoning for misfire diagnosis: what was moved, what it means, what is cheapest next."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from swapinfer.api import JobCard, belief, next_steps
    from swapinfer.errors import SwapinferError
    from swapinfer.ledger.events import (
        Closed,
        Inspected,
        Measured,
        Noted,
        Opened,
        Ran,
        Replaced,
        Reseated,
        Returned,
        Swapped,
    )
    from swapinfer.pack.load import load_pack
    from swapinfer.pack.money import OwnMoney
    from swapinfer.plan.costing import PlanSettings
    from swapinfer.plan.next import PlannedStep
    from swapinfer.plan.sequence import Policy, decide, isolate

_HOMES = {
    "api": ("JobCard", "belief", "next_steps"),
    "errors": ("SwapinferError",),
    "ledger.events": (
        "Closed", "Inspected", "Measured", "Noted", "Opened", "Ran", "Replaced", "Reseated",
        "Returned", "Swapped",
    ),
    "pack.load": ("load_pack",),
    "pack.money": ("OwnMoney",),
    "plan.costing": ("PlanSettings",),
    "plan.next": ("PlannedStep",),
    "plan.sequence": ("Policy", "decide", "isolate"),
}  # fmt: skip
"""Public names by the modules that hold them."""

__all__ = [
    "Closed", "Inspected", "JobCard", "Measured", "Noted", "Opened", "OwnMoney", "PlanSettings",
    "PlannedStep", "Policy", "Ran", "Replaced", "Reseated", "Returned", "SwapinferError", "Swapped",
    "__version__", "belief", "decide", "isolate", "load_pack", "next_steps",
]  # fmt: skip


def __getattr__(name: str) -> object:
    """Import a public name when it is first used."""
    for home, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
