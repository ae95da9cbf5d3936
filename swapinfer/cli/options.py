"""Options that many commands share, and how facts reach the screen."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from swapinfer.textview.page import Page
    from swapinfer.workflow.facts import Facts
    from swapinfer.workflow.shop import Shop


def complete_ro(incomplete: str) -> list[str]:
    """Complete a repair order."""
    return _complete(incomplete, lambda shop: [row.ro for row in shop.store.jobs()])


def complete_place(incomplete: str) -> list[str]:
    """Complete the name of a place in the current job's engine."""
    return _complete(incomplete, lambda shop: shop.load().job.engine.places)


def complete_test(incomplete: str) -> list[str]:
    """Complete the name of a test that the current job's engine allows."""
    return _complete(incomplete, lambda shop: shop.load().job.engine.tests)


def complete_layout(incomplete: str) -> list[str]:
    """Complete the name of a layout."""
    return _complete(incomplete, lambda shop: shop.pack.layouts)


def _complete(incomplete: str, words: Callable[[Shop], Iterable[str]]) -> list[str]:
    from swapinfer.errors import SwapinferError
    from swapinfer.workflow.shop import Shop

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
Overlays = Annotated[
    list[Path] | None, typer.Option("--priors", help="Overlay on the base priors; may repeat.")
]


def page(*, is_full: bool = False) -> Page:
    """Where text is going: the terminal's width, and emphasis only where it is wanted."""
    from swapinfer.textview.page import Page

    columns = min(shutil.get_terminal_size((80, 24)).columns, 100)
    has_colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    return Page(max(columns, 40), has_colour, is_full)


def tell(facts: Facts, *, as_json: bool, is_full: bool = False) -> None:
    """Print facts as text, in full or at a glance, or as JSON."""
    if as_json:
        text = json.dumps(facts.to_json(), indent=2, ensure_ascii=False)
        typer.echo(text.encode(errors="backslashreplace").decode())
        return
    from swapinfer.textview import show

    say(show(facts, page(is_full=is_full)))


def say(text: str) -> None:
    """Print lines in which nothing but our own emphasis acts on the terminal."""
    from swapinfer.errors import printable
    from swapinfer.textview.page import EMPHASIS

    parts = enumerate(EMPHASIS.split(text))
    typer.echo("".join(part if i % 2 else printable(part, keep="\n") for i, part in parts))
