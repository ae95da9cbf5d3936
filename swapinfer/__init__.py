"""Exact reasoning for misfire diagnosis: what was moved, what it means, what is cheapest next."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from swapinfer.api import Job, belief
    from swapinfer.errors import SwapinferError
    from swapinfer.ledger.events import (
        Closed,
        Inspected,
        Measured,
        Opened,
        Ran,
        Replaced,
        Reseated,
        Returned,
        Swapped,
    )
    from swapinfer.pack import load_pack

_HOMES = {
    "Closed": "swapinfer.ledger.events",
    "Inspected": "swapinfer.ledger.events",
    "Job": "swapinfer.api",
    "Measured": "swapinfer.ledger.events",
    "Opened": "swapinfer.ledger.events",
    "Ran": "swapinfer.ledger.events",
    "Replaced": "swapinfer.ledger.events",
    "Reseated": "swapinfer.ledger.events",
    "Returned": "swapinfer.ledger.events",
    "Swapped": "swapinfer.ledger.events",
    "SwapinferError": "swapinfer.errors",
    "belief": "swapinfer.api",
    "load_pack": "swapinfer.pack",
}

__all__ = [
    "Closed",
    "Inspected",
    "Job",
    "Measured",
    "Opened",
    "Ran",
    "Replaced",
    "Reseated",
    "Returned",
    "SwapinferError",
    "Swapped",
    "__version__",
    "belief",
    "load_pack",
]


def __getattr__(name: str) -> object:
    """Import a public name when it is first used."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
