"""Commands that teach: words explained, tests listed."""

from __future__ import annotations

from typing import Annotated

import typer

from swapinfer.commands.options import Job, Json, Store, Who, complete_test
from swapinfer.commands.terminal import tell

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def _complete_term(incomplete: str) -> list[str]:
    from swapinfer.commands.glossary import all_entries
    from swapinfer.commands.shop import Shop
    from swapinfer.errors import SwapinferError

    try:
        with Shop() as shop:
            terms = {entry.term for entry in all_entries(shop.pack)}
    except SwapinferError:
        return []
    return sorted(term for term in terms if term.startswith(incomplete))


def explain(
    term: Annotated[
        str,
        typer.Argument(
            help="A word, code, test, mode or exit code.", autocompletion=_complete_term
        ),
    ],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Explain a word, a trouble code, a test, a way of failing, or an exit code."""
    from swapinfer.commands import glossary
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(glossary.explain(shop, term), as_json=as_json)


def engine_tests(
    test: Annotated[str, typer.Argument(help="One in full.", autocompletion=complete_test)] = "",
    weights: Annotated[
        bool, typer.Option("--weights", help="What each outcome is worth, of all or of one.")
    ] = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """List the tests of this engine, the least work first, or show one in full."""
    from swapinfer.commands.shop import Shop
    from swapinfer.commands.testlist import list_tests, show_test

    with Shop(store, who) as shop:
        if weights:
            from swapinfer.commands.weights import show_weights

            tell(show_weights(shop, test), as_json=as_json)
        else:
            tell(show_test(shop, test, job) if test else list_tests(shop, job), as_json=as_json)


COMMANDS = (
    ("explain", explain, "explain P0303"),
    ("tests", engine_tests, "tests compression"),
)
