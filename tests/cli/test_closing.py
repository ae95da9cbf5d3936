"""A job ends as verified only after the drive that was asked for, and on causes that hold."""

from __future__ import annotations

import json
import sys

import pexpect
import pytest
from cli.conftest import Bay

from swapinfer import JobCard, Opened, Ran, Swapped
from swapinfer.errors import JobError, UnconfirmedError
from swapinfer.ledger.events import Closed, Replaced


@pytest.fixture
def repaired(opened: Bay) -> Bay:
    """A coil took its misfire from cylinder 3 to cylinder 2, and was replaced there."""
    opened.must("drive 15 --when warm,load --codes P0303")
    opened.must("swap coil 3-2")
    opened.must("drive 15 --when warm,load --codes P0302")
    opened.must("replace coil2")
    return opened


@pytest.mark.parametrize(
    "driven",
    [
        (),
        ("drive 5 --when warm,load --no-codes",),
        ("drive 600 --when idle --no-codes",),
        ("drive 600 --when warm --no-codes",),
        ("drive 600 --when warm,load --felt smooth",),
        ("drive 600 --when warm,load --no-codes --felt rough",),
        ("drive 600 --when warm,load --counts 2=0",),
        ("drive 600 --when warm,load --codes P0300",),
        ("drive 600 --when warm,load --no-codes", "drive 10 --when warm,load --codes P0302"),
        ("drive 600 --when warm,load --no-codes", "reopen"),
    ],
)
def test_no_drive_of_the_length_and_conditions_asked_is_no_proof(
    repaired: Bay, driven: tuple[str, ...]
) -> None:
    for line in driven:
        if line == "reopen":
            repaired.must("close --cause coil3 --verified")
        repaired.must(line)
    told = repaired("close --cause coil3 --verified")
    assert told.code not in (0, 1)
    assert told.out == ""
    assert len(told.err.strip().splitlines()) == 1
    assert "warm,load" in told.err or "recorded" in told.err
    assert repaired.must("show --json").facts["status"] == "open"


def test_what_clean_asks_is_what_closing_asks(repaired: Bay) -> None:
    asked = repaired.must("clean --json").facts
    assert asked["conditions"] == ["warm", "load"]
    assert asked["minutes"] >= 15, "no shorter than the run in which it failed"
    half = asked["minutes"] / 2
    repaired.must(f"drive {half} --when warm,load --no-codes")
    left = repaired.must("clean --json").facts["minutes"]
    assert left == pytest.approx(half)
    assert f"drive {-int(-left // 1)} min" in repaired("close --cause coil3 --verified").err
    repaired.must(f"drive {half} --when warm,load --no-codes")
    assert repaired.must("clean --json").facts["minutes"] == 0
    told = repaired.must("close --cause coil3 --verified")
    assert "verified by a drive" in told.out
    assert repaired.must("jobs --json").facts["jobs"][0]["status"] == "verified"


def test_without_a_drive_it_is_repaired_not_verified_wherever_it_is_said(repaired: Bay) -> None:
    said = "repaired, not verified"
    assert said in repaired.must("close --cause coil3").out
    assert repaired.must("show --json").facts["status"] == "closed"
    assert "not verified" in repaired.must("jobs").out
    assert said in " ".join(repaired.must("show").out.split())
    files = {form: repaired.folder / f"claim.{form}" for form in ("html", "md", "json")}
    repaired.must(
        f"claim --html {files['html']} --md {files['md']} --json-file {files['json']}"
        f" --pdf {repaired.folder / 'claim.pdf'}"
    )
    for form in ("html", "md"):
        assert "repaired, not verified" in files[form].read_text().lower()
    standing = json.loads(files["json"].read_text())["facts"]["standing"]
    assert standing["status"] == "closed"
    assert "unverified" in standing["draft"]


@pytest.mark.parametrize(
    ("cause", "word"),
    [("plug3", "never touched"), ("coil2", "still fitted"), ("plug4", "probability of only")],
)
def test_a_doubtful_cause_is_asked_about_once(repaired: Bay, cause: str, word: str) -> None:
    told = repaired(f"close --cause {cause}")
    assert told.code == UnconfirmedError.exit_code
    assert word in told.err
    assert "--yes" in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert repaired.must("show --json").facts["status"] == "open"
    assert repaired.must(f"close --cause {cause} --yes --json").facts["event"] == "closed"


@pytest.mark.parametrize(("answer", "status"), [("y", 0), ("n", UnconfirmedError.exit_code)])
def test_a_terminal_is_asked(repaired: Bay, answer: str, status: int) -> None:
    child = pexpect.spawn(
        sys.executable, ["-m", "swapinfer", "close", "--cause", "plug3"], encoding="utf-8"
    )
    child.expect("Close on it")
    child.sendline(answer)
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == status
    is_closed = repaired.must("show --json").facts["status"] == "closed"
    assert is_closed == (status == 0)


OPENING = Opened("RO-7", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"}, driven_km=300.0)
WORK = (
    Ran(15, ("warm", "load"), ("P0303",)),
    Swapped((("coil3", "coil2"),)),
    Ran(15, ("warm", "load"), ("P0302",)),
    Replaced("coil2"),
)


def test_from_python_the_same_is_refused() -> None:
    job = JobCard.open(OPENING).then(*WORK)
    with pytest.raises(JobError, match="warm,load"):
        job.then(Closed(("coil3",), ("",), verified=True))
    with pytest.raises(UnconfirmedError, match="never touched"):
        job.then(Closed(("plug3",), ("",)))
    job.then(Closed(("plug3",), ("",)), is_confirmed=True)
    job.then(Ran(120, ("warm", "load"), (), pending=()), Closed(("coil3",), ("",), verified=True))


def test_an_old_ledger_that_says_verified_replays_and_is_not_believed() -> None:
    closed = Closed(("coil3",), ("",), verified=True)
    old = JobCard(JobCard.open(OPENING).pack, (OPENING, *WORK, closed)).replayed
    assert old.status == "closed"
    assert "without a clean drive" in closed.say(old)
    untouched = JobCard(JobCard.open(OPENING).pack, (OPENING, closed)).replayed
    assert "without a repair" in closed.say(untouched)
