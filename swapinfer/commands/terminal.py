"""The terminal: facts out as text or JSON, questions out and lines in."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol, TypeVar

import typer

from swapinfer.commands.page import EMPHASIS, Facts, Page, show
from swapinfer.errors import printable

if TYPE_CHECKING:
    from swapinfer.commands.typed import Question

T = TypeVar("T")

LEAVE, UNREADABLE = "q", "\ufffd"
"""Stand for the end of input, and for a line of bytes that are no text, which answers nothing."""


def page(*, is_full: bool = False) -> Page:
    """Where text is going: the terminal's width, and emphasis only where it is wanted."""
    columns = min(shutil.get_terminal_size((80, 24)).columns, 100)
    has_colour = sys.stdout.isatty() and "NO_COLOR" not in os.environ
    return Page(max(columns, 40), has_colour, is_full)


def tell(facts: Facts, *, as_json: bool, is_full: bool = False) -> None:
    """Print facts as text, in full or at a glance, or as JSON; leave with their exit code."""
    if as_json:
        text = json.dumps(facts.to_json(), indent=2, ensure_ascii=False)
        typer.echo(text.encode(errors="backslashreplace").decode())
    else:
        say(show(facts, page(is_full=is_full)))
    if facts.exit_code:
        raise typer.Exit(facts.exit_code)


def say(text: str) -> None:
    """Print lines in which nothing but our own emphasis acts on the terminal."""
    parts = enumerate(EMPHASIS.split(text))
    typer.echo("".join(part if i % 2 else printable(part, keep="\n") for i, part in parts))


def say_paragraph(text: str) -> None:
    """Print a text, broken into lines."""
    say("\n".join(page().wrap(text)))


def is_agreed(doubt: Exception, question: str) -> bool:
    """Ask once whether something is meant all the same, where someone can answer."""
    return sys.stdin.isatty() and typer.confirm(f"{printable(str(doubt))}{question}", err=True)


def asked(question: str) -> str:
    """Ask for a line that may be left empty, where someone can answer."""
    if not sys.stdin.isatty():
        return ""
    told: str = typer.prompt(question, default="", show_default=False, err=True)
    return told


def say_aside(text: str) -> None:
    """Say something on the side, while the answer is still to come."""
    typer.echo(text, err=True)


def is_watched() -> bool:
    """Whether someone may be watching how work goes on."""
    return sys.stderr.isatty()


def watched(items: Iterable[T], what: str, total: int | None = None) -> Iterable[T]:
    """Go through items with a bar of progress on the side, where someone may be watching."""
    if not is_watched():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, what, total=total, console=Console(stderr=True), transient=True)


@contextmanager
def changing() -> Iterator[Callable[[str, str], None]]:
    """Show on the side, while work goes on, how things stand."""
    if not is_watched():
        yield lambda _, news: say_aside(news) if news else None
        return
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    with Live(console=Console(stderr=True), auto_refresh=False) as live:
        yield lambda standing, _: live.update(Text(printable(standing, keep="\n")), refresh=True)


class Speaker(Protocol):
    """Whatever puts questions and takes answers."""

    question: Question
    is_over: bool

    def news(self, page: Page, /) -> str:
        """Return what is to be shown before the question, if anything."""

    def answer(self, text: str) -> Facts | None:
        """Take one line; return what came of it, if anything."""


def converse(speaker: Speaker) -> None:
    """Put question after question until the dialogue is over or nobody answers."""
    while not speaker.is_over:
        if news := speaker.news(page()):
            say(news)
        say(speaker.question.on(page()))
        if told := speaker.answer(_read_line()):
            say(show(told, page()))


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
