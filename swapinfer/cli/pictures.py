"""Commands that show a job at a glance."""

from __future__ import annotations

import typer

from swapinfer.commands.options import Job, Json, Store, Who
from swapinfer.commands.terminal import tell

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def picture(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Draw the engine with the suspicion on each cylinder."""
    from swapinfer.commands.pictures import show_picture
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_picture(shop, job), as_json=as_json)


def history(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Show how belief moved, event by event."""
    from swapinfer.commands.pictures import show_history
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_history(shop, job), as_json=as_json)


COMMANDS = (("picture", picture, "picture"), ("history", history, "history"))
