"""The built wheel, outside the source tree, plays the demo jobs."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable
from email.parser import Parser
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from swapinfer.errors import EXTRAS

ROOT = Path(__file__).parents[1]

PLAY = """
import contextlib, io, json, sys
from pathlib import Path
import swapinfer
from swapinfer.commands import run
from swapinfer.pack.load import base_folder

for words in json.loads(sys.argv[1]):
    with contextlib.redirect_stdout(io.StringIO()):
        code = run(words)
    assert code == 0, (code, words)
told = io.StringIO()
with contextlib.redirect_stdout(told):
    run(["show", "--json"])
print(json.dumps({
    "package": str(Path(swapinfer.__file__).resolve()),
    "priors": str(base_folder().resolve()),
    "status": json.loads(told.getvalue())["status"],
}))
"""


WITHOUT_EXTRAS = """
import json, sys

from swapinfer.commands import run
from swapinfer.errors import EXTRAS

sys.modules |= dict.fromkeys(EXTRAS)
sys.exit(run(json.loads(sys.argv[1])))
"""
"""Runs one command where no extra is installed: None stands for a module that is not there."""


def run(*command: str, cwd: Path, **own: str) -> str:
    done = subprocess.run(
        command, cwd=cwd, env={**os.environ, **own}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the source archive, and the wheel built from that archive."""
    folder = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "build", "--outdir", str(folder), str(ROOT), cwd=folder)
    return folder


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("installed")
    (wheel,) = built.glob("*.whl")
    pip = (sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check")
    run(*pip, "--no-deps", "--no-index", "--target", str(folder), str(wheel), cwd=folder)
    return folder


@pytest.fixture
def bare(installed: Path, tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Commands of the wheel where nothing but the base is installed."""
    own = {
        "PYTHONPATH": str(installed),
        "SWAPINFER_STORE": str(tmp_path / "jobs.db"),
        "SWAPINFER_SETTINGS": str(tmp_path / "settings.toml"),
        "SWAPINFER_WHO": "robin",
        "XDG_CACHE_HOME": str(tmp_path / "cache"),
    }

    def command(line: str) -> subprocess.CompletedProcess[str]:
        words = json.dumps(shlex.split(line))
        return subprocess.run(
            [sys.executable, "-P", "-c", WITHOUT_EXTRAS, words],
            cwd=tmp_path, env={**os.environ, **own}, capture_output=True, text=True, check=False,
        )  # fmt: skip

    return command


BASE = """\
open RO-7 --layout inline-4 --odometer '148000 km' --driven 300
drive 15 --when warm,load --codes P0303
next --full
why-not compression
swap coil 3-1
drive '15 min' --when warm,load --counts 1=140,3=0
read compression 1=178psi 2=12.5bar 3=175psi 4=180psi
belief
why
plan
clean
picture
history
parts
show
tests --weights
explain P0303
priors show element.coil
priors compare base base
back
store check
store backup copy.db
export RO-7.json
claim --html claim.html --md claim.md --json-file claim.json
claim verify claim.json
jobs --advice
close
store tables jobs.csv findings.csv
"""

LACKING = {
    "claim --pdf claim.pdf": "claim",
    "claim --html new.html --pdf claim.pdf": "claim",
    "attach photo.png": "claim",
    "priors learn jobs.csv --out learned": "learn",
    "priors learn --out learned": "learn",
    "priors lives exposure.csv --out learned": "learn",
    "priors strip jobs.csv --out learned": "learn",
    "jobs --store postgresql://nobody@127.0.0.1:1/none": "postgres",
}


@pytest.mark.slow
def test_what_a_technician_does_needs_no_extra(
    bare: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    for line in BASE.splitlines():
        done = bare(line)
        assert done.returncode == 0, (line, done.stderr)
    (tmp_path / "photo.png").write_bytes(b"any")
    (tmp_path / "exposure.csv").write_text("kind,count,from_km,to_km\n", encoding="utf-8")
    before = sorted(tmp_path.iterdir())
    for line, extra in LACKING.items():
        done = bare(line)
        assert done.returncode == 12, (line, done.stderr)
        assert done.stderr.count("\n") == 1, done.stderr
        assert f'pip install "swapinfer[{extra}]"' in done.stderr
        assert sorted(tmp_path.iterdir()) == before, line


@pytest.mark.slow
def test_every_library_comes_with_the_extra_that_is_named(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        name = next(n for n in archive.namelist() if n.endswith(".dist-info/METADATA"))
        about = Parser().parsestr(archive.read(name).decode())
    wanted = [Requirement(text) for text in about.get_all("Requires-Dist", [])]
    always = {one.name for one in wanted if one.marker is None}
    assert always == {"msgspec", "numpy", "pint", "platformdirs", "rich", "typer"}
    brought_by = packages_distributions()
    for library, extra in EXTRAS.items():
        with_it = {o.name for o in wanted if o.marker and o.marker.evaluate({"extra": extra})}
        assert {name.lower() for name in brought_by[library]} & with_it, (library, extra)


def demo_jobs() -> dict[str, list[list[str]]]:
    script = "import json, jobs; print(json.dumps(jobs.JOBS))"
    found: dict[str, list[list[str]]] = json.loads(
        run(sys.executable, "-c", script, cwd=ROOT / "demo")
    )
    return found


@pytest.mark.slow
def test_the_wheel_holds_package_and_priors_and_nothing_else(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    assert wheel.name.endswith("-py3-none-any.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        metadata = next(name for name in names if name.endswith(".dist-info/METADATA"))
        about = Parser().parsestr(archive.read(metadata).decode())
    inside = {name for name in names if ".dist-info/" not in name}
    wanted = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "swapinfer").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    priors = (path.relative_to(ROOT / "priors") for path in (ROOT / "priors").rglob("*.toml"))
    wanted |= {f"swapinfer/_priors/{path.as_posix()}" for path in priors}
    assert inside == wanted
    assert "swapinfer/py.typed" in inside
    assert about["License-Expression"] == "MIT"
    assert about["Requires-Python"] == ">=3.11"


@pytest.mark.slow
def test_the_source_archive_holds_what_a_contributor_needs(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as tar:
        names = {name.partition("/")[2] for name in tar.getnames()}
    assert {"README.md", "LICENSE", "constraints.txt", "tests/run", "demo/run"} <= names
    assert {"priors/pack.toml", "docs/model.md", "benchmarks/run", "pyproject.toml"} <= names


@pytest.mark.slow
@pytest.mark.parametrize("name", demo_jobs())
def test_the_wheel_plays_the_demo(name: str, installed: Path, tmp_path: Path) -> None:
    own = {
        "PYTHONPATH": str(installed),
        "SWAPINFER_STORE": str(tmp_path / "jobs.db"),
        "SWAPINFER_SETTINGS": str(tmp_path / "settings.toml"),
        "SWAPINFER_WHO": "robin",
        "XDG_CACHE_HOME": str(tmp_path / "cache"),
    }
    commands = json.dumps(demo_jobs()[name])
    told = json.loads(run(sys.executable, "-P", "-c", PLAY, commands, cwd=tmp_path, **own))
    assert Path(told["package"]).is_relative_to(installed)
    assert Path(told["priors"]) == installed / "swapinfer" / "_priors"
    assert told["status"] == "verified"


@pytest.mark.slow
def test_the_command_starts_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    (script,) = (installed / "bin").glob("swapinfer*")
    told = run(sys.executable, str(script), "--version", cwd=tmp_path, PYTHONPATH=str(installed))
    assert told.startswith("swapinfer 0.")
