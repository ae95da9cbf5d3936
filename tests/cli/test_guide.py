"""Three whole jobs walked through a real pseudo-terminal, 60 columns wide and without colour."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable

import pexpect
import pytest
from cli.conftest import Bay

from swapinfer.commands.shop import Shop
from swapinfer.ledger.replay import Job

WIDTH = 60
PROMPT = "\r\n> "
PROGRAM = "from swapinfer.commands import main; main()"
MOST_ANSWERS = 60
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class Terminal:
    """A terminal that can print lines and read lines, as over a serial cable."""

    def __init__(self, ro: str) -> None:
        here = {**os.environ, "COLUMNS": str(WIDTH), "NO_COLOR": "1", "TERM": "dumb"}
        self.text = ""
        self.child = pexpect.spawn(
            sys.executable,
            ["-c", PROGRAM, "guide", ro],
            env=here,
            encoding="utf-8",
            timeout=240,
            dimensions=(24, WIDTH),
        )
        self.shown = self._until_prompt()

    def _until_prompt(self) -> str:
        self.child.expect([re.escape(PROMPT), pexpect.EOF])
        shown = str(self.child.before)
        self.text += shown
        return shown

    @property
    def is_over(self) -> bool:
        return self.child.after is pexpect.EOF

    def type(self, answer: str) -> str:
        self.child.sendline(answer)
        self.shown = self._until_prompt()
        return self.shown

    def hang_up(self) -> None:
        self.child.sendeof()
        self._until_prompt()
        assert self.is_over
        self.close()

    def close(self) -> None:
        self.child.close()
        assert self.child.exitstatus == 0
        assert "Traceback" not in self.text
        assert not CONTROL.search(self.text)
        printed = [line for line in self.text.splitlines() if not line.startswith("> ")]
        assert max(map(len, printed)) <= WIDTH


def job_of(ro: str) -> Job:
    with Shop() as shop:
        return shop.load(ro).job


def events_of(ro: str) -> list[str]:
    return [event.type for _, event in job_of(ro).standing if event.type != "undone"]


class Vehicle:
    """A vehicle with one fault, and a technician who does what is asked and says what shows."""

    def __init__(self, ro: str, fault: str, shows: dict[str, Callable[[str], str]]) -> None:
        self.ro, self.fault, self.shows = ro, fault, shows

    def cylinder(self) -> str:
        place = job_of(self.ro).place_of(self.fault)
        return str(place.cylinders[0]) if place else "0"

    def answer(self, shown: str) -> str:
        question = " ".join(shown.split())
        known: dict[str, Callable[[str], str]] = {
            "refer the vehicle": lambda _: "x",
            "What happened?": lambda _: "3",
            "What, and where?": lambda _: self.fault,
            "work done, not driven yet": lambda _: "w",
            "Which codes are stored?": lambda _: self.cylinder(),
            "What did the drive show?": lambda _: self.cylinder(),
            "Before it goes": lambda _: "1",
            "What was at fault?": lambda _: self._number(shown),
            "How does it leave?": lambda _: "1",
            **self.shows,
        }
        for words, told in known.items():
            if words in question:
                return told(question)
        has_default = "[" in question.rsplit("?", 1)[-1]
        return "" if has_default else "c"

    def _number(self, shown: str) -> str:
        place = job_of(self.ro).engine.places[self.fault]
        words = f"cylinder {place.cylinders[0]}"
        kind = job_of(self.ro).engine.kinds[place.kind].title
        choices = re.findall(r"^ +(\d+)  (.*)$", shown, flags=re.MULTILINE)
        return next(n for n, label in choices if kind in label and words in label)


def walk(terminal: Terminal, vehicle: Vehicle) -> None:
    for _ in range(MOST_ANSWERS):
        if terminal.is_over:
            terminal.close()
            return
        terminal.type(vehicle.answer(terminal.shown))
    raise AssertionError(terminal.text[-3000:])


@pytest.mark.usefixtures("bay")
def test_new_job_is_opened_by_asking_and_walked_to_the_coil() -> None:
    terminal = Terminal("RO-1")
    for answer in ["4", "1", "1", "stumbles on hills", "148000", "300 km"]:
        terminal.type(answer)
    assert job_of("RO-1").opening.complaint == "stumbles on hills"
    walk(terminal, Vehicle("RO-1", "coil3", {}))
    job = job_of("RO-1")
    assert job.closing is not None
    assert job.closing.causes == ("coil3",)
    assert job.closing.verified
    assert not job.away_from_home()
    assert "swapped" in events_of("RO-1") or "replaced" in events_of("RO-1")
    assert "RO-1 is verified" in terminal.text


def test_sealing_found_with_gauges(bay: Bay) -> None:
    bay.must("open RO-2 --layout inline-4 --odometer '212000 km' --driven '900 km'")
    bay.must("drive 10 --when warm,idle --codes P0304")

    def gauge(question: str) -> str:
        asked = question.rsplit("1. first", 1)[-1].rsplit(": ", 1)[-1]
        cylinders = re.findall(r"cylinder (\d)", asked)
        return " ".join("68" if c == "4" else "172" for c in dict.fromkeys(cylinders))

    walk(Terminal("RO-2"), Vehicle("RO-2", "sealing4", {"compression, ": gauge}))
    job = job_of("RO-2")
    assert job.closing is not None
    assert job.closing.causes == ("sealing4",)
    assert job.closing.verified


def test_wrong_turns_back_and_hanging_up(bay: Bay) -> None:
    bay.must("open RO-1 --layout inline-4 --odometer '61000 km'")
    bay.must("drive 15 --when warm,load --codes P0303")
    terminal = Terminal("")
    assert "nothing was recorded" in " ".join(terminal.type("b").split())
    assert "1 to 4" in terminal.type("9")
    assert "trouble code" in " ".join(terminal.type("rubbish").split())
    terminal.type("x")
    assert "number from 1" in " ".join(terminal.type("44").split())
    assert "swap" in terminal.type("b"), "back from a wrong turn is the step again"
    terminal.type("1 2")
    assert "no condition" in " ".join(terminal.type("12 uphill").split())
    assert "at most 10,000 minutes" in " ".join(terminal.type("99999").split())
    terminal.type("12 load")
    assert events_of("RO-1")[-3:] == ["ran", "swapped", "ran"]
    undone = terminal.type("b")
    assert "undone" in undone
    assert events_of("RO-1") == ["opened", "ran"]
    terminal.type("2")
    terminal.hang_up()
    assert events_of("RO-1") == ["opened", "ran"], "a half-told step is not recorded"

    again = Terminal("RO-1")
    walk(again, Vehicle("RO-1", "coil3", {}))
    assert job_of("RO-1").closing.causes == ("coil3",)  # type: ignore[union-attr]


def test_can_not_do_that_and_skipping_lead_elsewhere(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    terminal = Terminal("RO-1")
    titles = [_title(terminal.shown), *(_title(terminal.type(answer)) for answer in "css")]
    assert len(set(titles)) == len(titles)
    terminal.hang_up()
    assert events_of("RO-1") == ["opened", "ran"]
    again = Terminal("RO-1")
    assert _title(again.shown) == titles[0], "what was skipped lasts for one sitting only"
    again.type("q")
    again.close()


@pytest.mark.usefixtures("opened")
def test_vague_words_and_an_ear() -> None:
    terminal = Terminal("RO-1")
    assert "read what is stored" in terminal.shown
    assert "What did the drive show?" in terminal.type("c"), "there is no scan tool here"
    terminal.type("v")
    assert "better, but not gone" in terminal.shown
    chosen = next(n for n, word in re.findall(r"(\d+)  (.*)", terminal.shown) if "moved" in word)
    assert "by ear" in terminal.type(chosen)
    terminal.type("1")
    terminal.type("10")
    event = job_of("RO-1").standing[-1][1]
    assert (event.felt, event.suspected) == ("moved", (1,))  # type: ignore[attr-defined]
    terminal.hang_up()


def _title(shown: str) -> str:
    return " ".join(shown.partition("RO-1: ")[2].partition(" min")[0].split())
