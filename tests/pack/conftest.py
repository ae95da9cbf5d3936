from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from swapinfer.pack.engine import Engine
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack


@pytest.fixture(autouse=True, scope="session")
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep what is read here away from the user's cache folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def pack(_own_cache: None) -> Pack:
    return load_pack()


@pytest.fixture(scope="session")
def engines(pack: Pack) -> list[Engine]:
    """Every engine that the base pack can speak for."""
    made = []
    for layout in pack.layouts.values():
        for ignition, fuel in itertools.product(pack.fitments["ignition"], pack.fitments["fuel"]):
            if ignition == "waste-spark" and len(layout.cylinders) % 2:
                continue
            made.append(Engine.build(pack, layout, {"ignition": ignition, "fuel": fuel}))
    return made


@pytest.fixture
def overlay(tmp_path: Path) -> Path:
    """Place of an overlay that a test writes."""
    return tmp_path / "shop.toml"
