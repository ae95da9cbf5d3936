"""The public names, and that nothing heavy is loaded before it is needed."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
from pathlib import Path

import pytest

import swapinfer

HEAVY = {
    "arviz", "matplotlib", "pandas", "pint", "psycopg", "pymc", "scipy", "typst",
}  # fmt: skip
JOB = """
from swapinfer.commands import run
assert run(["open", "RO-1", "--layout", "inline-4"]) == 0
assert run(["drive", "15", "--codes", "P0303"]) == 0
"""
CHECK = """
import sys
from swapinfer.commands import run
code = run(sys.argv[2:])
assert code == 0, code
loaded = set(sys.argv[1].split(",")) & set(sys.modules)
sys.exit(f"loaded: {sorted(loaded)}" if loaded else 0)
"""


def test_all_is_what_the_package_holds() -> None:
    assert dir(swapinfer) == sorted(swapinfer.__all__)
    for name in swapinfer.__all__:
        thing = getattr(swapinfer, name)
        assert name == "__version__" or inspect.getdoc(thing), name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = swapinfer.nothing


def test_public_things_are_the_ones_of_their_home() -> None:
    for name in swapinfer.__all__:
        if not name.startswith("_"):
            thing = getattr(swapinfer, name)
            assert thing.__name__ == name
            assert thing.__module__.startswith("swapinfer.")


def start(script: str, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    own = {
        "SWAPINFER_STORE": str(folder / "jobs.db"),
        "SWAPINFER_SETTINGS": str(folder / "settings.toml"),
        "SWAPINFER_WHO": "robin",
    }
    command = [sys.executable, "-c", script, *arguments]
    return subprocess.run(
        command, env={**os.environ, **own}, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    made = start(JOB, folder)
    assert made.returncode == 0, made.stderr
    return folder


LIGHT = {
    "--help": HEAVY | {"numpy"},
    "jobs --help": HEAVY | {"numpy"},
    "jobs": HEAVY,
    "show": HEAVY,
    "next": HEAVY,
    "why": HEAVY,
    "note hello": HEAVY,
    "drive 10 --no-codes": HEAVY,
}
"""A command, and what it must not have loaded when it is done."""


@pytest.mark.parametrize("line", LIGHT)
def test_nothing_heavy_is_loaded(line: str, shop: Path) -> None:
    told = start(CHECK, shop, ",".join(LIGHT[line]), *line.split())
    assert told.returncode == 0, told.stderr


def test_importing_the_package_loads_nothing_else() -> None:
    script = "import sys, swapinfer; print([m for m in sys.modules if m.startswith('swapinfer')])"
    told = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "['swapinfer']"
