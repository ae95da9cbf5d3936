"""A job with every type of event, from the shell to the write-up."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from swapinfer.ledger import events as ev
from tests.cli.conftest import Bay

OPENING = "open RO-1 --layout inline-4 --odometer '148000 km' --driven '300 km'"
STEPS = {
    "scanned": "codes P0303 --pending none --frame warm,load",
    "ran": "drive 10 --when warm --codes P0303",
    "noted": "note 'connector looks clean'",
    "measured": "read compression 3=171psi",
    "undone": "undo",
    "inspected": "inspect plug-look 3 clean",
    "swapped": "swap coil 3-1",
    "reseated": "reseat coil-wiring3",
    "returned": "back",
    "replaced": "replace coil3 --price 52",
    "attached": "attach coil.png",
    "closed": "close --cause coil3 --yes",
    "reopened": "reopen again",
}
"""Type of event to the command that records one, in an order in which they may follow."""

OF_A_VEHICLE = {"stated", "erased"}
"""What only a vehicle on the bus leads to: tests/cli/test_erase.py."""


def test_every_type_of_event_goes_through(bay: Bay, tmp_path: Path) -> None:
    assert {"opened", *STEPS} == set(ev.TYPES) - OF_A_VEHICLE
    Image.new("RGB", (24, 16), (200, 120, 40)).save(tmp_path / "coil.png")
    bay.must(OPENING)
    for seq, (name, line) in enumerate(STEPS.items(), start=1):
        told = bay.must(f"{line.replace('coil.png', str(tmp_path / 'coil.png'))} --json").facts
        assert (told["event"], told["seq"]) == (name, seq), line
        assert told["said"]
    shown = bay.must("show --json").facts["events"]
    assert [event["event"] for event in shown] == ["opened", *STEPS]
    said = {event["event"]: event["said"] for event in shown}
    assert all(said.values())
    assert said["swapped"] in " ".join(bay.must("history").out.split())
    assert bay.must("next").out
    files = {kind: tmp_path / f"claim.{kind}" for kind in ("html", "pdf", "md", "json")}
    bay.must(
        f"claim --html {files['html']} --pdf {files['pdf']} --md {files['md']} "
        f"--json-file {files['json']}"
    )
    words = files["md"].read_text(encoding="utf-8").replace("↔", "<->")
    for name in ("swapped", "reseated", "returned", "replaced"):
        assert said[name] in words
    assert all(file.stat().st_size for file in files.values())
    bay.must(f"claim verify {files['json']}")
