"""Runs the console blocks of a documentation page and puts what they print in their place.

A page is played in order in a folder of its own with a store of its own:

- a fenced block ``toml NAME`` or ``log NAME`` is written to the file NAME;
- in a fenced block ``console`` every line that begins with ``$ `` is a command (lines that begin
  with ``> `` continue it), and what follows is what it prints, errors included.

Dates, and digests that cover dates, differ from one day to the next; fixed ones stand for them.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from swapinfer.commands import run

FENCE = re.compile(r"^```(?P<info>[^\n]*)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL)
STEADY = (
    (re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d[+-]\d\d:\d\d)?"), "2026-03-02 08:00"),
    (re.compile(r"\b20\d\d-\d\d-\d\d\b"), "2026-03-02"),
    (re.compile(r"\b[0-9a-f]{64}\b"), "0123456789abcdef" * 4),
    (re.compile(r"\b[0-9a-f]{16}\b"), "0123456789abcdef"),
)
CONTINUES = "> "


@dataclass(frozen=True)
class Command:
    """A command as it stands in a page, continuation lines included."""

    shown: str

    @property
    def words(self) -> list[str]:
        lines = self.shown.removeprefix("$ ").split("\n" + CONTINUES)
        return shlex.split(" ".join(line.removesuffix("\\") for line in lines))


def commands_of(block: str) -> list[Command]:
    """Commands of a console block, without what they print."""
    found: list[str] = []
    continued = False
    for line in block.splitlines():
        if line.startswith("$ "):
            found.append(line)
            continued = True
        elif continued and line.startswith(CONTINUES) and found[-1].endswith("\\"):
            found[-1] += "\n" + line
        else:
            continued = False
    return [Command(shown) for shown in found]


def play(command: Command) -> str:
    """Run one command in this process; return what it prints and, on failure, its exit code."""
    program, *arguments = command.words
    if program == "cat":
        return Path(arguments[0]).read_text(encoding="utf-8")
    if program != "swapinfer":
        raise ValueError(f"only swapinfer and cat are run, not {program}")
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = run(arguments)
    return said.getvalue() + (f"(exit code {code})\n" if code else "")


def steadied(text: str) -> str:
    """Put fixed dates and digests in the place of today's."""
    for pattern, steady in STEADY:
        text = pattern.sub(steady, text)
    return text


@contextlib.contextmanager
def environment(**own: str) -> Iterator[None]:
    """Set environment variables for a while."""
    before = {name: os.environ.get(name) for name in own}
    os.environ.update(own)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.contextmanager
def bench(folder: Path) -> Iterator[None]:
    """Work in a folder with nothing of this computer's own settings, on a page 80 wide."""
    own = {
        "COLUMNS": "80",
        "NO_COLOR": "1",
        "SWAPINFER_STORE": "jobs.db",
        "SWAPINFER_SETTINGS": "settings.toml",
        "SWAPINFER_WHO": "robin",
    }
    with environment(**own), contextlib.chdir(folder):
        yield


def rewrite(page: str, folder: Path) -> str:
    """Return a page with every console block as it prints today."""

    def block(match: re.Match[str]) -> str:
        language, _, name = match["info"].partition(" ")
        if language in ("toml", "log") and name:
            Path(name).write_text(match["body"], encoding="utf-8")
        if language != "console":
            return match[0]
        commands = commands_of(match["body"])
        told = [f"{command.shown}\n{steadied(play(command))}" for command in commands]
        return f"```console\n{_join(told)}```"

    with bench(folder):
        return FENCE.sub(block, page)


def _join(told: list[str]) -> str:
    """Leave an empty line between commands."""
    lines = [re.sub(r"[ \t]+$", "", text, flags=re.MULTILINE).rstrip("\n") for text in told]
    return "\n\n".join(lines) + "\n" if lines else ""
