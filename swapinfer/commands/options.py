"""Options that many commands share, and what completes them at the shell."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from swapinfer.commands.shop import Shop


def complete_ro(incomplete: str) -> list[str]:
    """Complete a repair order."""
    return complete(incomplete, lambda shop: [row.ro for row in shop.store.jobs()])


def complete_place(incomplete: str) -> list[str]:
    """Complete the name of a place in the current job's engine."""
    return complete(incomplete, lambda shop: shop.load().job.engine.places)


def complete_test(incomplete: str) -> list[str]:
    """Complete the name of a test that the current job's engine allows."""
    return complete(incomplete, lambda shop: shop.load().job.engine.tests)


def complete_layout(incomplete: str) -> list[str]:
    """Complete the name of a layout."""
    return complete(incomplete, lambda shop: shop.pack.layouts)


def complete(incomplete: str, words: Callable[[Shop], Iterable[str]]) -> list[str]:
    """Complete one of the words that a shop knows; none where it has none yet."""
    from swapinfer.commands.shop import Shop
    from swapinfer.errors import SwapinferError

    try:
        with Shop() as shop:
            return [word for word in words(shop) if word.startswith(incomplete)]
    except SwapinferError:
        return []


Json = Annotated[bool, typer.Option("--json", help="Print the same facts as JSON.")]
Job = Annotated[
    str,
    typer.Option(
        "--job", help="Repair order; default the current job.", autocompletion=complete_ro
    ),
]
WhatIf = Annotated[
    bool, typer.Option("--what-if", help="Only suppose it: say what it would mean, record nothing.")
]
Store = Annotated[
    str, typer.Option("--store", help="Where jobs are kept: a file or a PostgreSQL address.")
]
Who = Annotated[str, typer.Option("--who", help="Your name on the record.")]
LAST_SEED = 2**32 - 1
"""Largest that every random generator in use takes."""

Overlays = Annotated[
    list[Path] | None, typer.Option("--priors", help="Overlay on the base priors; may repeat.")
]


def shared_option(name: str, what: str = "") -> inspect.Parameter:
    """Return an option that many commands share, as a parameter.

    Parameters
    ----------
    name : str
        Of the parameter.
    what : str, optional
        What ``--full`` tells more.
    """
    annotation, default = {
        "context": (typer.Context, inspect.Parameter.empty),
        "what_if": (WhatIf, False),
        "full": (Annotated[bool, typer.Option("--full", help=what)], False),
        "ro": (Job, ""),
        "as_json": (Json, False),
        "store": (Store, ""),
        "who": (Who, ""),
    }[name]
    kind = inspect.Parameter.KEYWORD_ONLY
    return inspect.Parameter(name, kind, default=default, annotation=annotation)
