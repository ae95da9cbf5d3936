"""Exact reasoning for misfire diagnosis: what was moved, what it means, what is cheapest next."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from swapinfer.api import Job, belief, next_steps
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
    "Closed": "swapinfer.ledger.events",
    "Inspected": "swapinfer.ledger.events",
    "Job": "swapinfer.api",
    "Measured": "swapinfer.ledger.events",
    "Noted": "swapinfer.ledger.events",
    "Opened": "swapinfer.ledger.events",
    "OwnMoney": "swapinfer.pack.money",
    "PlanSettings": "swapinfer.plan.costing",
    "PlannedStep": "swapinfer.plan.next",
    "Policy": "swapinfer.plan.sequence",
    "Ran": "swapinfer.ledger.events",
    "Replaced": "swapinfer.ledger.events",
    "Reseated": "swapinfer.ledger.events",
    "Returned": "swapinfer.ledger.events",
    "SwapinferError": "swapinfer.errors",
    "Swapped": "swapinfer.ledger.events",
    "belief": "swapinfer.api",
    "decide": "swapinfer.plan.sequence",
    "isolate": "swapinfer.plan.sequence",
    "load_pack": "swapinfer.pack.load",
    "next_steps": "swapinfer.api",
}

__all__ = [
    "Closed",
    "Inspected",
    "Job",
    "Measured",
    "Noted",
    "Opened",
    "OwnMoney",
    "PlanSettings",
    "PlannedStep",
    "Policy",
    "Ran",
    "Replaced",
    "Reseated",
    "Returned",
    "SwapinferError",
    "Swapped",
    "__version__",
    "belief",
    "decide",
    "isolate",
    "load_pack",
    "next_steps",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
