"""The examples of docs/pack-format.md are overlays that load."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from swapinfer.pack import load_pack
from swapinfer.pack.model import Access, Caution, Code, Feeling, Kind, Level, Mode, Severity
from swapinfer.pack.model import Test as PackTest
from swapinfer.pack.shape import KEY_OF_FIELD
from swapinfer.pack.trade import Costs, Custom

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
    renamed = KEY_OF_FIELD.get(model, {})
    for item in dataclasses.fields(model):
        if item.name not in ("id", "modes"):
            assert renamed.get(item.name, item.name) in PAGE, (model.__name__, item.name)
