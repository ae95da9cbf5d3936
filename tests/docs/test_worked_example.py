"""The job worked by hand in docs/model.md, recomputed without the engine, beside the engine.

The second way is enumeration of all sixteen combinations with the arithmetic of the page alone.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from swapinfer import JobCard, Opened, Ran, Swapped, load_pack
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.posterior import flip_points, infer, weigh_findings

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "model.md").read_text(encoding="utf-8")
EXAMPLE = PAGE.split("## One job by hand")[1].split("## Where the model stops")[0]

ODDS = {"coil1": math.exp(0.02) - 1, "coil2": math.exp(0.02) - 1}
ODDS |= {"plug1": math.exp(0.01) - 1, "plug2": math.exp(0.01) - 1}
QUIET = math.exp(-0.08 * 15)
LEAK = 1 - math.exp(-0.00001 * 15)
SERVING = (({"coil1", "plug1"}, {"coil2", "plug2"}), ({"coil1", "plug2"}, {"coil2", "plug1"}))
"""For each run what serves the cylinder that misfired, and what serves the quiet one."""

Faults = tuple[str, ...]


def run_chance(faults: Faults, run: int) -> float:
    loud, quiet = (len(served & set(faults)) for served in SERVING[run])
    return (1 - (1 - LEAK) * QUIET**loud) * (1 - LEAK) * QUIET**quiet


def weight(faults: Faults) -> float:
    odds = math.prod(ODDS[name] for name in faults)
    complaint = 0.99 if faults else 0.0005
    return odds * complaint * run_chance(faults, 0) * run_chance(faults, 1)


WEIGHTS = {
    faults: weight(faults)
    for size in range(5)
    for faults in itertools.combinations(sorted(ODDS), size)
}
TOTAL = sum(WEIGHTS.values())

ROWS: dict[str, Faults] = {
    "coil 1": ("coil1",),
    "coil 1, plug 1": ("coil1", "plug1"),
    "coil 1, plug 2": ("coil1", "plug2"),
    "coils 1 and 2": ("coil1", "coil2"),
    "plugs 1 and 2": ("plug1", "plug2"),
    "plug 1": ("plug1",),
    "plug 2": ("plug2",),
}


@pytest.fixture(scope="module")
def job() -> JobCard:
    pack = load_pack(root=DOCS / "example")
    opening = Opened("X", "twin", {"ignition": "coil-on-plug"}, driven_km=1000)
    return JobCard.open(opening, pack).then(
        Ran(15, codes=("P0301",)), Swapped((("coil1", "coil2"),)), Ran(15, codes=("P0302",))
    )


def near(value: float) -> str:
    return f"{value:.3e}" if value < 1e-3 else f"{value:.5f}"


def test_the_table_is_arithmetic() -> None:
    for name, faults in ROWS.items():
        odds = math.prod(ODDS[part] for part in faults)
        shown = near(odds) if odds < 1e-3 else f"{odds:.6f}"
        row = (
            f"| {name} | {shown} | {near(run_chance(faults, 0))} | {near(run_chance(faults, 1))} "
            f"| {WEIGHTS[faults]:.3e} | {100 * WEIGHTS[faults] / TOTAL:.4f} % |"
        )
        assert row in EXAMPLE
    others = TOTAL - sum(WEIGHTS[faults] for faults in ROWS.values())
    assert f"| the other nine | | | | {others:.1e} | {100 * others / TOTAL:.4f} % |" in EXAMPLE
    assert len(WEIGHTS) - len(ROWS) == 9


def test_the_engine_says_the_same(job: JobCard) -> None:
    arrays = gather_evidence(job.replayed).arrays
    posterior = infer(arrays)
    for name, fault in zip(arrays.elements, posterior.fault_e, strict=True):
        by_hand = sum(value for faults, value in WEIGHTS.items() if name in faults) / TOTAL
        assert fault == pytest.approx(by_hand, rel=1e-12)
    good = 1 / math.prod(1 + odds for odds in ODDS.values())
    assert posterior.log_evidence == pytest.approx(math.log(good * TOTAL), rel=1e-12)


def test_odds_decibans_and_flip_point(job: JobCard) -> None:
    with_coil = sum(value for faults, value in WEIGHTS.items() if "coil1" in faults)
    odds = with_coil / (TOTAL - with_coil)
    assert f"= {odds:.0f}\n" in EXAMPLE
    assert f"{100 * with_coil / TOTAL:.4f} %" in EXAMPLE
    evidence = gather_evidence(job.replayed)
    arrays = evidence.arrays
    weights = weigh_findings(arrays, evidence.keeping)
    coil = arrays.elements.index("coil1")
    assert f"10 log10 0.020201 | {weights.prior_db_e[coil]:.3f} |" in EXAMPLE
    for name, decibans in zip(
        ("complaint", "run 1", "run 2"), weights.fault_ne[:, coil], strict=True
    ):
        assert f"| {name} | {decibans:+.3f} |" in EXAMPLE
    in_all = weights.prior_db_e[coil] + weights.fault_ne[:, coil].sum()
    assert in_all == pytest.approx(10 * math.log10(odds), abs=1e-9)
    assert f"| {in_all:+.3f} |" in EXAMPLE

    flips = flip_points(arrays, infer(arrays))
    plug = [arrays.elements[e] for e in flips.rival_r].index("plug1")
    rival = sum(v for f, v in WEIGHTS.items() if "plug1" in f and "coil1" not in f)
    leader = sum(v for f, v in WEIGHTS.items() if "coil1" in f and "plug1" not in f)
    assert flips.factor_r[plug] == pytest.approx(rival / leader, rel=1e-9)
    assert f"{rival / leader:.6f}: coil 1" in EXAMPLE
    assert f"{leader / rival:,.0f} times" in EXAMPLE


def test_the_numbers_of_one_run() -> None:
    for text in (f"q = exp(-1.2) = {QUIET:.5f}", f"{1 - QUIET:.5f}", f"{QUIET**2:.5f}"):
        assert text in EXAMPLE
    assert f"= {LEAK:.8f}" in EXAMPLE
    assert np.isclose(1000 / 0.8, 1250)
    assert "1,250 minutes" in EXAMPLE
