"""Times that cannot be are told at the stamp and in verifying."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import verify_file
from swapinfer.claim.write import Claim, to_json, write_up
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import replay
from tests.claim.jobs import START, base_pack, chain, opening
from tests.claim.test_content import text_of

FIRST = ev.Ran(20, ("warm",), ("P0303",))
SWAPPED = ev.Swapped((("coil3", "coil1"),))
DRIVEN = ev.Ran(30, ("warm",), ("P0301",))


def at(events: Sequence[Event], minutes: Sequence[float], written: float | None = None) -> Claim:
    """Write up what was recorded at these minutes after the start."""
    records = chain(events, minutes=minutes)
    settings = ClaimSettings()
    if written is not None:
        settings = ClaimSettings(written_at=(START + timedelta(minutes=written)).isoformat())
    return write_up(replay(read_events(records), base_pack()), records, settings=settings)


def misfits(claim: Claim) -> list[tuple[str, int]]:
    return [(one.kind, one.seq) for one in claim.facts.conflicts if one.is_of_time]


def remarks(claim: Claim) -> list[str]:
    return [line for line in claim.document.warnings if line.startswith("Times do not fit.")]


def test_a_drive_longer_than_the_clock_allows_is_told() -> None:
    """Of 30 minutes, recorded 10 after the swap that it followed."""
    claim = at([opening(), FIRST, SWAPPED, DRIVEN], [0, 30, 45, 55])
    assert misfits(claim) == [("drive", 3)]
    (remark,) = remarks(claim)
    assert "#3, recorded 2031-05-04 10:25, is a drive of 30 min" in remark.replace("\u00a0", " ")
    assert "recorded 2031-05-04 10:15" in remark
    assert "Conflict: #3, recorded" in text_of(claim)


@pytest.mark.parametrize(
    ("events", "minutes"),
    [
        ([opening(), FIRST, SWAPPED, DRIVEN], [0, 30, 45, 75]),
        ([opening(), FIRST, SWAPPED, DRIVEN], [0, 30, 45, 71]),
        ([opening(), FIRST, SWAPPED, ev.Noted("still shakes"), DRIVEN], [0, 30, 45, 74, 75]),
        ([opening(), FIRST, SWAPPED, FIRST, ev.Undone(3), DRIVEN], [0, 30, 45, 76, 77, 78]),
        ([opening(), FIRST, SWAPPED, DRIVEN], [0, 1, 30, 60]),
    ],
    ids=["in time", "rounded", "noted on the way", "typed anew", "driven before it was opened"],
)
def test_what_can_be_is_not_told(events: list[Event], minutes: list[float]) -> None:
    claim = at(events, minutes)
    assert misfits(claim) == []
    assert remarks(claim) == []


def test_a_days_work_recorded_in_two_minutes_is_told() -> None:
    """Twelve readings, and no drive that could betray it."""
    events = [opening(), FIRST, *12 * [ev.Measured("compression", "cylinder1", 171.0, "171 psi")]]
    claim = at(events, [n / 7 for n in range(len(events))])
    assert misfits(claim) == [("work", len(events) - 1)]
    assert "by standard times" in remarks(claim)[0]
    spread = at(events, [20.0 * n for n in range(len(events))])
    assert misfits(spread) == []


def test_records_dated_after_the_write_up_are_told() -> None:
    events, minutes = [opening(), FIRST, SWAPPED, DRIVEN], [0, 30, 45, 75]
    assert misfits(at(events, minutes, written=74)) == []
    late = at(events, minutes, written=40)
    assert misfits(late) == [("future", 3)]
    assert "#3 is dated 2031-05-04 10:45, which was still to come" in remarks(late)[0]


def test_of_many_the_first_of_each_kind_is_told_at_the_stamp() -> None:
    claim = at([opening(), FIRST, SWAPPED, *4 * [DRIVEN]], [0, 30, 45, 46, 47, 48, 10])
    assert misfits(claim)[:4] == [("clock", 6), ("drive", 3), ("drive", 4), ("drive", 5)]
    (remark,) = remarks(claim)
    assert remark.count("is a drive of") == 1
    assert "more: see “What remains uncertain”." in remark


def test_verifying_tells_it_by_its_own_clock_too(tmp_path: Path) -> None:
    """Whatever date the write-up gives itself."""
    events, minutes = [opening(), FIRST, SWAPPED, DRIVEN], [0, 30, 45, 55]
    path = tmp_path / "claim.json"
    path.write_text(to_json(at(events, minutes, written=60)), encoding="utf-8")
    then = verify_file(path, now=START + timedelta(minutes=90))
    assert then.same
    (remark,) = (line for line in then.remarks if line.startswith("Times do not fit."))
    assert "is a drive of" in remark
    before = verify_file(path, now=START - timedelta(days=1))
    assert before.same
    said = " ".join(before.remarks)
    assert "The write-up is dated 2031-05-04 10:30." in said
    assert "Dated later than this check: 4 events, the first #0, 2031-05-04 09:30." in said


def test_a_write_up_is_dated_in_a_form_that_can_be_read() -> None:
    with pytest.raises(InputError, match="ISO 8601"):
        ClaimSettings(written_at="yesterday")
    claim = at([opening(), FIRST], [0, 30], written=60)
    assert "on 2031-05-04 10:30." in text_of(claim)
    assert "whoever has the whole ledger can write another" in text_of(claim)
