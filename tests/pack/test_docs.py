"""The examples of docs/pack-format.md are overlays that load."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from swapinfer.pack.load import load_pack
from swapinfer.pack.model import (
    Access,
    Caution,
    Code,
    Costs,
    Custom,
    Feeling,
    Kind,
    Level,
    Mode,
    Severity,
)
from swapinfer.pack.model import Test as PackTest

PAGE = (Path(__file__).parents[2] / "docs" / "pack-format.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)


@pytest.mark.parametrize("number", range(4))
def test_every_example_loads(overlay: Path, number: int) -> None:
    assert len(EXAMPLES) == 4
    overlay.write_text(EXAMPLES[number], encoding="utf-8")
    ours = load_pack([overlay])
    assert ours.version.startswith("1+")


@pytest.mark.parametrize(
    "model", [Access, Caution, Code, Costs, Custom, Feeling, Kind, Level, Mode, Severity, PackTest]
)
def test_every_key_is_described(model: type) -> None:

    for item in msgspec.structs.fields(model):
        if item.name not in ("id", "modes"):
            assert item.encode_name in PAGE, (model.__name__, item.name)
