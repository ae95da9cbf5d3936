"""Guided work at the terminal: lines out, lines in, nothing else."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Protocol

import typer

from swapinfer.cli.options import Store, Who, complete_ro, page, say
from swapinfer.errors import JobError

if TYPE_CHECKING:
    from swapinfer.workflow.facts import Facts
    from swapinfer.workflow.guide import Sitting
    from swapinfer.workflow.questions import Question
    from swapinfer.workflow.shop import Shop

EXAMPLE = "Example: swapinfer "
LEAVE = "q"
UNREADABLE = "\ufffd"
"""Stands for a line of bytes that are no text; no question takes it for an answer."""


class Speaker(Protocol):
    """Whatever puts questions and takes answers."""

    question: Question
    is_over: bool

    def news(self) -> Facts | None:
        """Return what is to be shown before the question, if anything."""

    def answer(self, text: str) -> Facts | None:
        """Take one line; return what came of it, if anything."""


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
    from swapinfer.workflow.guide import Sitting
    from swapinfer.workflow.reception import receive
    from swapinfer.workflow.shop import Shop

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
        _show(sitting.view())
    else:
        _say(f"left; go on with: swapinfer guide {sitting.ro}")


def converse(speaker: Speaker) -> None:
    """Put question after question until the dialogue is over or nobody answers."""
    while not speaker.is_over:
        news = speaker.news()
        if news:
            _show(news)
        _show(speaker.question)
        told = speaker.answer(_read_line())
        if told:
            _show(told)


def _read_line() -> str:
    """One line as typed; the end of input, or an interrupt, is leaving."""
    typer.echo("> ", nl=False)
    try:
        line = sys.stdin.readline()
    except KeyboardInterrupt:
        line = ""
    except UnicodeDecodeError:
        return UNREADABLE
    if not line:
        typer.echo()
        return LEAVE
    return line.rstrip("\r\n")


def _say(text: str) -> None:
    say("\n".join(page().wrap(text)))


def _show(facts: Facts) -> None:
    from swapinfer.textview import show

    say(show(facts, page()))


COMMANDS = (("guide", guide, "guide RO-7"),)
