"""Why something is taken back is asked for where someone answers, and nowhere required."""

from __future__ import annotations

import os
import pty
import subprocess
import sys

from cli.conftest import Bay

RECORDED = "drive 15 --when warm,load --codes P0303"


def reason_of(bay: Bay) -> str:
    """Of the newest event."""
    return str(bay.must("show --json").facts["events"][-1]["said"])


def test_without_a_terminal_no_reason_is_asked_for(opened: Bay) -> None:
    opened.must(RECORDED)
    opened.must("undo")
    assert reason_of(opened) == "event 1 undone"


def test_a_reason_may_be_given(opened: Bay) -> None:
    opened.must(RECORDED)
    assert "undone: read at the wrong car" in opened.must("undo --why 'read at the wrong car'").out
    assert reason_of(opened) == "event 1 undone: read at the wrong car"


def test_at_a_terminal_it_is_asked_for(opened: Bay) -> None:
    opened.must(RECORDED)
    ours, theirs = pty.openpty()
    os.write(ours, b"scan tool slipped\n")
    program = [sys.executable, "-m", "swapinfer", "undo"]
    told = subprocess.run(program, stdin=theirs, capture_output=True, text=True, check=True)
    os.close(ours)
    os.close(theirs)
    assert "Why is it taken back? Enter for no reason" in told.stderr
    assert reason_of(opened) == "event 1 undone: scan tool slipped"
