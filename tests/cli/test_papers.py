"""What a write-up is paid on, typed at the shell, and held against a payer's template."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

from tests.cli.conftest import Bay

TEMPLATE = """
name = "Example payer"
required = ["in-service", "part-number", "old-kept", "labour", "caption", "odometer-out"]
currency = "USD"
[limits]
labour_minutes = 120
"""


@pytest.fixture
def template(tmp_path: Path) -> Path:
    path = tmp_path / "payer.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    return path


def work(bay: Bay, *, replace: str = "", attach: str = "", close: str = "") -> None:
    bay.must("drive 15 --when warm,load --codes P0303")
    bay.must("swap coil 3-1")
    bay.must("drive 30 --when warm,load --codes P0301")
    bay.must(f"replace coil1 --price 48 {replace}")
    Image.new("RGB", (8, 8), "grey").save(bay.folder / "coil.png")
    bay.must(f"attach {bay.folder / 'coil.png'} {attach}")
    bay.must("drive 60 --when warm,load --no-codes")
    bay.must(f"close --cause coil3 --mode breakdown --verified {close}")


def test_a_whole_job_by_its_papers(bay: Bay, template: Path) -> None:
    bay.must("open RO-1 --odometer '148000 km' --driven '300 km' --in-service 2024-02-01")
    work(
        bay,
        replace="--new number=C-9 --new 'supplier=Example Parts' --old 'kept=shelf 4' "
        "--labour 'IG-210=0,6 h'",
        attach="--caption 'coil 3, cracked'",
        close="--odometer '148036 km' --labour 'DG-900=72 min'",
    )
    told = bay(f"claim --check --template {template} --json")
    assert told.code == 0
    assert (told.facts["missing"], told.facts["exceeded"]) == ([], [])
    assert "serial number of the old part" in told.facts["unrecorded"]
    file = bay.folder / "claim.json"
    bay.must(f"claim --json-file {file} --template {template}")
    facts = json.loads(file.read_text(encoding="utf-8"))["facts"]
    assert [line["booked"] for line in facts["charged"]["lines"]] == [36.0, 72.0]
    assert facts["repairs"][0]["new"]["number"] == "C-9"
    bay.must(f"claim verify {file}")


def test_what_is_missing_is_named_with_an_exit_code_of_its_own(opened: Bay, template: Path) -> None:
    work(opened)
    opened.must(f"settings --set template={template}")
    told = opened("claim --check --json")
    assert told.code == 15
    assert told.facts["missing"] == [
        "day of first use", "odometer when it left", "number of the new part",
        "where the old part is kept", "labour operation and booked time",
        "caption of picture (#5)",
    ]  # fmt: skip
    assert told.facts["exceeded"] == [
        "booked labour at most 2\u00a0h\u00a000\u00a0min, here not known"
    ]
    assert not list(opened.folder.glob("claim*"))


def test_without_a_template_nothing_is_required(opened: Bay) -> None:
    told = opened.must("claim --check --json")
    assert (told.facts["template"], told.facts["missing"]) == ("", [])
    assert told.facts["draft"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("replace coil1 --new serail=3", 'no "serail" is kept of a part; did you mean "serial"?'),
        ("replace coil1 --new kept=bin", 'no "kept" is kept of a part'),
        ("replace coil1 --old number=1 --old number=2", "number is given twice"),
        ("replace coil1 --labour IG-210", "must be name=value"),
        ("replace coil1 --labour 'IG-210=0 min'", "a booked time must be more than 0"),
        ("replace coil1 --labour 'IG-210=3 km'", "accepted: min, h, s"),
        ("close --odometer '9999999999 km'", "a distance must be 0 to"),
        ("open RO-2 --in-service yesterday", "must be a day as in 2029-05-03"),
        ("open RO-2 --in-service 2999-01-01", "is still to come"),
        ("settings --set template=nowhere.toml", "template nowhere.toml: cannot be read"),
        ("claim --check --md claim.md", "--check writes nothing"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(opened: Bay, line: str, said: str) -> None:
    told = opened(line)
    assert told.code == 2
    assert said in told.err
    assert told.err.count("\n") == 1


def test_an_odometer_that_went_back_is_remarked(opened: Bay) -> None:
    told = opened.must("close --odometer '147000 km'")
    assert "the odometer shows less than at first" in told.out
