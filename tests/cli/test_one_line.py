"""Whatever a name hides, a message stays on its line and says what is in the name."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.conftest import Bay

from swapinfer.commands import run
from swapinfer.commands.page import Page
from swapinfer.errors import printable

HOSTILE = "two\nlines\r\x1b[2J\u202etxt\u2028\x9b1m\udcff"
"""Line ends, terminal commands (ECMA-48, 7 and 8 bit), a reversed direction of reading (UAX #9),
Unicode's own line end, and a byte that is no character."""

SHOWN = r"two\nlines\r\x1b[2J\u202etxt\u2028\x9b1m\udcff"

NAMING = (
    ("jobs", "--store", "*"),
    ("jobs", "--store", "*/*"),
    ("show", "--job", "*"),
    ("use", "*"),
    ("jobs", "--status", "*"),
    ("jobs", "--advice", "--status", "*"),
    ("open", "*"),
    ("open", "RO-2", "--layout", "*"),
    ("open", "RO-2", "--odometer", "*"),
    ("open", "RO-2", "--priors", "*"),
    ("swap", "*", "coil1"),
    ("inspect", "plug-look", "*"),
    ("read", "*", "3=12V"),
    ("read", "compression", "3=*"),
    ("drive", "10", "--when", "*"),
    ("drive", "10", "--felt", "*"),
    ("import", "*"),
    ("attach", "*"),
    ("claim", "--pdf", "*/*"),
    ("claim", "verify", "*"),
    ("export", "*/*"),
    ("store", "rescue", "*"),
    ("store", "restore", "*", "--store", "new.db"),
    ("store", "backup", "*/*"),
    ("store", "move", "*", "--job", "RO-9"),
    ("store", "tables", "*/*", "b.csv"),
    ("priors", "show", "*"),
    ("priors", "check", "*"),
    ("priors", "learn", "*"),
    ("priors", "lives", "*"),
    ("priors", "strip", "*"),
    ("priors", "compare", "*", "base"),
    ("settings", "--set", "*=3"),
    ("explain", "*"),
    ("tests", "*"),
    ("why", "*"),
)


@pytest.mark.parametrize("words", NAMING, ids=" ".join)
def test_a_name_breaks_no_message(
    opened: Bay, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.chdir(opened.folder)
    opened.capture.readouterr()
    code = run([word.replace("*", HOSTILE) for word in words])
    told = opened.capture.readouterr()
    assert code, told.out
    assert told.err.count("\n") == 1, told.err
    assert not any(letter in told.err for letter in "\r\x1b\u202e\u2028\x9b\udcff")


def test_what_is_written_is_named_as_it_is(opened: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(opened.folder)
    opened.capture.readouterr()
    assert run(["export", HOSTILE]) == 0
    assert run(["claim", "verify", HOSTILE]) == 0
    told = opened.capture.readouterr().out.splitlines()
    assert told[0] == f"RO-1: {SHOWN}"
    assert told[1].startswith(f"{SHOWN}: same")
    assert Path(HOSTILE).exists()
    assert run(["export", HOSTILE + "2", "--json"]) == 0
    assert json.loads(opened.capture.readouterr().out)["files"] == [HOSTILE + "2"]


def test_a_note_commands_no_terminal(opened: Bay, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    run(["note", "\x1b[2Jgone\nnext line"])
    assert "\x1b[2J" not in opened.capture.readouterr().out
    assert r"\x1b[2Jgone\nnext line" in " ".join(opened.must("show").out.split())


def test_usage_errors_too(opened: Bay) -> None:
    opened.capture.readouterr()
    assert run(["drive", "10", "--when\nnow\x1b[2J"]) == 2
    told = opened.capture.readouterr().err
    assert "\x1b" not in told
    assert len(told.splitlines()) == 4  # how to use it, where to read on, and one line


def test_printable_leaves_what_people_write() -> None:
    text = "Çá 12 Ω, 3 µm, 漢字 \u0646\u200c\u0645\u00a0"
    assert printable(text) == text
    assert printable(HOSTILE) == SHOWN
    assert printable("a\nb", keep="\n") == "a\nb"


def test_emphasis_is_ours_alone() -> None:
    page = Page(80, has_colour=True)
    assert page.wrap(page.strong("a\x1b[31mb")) == ["\x1b[1ma\\x1b[31mb\x1b[0m"]
    assert page.cut("a\nb") == r"a\nb"
