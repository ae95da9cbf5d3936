"""Small jobs, and what a master technician would hold to be so after them.

Common practice, no source; the bounds are generous. Each table of the files beside this one is a
job: ``play`` are commands, ``holds`` bounds on the chance that an element (``coil3``), or a way of
failing (``coil3.open``), is at fault, on sums (`` + ``) or on a ratio (`` / ``) of such chances.
"""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest

from swapinfer.pack.engine import Engine
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from tests.cli.conftest import Bay

USUAL = {"ignition": "coil-on-plug", "fuel": "port"}
"""Fitment of an engine of which nothing is said."""

VIGNETTES: dict[str, dict[str, Any]] = {
    name: vignette
    for path in sorted(Path(__file__).parent.glob("*.toml"))
    for name, vignette in tomllib.loads(path.read_text(encoding="utf-8")).items()
}


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def believed(bay: Bay) -> dict[str, float]:
    """Chance of every element and way of failing that is worth naming."""
    chances = {}
    for cause in bay.must("belief --json").facts["causes"]:
        chances[cause["element"]] = cause["probability"]
        for mode in cause["modes"]:
            chances[f"{cause['element']}.{mode['mode']}"] = mode["probability"]
    return chances


def chance_of(chances: dict[str, float], what: str) -> float:
    if " / " in what:
        above, below = (chance_of(chances, part) for part in what.split(" / "))
        return above / below
    return sum(chances.get(part, 0.0) for part in what.split(" + "))


@pytest.mark.parametrize("name", VIGNETTES)
def test_what_the_trade_holds_to_be_so(bay: Bay, name: str) -> None:
    vignette = VIGNETTES[name]
    bay.must(f"open V-1 {vignette.get('open', '')}")
    for line in vignette["play"]:
        bay.must(line)
    chances = believed(bay)
    for what, (least, most) in vignette["holds"].items():
        assert least <= chance_of(chances, what) <= most, (vignette["why"], what, chances)


def test_every_vignette_names_what_its_engine_has(pack: Pack) -> None:
    """A misspelt name would be chance 0, and hold wherever little is claimed."""
    for vignette in VIGNETTES.values():
        words = shlex.split(vignette.get("open", ""))
        asked = dict(zip(words[::2], words[1::2], strict=True))
        fitment = {axis: asked.get(f"--{axis}", usual) for axis, usual in USUAL.items()}
        layout = pack.layouts[asked.get("--layout", "inline-4")]
        engine = Engine.build(pack, layout, fitment)
        for what in vignette["holds"]:
            for name in re.split(r" [+/] ", what):
                element, _, mode = name.partition(".")
                assert element in engine.places, (what, vignette["why"])
                assert not mode or mode in engine.kind_of(element).modes, (what, vignette["why"])
