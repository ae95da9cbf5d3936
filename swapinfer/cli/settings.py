"""Commands about the shop's settings."""

from __future__ import annotations

from typing import Annotated

import typer

from swapinfer.commands.options import Json
from swapinfer.commands.terminal import converse, tell
from swapinfer.errors import InputError

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def _complete_setting(incomplete: str) -> list[str]:
    from msgspec.structs import fields

    from swapinfer.commands.settings import Settings

    return [f"{f.name}=" for f in fields(Settings) if f.name.startswith(incomplete)]


def settings(
    ask: Annotated[bool, typer.Option("--ask", help="Write them by answering six questions.")] = (
        False
    ),
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="name=value, empty for the default; may repeat.",
            autocompletion=_complete_setting,
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Show the shop's settings, or change them."""
    from swapinfer.commands.shop import Shop
    from swapinfer.commands.shopkeeping import ask_settings, change_settings, show_settings

    with Shop() as shop:
        if ask:
            converse(ask_settings(shop))
        elif changes:
            tell(change_settings(shop, list(map(_pair, changes))), as_json=as_json)
        else:
            tell(show_settings(shop), as_json=as_json)


def _pair(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise InputError(f'"{text}" must be name=value, as in rate_per_hour=110')
    return name.strip(), value.strip()


COMMANDS = (("settings", settings, "settings --set rate_per_hour=110 --set currency=EUR"),)
