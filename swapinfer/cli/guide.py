"""Guided work at the terminal: lines out, lines in, nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from swapinfer.commands.options import Store, Who, complete_ro
from swapinfer.commands.terminal import converse, page, say, show_on
from swapinfer.errors import JobError

if TYPE_CHECKING:
    from swapinfer.commands.guide import Sitting
    from swapinfer.commands.shop import Shop

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def guide(
    ro: Annotated[
        str,
        typer.Argument(help="Repair order; default the current job.", autocompletion=complete_ro),
    ] = "",
    store: Store = "",
    who: Who = "",
) -> None:
    """Walk a job step by step, asking for each outcome; a new one is opened by asking."""
    from swapinfer.commands.guide import Sitting
    from swapinfer.commands.opening import receive
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        if ro and not _is_known(shop, ro):
            _say(f"{ro} is new. Enter takes what stands in [brackets], b starts over, q leaves.")
            reception = receive(shop, ro)
            converse(reception)
            if not reception.is_finished:
                return
        _walk(Sitting(shop, ro))


def _is_known(shop: Shop, ro: str) -> bool:
    try:
        shop.job_id(ro)
    except JobError:
        return False
    return True


def _walk(sitting: Sitting) -> None:
    from swapinfer.textview.guide import controls

    typer.echo(controls(page()))
    converse(sitting)
    if sitting.is_closed:
        show_on(page(), sitting.view())
    else:
        _say(f"left; go on with: swapinfer guide {sitting.ro}")


def _say(text: str) -> None:
    say("\n".join(page().wrap(text)))


COMMANDS = (("guide", guide, "guide RO-7"),)
