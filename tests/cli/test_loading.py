"""Each command loads what it needs and no more: its own module, and nothing heavy."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys

import pytest
from docs.test_schemas import LINES, WITHOUT_JSON, furnish

from swapinfer.commands.app import CONTENTS

HEAVY = {
    "anyio", "arviz", "jinja2", "matplotlib", "numba", "pandas", "pint", "psycopg", "pymc", "scipy",
    "segno", "starlette", "typst", "uvicorn",
}  # fmt: skip
"""What no command may load, but for those that work on tables."""

TABLES = {"priors strip": {"pandas"}, "priors rates": {"pandas"}}
"""Commands that work on the tables of a history, and what they may load for that."""

NUMBERS = {"numpy", "swapinfer.posterior", "swapinfer.evidence"}
"""What only reasoning needs."""

WITHOUT_NUMBERS = {
    "--help", "jobs", "settings", "explain", "export", "store check", "store backup",
    "store rescue", "store move", "priors show",
}  # fmt: skip
"""What reads or keeps without reasoning."""

BORROWED = {
    "scan": {"drive"},
    "show": {"jobs"},
    "claim": {"store"},
    "guide": {"findings", "jobs", "next", "opening"},
}
"""Module of a command, and those of other commands that it builds on."""

pytestmark = pytest.mark.slow

SCRIPT = """
import json, sys
from swapinfer.commands import run
code = run(sys.argv[2:])
assert code == 0, code
open(sys.argv[1], "w").write(json.dumps(sorted(sys.modules)))
"""


def name_of(line: str) -> str:
    """Name of the command in a line."""
    first, *rest = shlex.split(line)
    return f"{first} {rest[0]}" if rest and f"{first} {rest[0]}" in CONTENTS else first


ONE_EACH = {name_of(line): line for line in reversed(LINES)}
"""For each command the first line that calls it."""


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> dict[str, set[str]]:
    """By command, the modules that it had loaded when it was done."""
    folder = tmp_path_factory.mktemp("loading")
    furnish(folder)
    own = {
        **os.environ,
        "SWAPINFER_STORE": "jobs.db",
        "SWAPINFER_SETTINGS": "settings.toml",
        "SWAPINFER_WHO": "robin",
    }
    found = {}
    for line in ["--help", *filter(set(ONE_EACH.values()).__contains__, LINES)]:
        command = [sys.executable, "-c", SCRIPT, "loaded.json", *shlex.split(line)]
        done = subprocess.run(
            command, cwd=folder, env=own, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, (line, done.stderr)
        found[line] = set(json.loads((folder / "loaded.json").read_text(encoding="utf-8")))
    return {"--help": found["--help"]} | {name: found[line] for name, line in ONE_EACH.items()}


def test_every_command_is_tried() -> None:
    asking = {" ".join(words) for words in WITHOUT_JSON}
    callable_ = {name for name, entry in CONTENTS.items() if entry.home}
    assert callable_ - asking == set(ONE_EACH)


@pytest.mark.parametrize("name", ["--help", *ONE_EACH])
def test_nothing_heavy(name: str, loaded: dict[str, set[str]]) -> None:
    unwanted = HEAVY | (NUMBERS if name in WITHOUT_NUMBERS else set())
    assert not loaded[name] & unwanted - TABLES.get(name, set())


def test_a_note_is_recorded_without_planning(loaded: dict[str, set[str]]) -> None:
    assert "swapinfer.plan.next" in loaded["next"]
    assert "swapinfer.plan.next" not in loaded["note"]


@pytest.mark.parametrize("name", ["--help", *ONE_EACH])
def test_no_other_command(name: str, loaded: dict[str, set[str]]) -> None:
    homes = {entry.home for entry in CONTENTS.values() if entry.home}
    own = {CONTENTS[name].home} if name in CONTENTS else set()
    allowed = own.union(*(BORROWED.get(home, set()) for home in own))
    assert {home for home in homes if f"swapinfer.commands.{home}" in loaded[name]} <= allowed
