"""Options that many commands share, and what completes them at the shell."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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


Overlays = Annotated[
    list[Path] | None, typer.Option("--priors", help="Overlay on the base priors; may repeat.")
]

LAST_SEED = 2**32 - 1
"""Largest that every random generator in use takes."""

SHARED: Mapping[str, tuple[bool | str, Any]] = {
    "what_if": (
        False,
        typer.Option("--what-if", help="Only suppose it: say what it would mean, record nothing."),
    ),
    "full": (False, typer.Option("--full", help="Outcomes, other steps, forecast.")),
    "ro": (
        "",
        typer.Option(
            "--job", help="Repair order; default the current job.", autocompletion=complete_ro
        ),
    ),
    "as_json": (False, typer.Option("--json", help="Print the same facts as JSON.")),
    "store": (
        "",
        typer.Option("--store", help="Where jobs are kept: a file or a PostgreSQL address."),
    ),
    "who": ("", typer.Option("--who", help="Your name on the record.")),
}
"""Options that many commands share, in this order, with their defaults."""


def shared_option(name: str) -> inspect.Parameter:
    """Return a shared option as a parameter of a command."""
    default, option = SHARED[name]
    return inspect.Parameter(
        name,
        inspect.Parameter.KEYWORD_ONLY,
        default=default,
        annotation=Annotated[type(default), option],
    )
