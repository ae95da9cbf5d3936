"""The application: every command by its verb."""

from __future__ import annotations

from typing import Annotated

import typer

from swapinfer import __version__
from swapinfer.cli import asking, filing, guide, pictures, priors, recording, settings, words

app = typer.Typer(
    name="swapinfer",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Keeps track of a misfire job: what was moved, what it means, what is cheapest next.",
    epilog="Start with: swapinfer open RO-1 --layout inline-4",
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"swapinfer {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Keep track of a misfire job: what was moved, what it means, what is cheapest next."""


guide.register(app)
recording.register(app)
asking.register(app)
pictures.register(app)
settings.register(app)
words.register(app)
filing.register(app)
priors.register(app)
