"""Whole jobs: the package against a program that knows the documents and the TOML files alone.

`model.py` and what it imports were written from `docs/model.md` and `docs/pack-format.md`, and
import nothing of the package. The sums are done in another manner (products multiplied out, in
exact arithmetic where they cancel), and by a general library's exact engine.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from independent import runs
from independent.beside import Marginals, by_package
from independent.jobs import COP, JOBS, THREE_KINDS, TWO_LEVELS, inspected, opened, ran
from independent.model import Model
from independent.network import solve_by_library
from independent.priors import Table, read_priors

from swapinfer.evidence import assemble, levels
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

ROOT = Path(__file__).parents[2]
PRIORS = ROOT / "priors"
TOLERANCE = 1e-9

SOLVED_BY_LIBRARY = (
    "coil moved, quiet once, replaced",
    "a misfire that is not named",
    "a contact cured by being touched",
    "fault codes beside the misfire",
)


@pytest.fixture(scope="module")
def priors() -> Table:
    return read_priors(PRIORS)


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(autouse=True)
def _every_node(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep nodes that hardly matter and gather none, as the package does for speed."""
    monkeypatch.setattr(levels, "NEGLIGIBLE", 1e-200)
    monkeypatch.setattr(levels, "MOST_COMBINED", 10**9)


def same(mine: Marginals, theirs: Marginals) -> None:
    assert set(mine) == set(theirs)
    for element, row in mine.items():
        assert row == pytest.approx(theirs[element], rel=0, abs=TOLERANCE), element


@pytest.mark.parametrize("name", JOBS)
def test_every_state_of_every_element(name: str, priors: Table, pack: Pack) -> None:
    log_evidence, marginals = Model(priors, JOBS[name]).solve()
    found_log, found = by_package(pack, JOBS[name])
    same(found, marginals)
    assert found_log == pytest.approx(log_evidence, rel=0, abs=TOLERANCE)


def test_two_unknown_levels_at_every_combination_of_nodes(
    priors: Table, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(levels, "SPACING", 3.0)
    log_evidence, marginals = Model(priors, TWO_LEVELS, spacing=3.0).solve()
    found_log, found = by_package(pack, TWO_LEVELS)
    same(found, marginals)
    assert found_log == pytest.approx(log_evidence, rel=0, abs=TOLERANCE)


def test_drives_beyond_those_for_which_it_is_supposed(
    priors: Table, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What serves all cylinders upsets them one by one in kinds of drive after the first few."""
    monkeypatch.setattr(assemble, "MOST_SUPPOSED", 1)
    monkeypatch.setattr(runs, "MOST_SUPPOSED", 1)
    _, marginals = Model(priors, THREE_KINDS).solve()
    same(by_package(pack, THREE_KINDS)[1], marginals)


@pytest.mark.parametrize("name", SOLVED_BY_LIBRARY)
def test_a_general_library_finds_the_same(name: str, priors: Table) -> None:
    """PyAgrum, LazyPropagation: one network for every combination of what is shared."""
    model = Model(priors, JOBS[name])
    same(solve_by_library(model), model.solve()[1])


def test_a_fault_that_a_swap_made_is_seen_by_the_look_that_follows(
    priors: Table, pack: Pack
) -> None:
    """The look opens the connector too, but only after it was made."""
    events = [opened(fitment=COP), ran(10, "P0302")]
    events += [
        {"type": "reseated", "place": "coil2"},
        inspected("coil-signal", "cylinder2", "none"),
    ]
    _, marginals = Model(priors, events).solve()
    same(by_package(pack, events)[1], marginals)
    induced = {s: p for s, p in marginals["coil-wiring2"].items() if s.startswith("open/hard@")}
    assert induced["open/hard@2"] > 100.0 * induced["open/hard@3"]


def test_it_runs_without_the_package() -> None:
    """Where nothing of the package can be imported."""
    code = (
        "import sys; from pathlib import Path; sys.modules['swapinfer'] = None\n"
        "from independent.jobs import JOBS; from independent.model import Model\n"
        "from independent.network import solve_by_library\n"
        "from independent.priors import read_priors\n"
        "model = Model(read_priors(Path('priors')), JOBS['coil moved, quiet once, replaced'])\n"
        "print(1 - model.solve()[1]['coil3']['good'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT / "tests")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert 0.9 < float(done.stdout) < 1.0
