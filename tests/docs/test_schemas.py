"""What every command prints with --json fits the schema that the reference gives it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import jsonschema
import pytest
from docs.consoles import Command as Typed
from docs.consoles import bench, play
from docs.shapes import all_shapes, schema_of
from PIL import Image

from docs.reference import all_commands

SHAPES = json.loads(
    (Path(__file__).parents[2] / "docs" / "reference" / "json-shapes.json").read_text("utf-8")
)

LINES = (
    "open RO-1 --layout inline-4 --odometer '148000 km' --driven '300 km' --complaint stumbles",
    "next --without fuel-gauge",
    "codes P0303 --pending none --frame warm,load",
    "drive 15 --when warm,load --codes P0303",
    "scan --check",
    "scan --replay bay.log",
    "drive 15 --felt smooth --what-if",
    "swap coil 3-1",
    "parts",
    "reseat coil-wiring2",
    "read coil-primary 3=0.8ohm",
    "read injector-resistance 2=OL",
    "inspect plug-look 3 clean",
    "note 'washed last week'",
    "undo",
    "back",
    "belief",
    "picture",
    "history",
    "why coil3",
    "next --count 3",
    "next --mine 'swap coil'",
    "why-not compression",
    "clean",
    "plan --depth 2",
    "attach plug.png",
    "replace coil3 --price 48",
    "drive 60 --when warm,load --no-codes",
    "close --cause coil3 --yes",
    "claim --json-file claim.json --html claim.html",
    "claim --check",
    "claim verify claim.json",
    "reopen 'came back'",
    "jobs",
    "jobs --advice",
    "show",
    "use RO-1",
    "export RO-1.json",
    "import RO-1.json --store second.db",
    "store check",
    "store backup copy.db",
    "store seal seal.txt",
    "store restore copy.db --store restored.db",
    "store rescue copy.db --store fresh.db",
    "store tables jobs.csv findings.csv",
    "store move third.db",
    "explain severity",
    "tests",
    "tests compression",
    "tests --weights compression",
    "page --devices",
    "settings",
    "settings --set rate_per_hour=110",
    "priors show element.coil.mode.breakdown",
    "priors check shop.toml",
    "priors compare base shop.toml --past 1",
    "priors strip jobs.csv findings.csv --out stripped",
    "priors rates fleet.csv --out rates",
)
"""Commands in order, so that each finds what it needs; every one prints JSON."""

WITHOUT_JSON = {
    ("guide",): "it asks and answers",
    ("erase",): "it needs a vehicle; its own test holds it to its schema",
    ("priors", "learn"): "it samples for minutes",
    ("priors", "lives"): "it samples; its own test holds it to its schema",
    ("priors", "weight"): "it plans for minutes; its own test holds it to its schema",
}

OVERLAY = """
format = 1
name = "shop"
version = "1"
[element.coil.mode.breakdown]
hazard_ratio = { median = 2 }
"""


RATES = "kind,mode,events,element_km\ncoil,breakdown,4,2000000\n"


def furnish(folder: Path) -> None:
    """Put into a folder what the commands read."""
    (folder / "shop.toml").write_text(OVERLAY, encoding="utf-8")
    (folder / "fleet.csv").write_text(RATES, encoding="utf-8")
    (folder / "bay.log").write_text("(1.0) can0 7E8#0643020300030300\n", encoding="utf-8")
    Image.new("RGB", (8, 8), "grey").save(folder / "plug.png")


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("shapes")
    furnish(folder)
    with bench(folder):
        return {line: play(Typed(f"swapinfer {line} --json")) for line in LINES}


@pytest.mark.parametrize("line", LINES)
def test_json_fits_its_schema(line: str, printed: dict[str, str]) -> None:
    facts = json.loads(printed[line])
    jsonschema.validate(facts, SHAPES[facts["shape"]], jsonschema.Draft202012Validator)


def test_every_command_is_among_them() -> None:
    def is_under(words: tuple[str, ...]) -> bool:
        return any(tuple(shlex.split(line)[: len(words)]) == words for line in LINES)

    missing = {words for words in all_commands() if not is_under(words)}
    assert missing == set(WITHOUT_JSON)


def test_a_wrong_object_does_not_fit(printed: dict[str, str]) -> None:
    facts = json.loads(printed["clean"])
    schema = SHAPES["swapinfer.clean-drive/1"]
    for wrong in ({"minutes": "many"}, {"more": 1}, {"conditions": [1]}, {"shape": "other/1"}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**facts, **wrong}, schema, jsonschema.Draft202012Validator)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({k: v for k, v in facts.items() if k != "wanted"}, schema)


@pytest.mark.parametrize("shape", all_shapes())
def test_schemas_are_schemas(shape: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema_of(all_shapes()[shape]))
