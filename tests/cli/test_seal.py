"""A digest that was given away in time shows which records there were by then."""

from __future__ import annotations

import hashlib
from pathlib import Path

from cli.conftest import Bay

DRIVE = "drive 15 --when warm,load --codes {}"


def sealed(bay: Bay, file: Path, seal: Path) -> str:
    return str(bay.must(f"claim verify '{file}' --seal '{seal}' --json").facts["sealed"])


def test_a_seal_tells_what_was_recorded_by_then(opened: Bay) -> None:
    folder = opened.folder
    before, after, job = folder / "before.txt", folder / "after.txt", folder / "job.json"
    opened.must(DRIVE.format("P0303"))
    told = opened.must(f"store seal '{before}'")
    digest = hashlib.sha256(before.read_bytes()).hexdigest()
    assert digest in "".join(told.out.split())
    opened.must("swap coil 3-1")
    opened.must(DRIVE.format("P0301"))
    opened.must(f"store seal '{after}'")
    opened.must(f"export '{job}'")
    said = sealed(opened, job, before)
    assert "events #0 to #1 are as they were when it was made; #2 to #3 are not in it" in said
    assert said.endswith(digest)
    assert "all events, #0 to #3, are as they were" in sealed(opened, job, after)


def test_a_job_that_was_written_anew_is_in_no_earlier_seal(opened: Bay) -> None:
    """The same events in another store: whole in itself, and not what was sealed."""
    folder = opened.folder
    seal, job, other = folder / "seal.txt", folder / "job.json", folder / "other.db"
    opened.must(DRIVE.format("P0303"))
    opened.must(f"store seal '{seal}'")
    opened.must(f"open RO-1 --layout inline-4 --store '{other}'")
    opened.must(f"{DRIVE.format('P0301')} --store '{other}'")
    opened.must(f"export '{job}' --store '{other}'")
    assert "none of this job's events is in it" in sealed(opened, job, seal)


def test_a_seal_holds_no_name(opened: Bay) -> None:
    seal = opened.folder / "seal.txt"
    opened.must(f"store seal '{seal}'")
    first, *heads = seal.read_text(encoding="utf-8").splitlines()
    assert first == "swapinfer-seal/1"
    assert [len(head) for head in heads] == [64]


def test_what_is_no_seal_is_refused(opened: Bay) -> None:
    job = opened.folder / "job.json"
    opened.must(f"export '{job}'")
    told = opened(f"claim verify '{job}' --seal '{job}'")
    assert (told.code, "no seal; its first line must be" in told.err) == (2, True)
    assert opened(f"claim verify '{job}' --seal nowhere").code == 2
    assert opened(f"store seal '{job}'").code == 2
