"""The model itself: brute force on a small engine, and what must not matter."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from independent.beside import by_package, gathered
from independent.jobs import inspected, measured, opened, ran, swapped
from independent.model import Model
from independent.priors import Table, read_priors
from msgspec import structs

from swapinfer import Inspected, JobCard, Measured, Opened, Ran, Swapped, load_pack
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.states import lot_factors
from swapinfer.layout import Layout
from swapinfer.pack.model import Handling, Pack
from swapinfer.posterior import infer

LOAD = ("warm", "load")
COP = {"ignition": "coil-on-plug", "fuel": "port"}
PACK = load_pack()


def small_pack() -> Pack:
    """Two cylinders; a coil and its wiring each, one fuel supply; two modes of each."""
    kept = {}
    for name in ("fuel-pressure", "coil-wiring", "coil"):
        kind = PACK.kinds[name]
        modes = dict(itertools.islice(kind.modes.items(), 2))
        handling = (Handling("coil", next(iter(modes)), 0.003),) if name == "coil" else ()
        kept[name] = structs.replace(kind, modes=modes, handling=handling)
    tests = {n: structs.replace(t, disturbs=()) for n, t in PACK.tests.items()}
    twin = Layout("twin", "two in line", ((1, 2),), (1, 2))
    return structs.replace(PACK, kinds=kept, tests=tests, layouts={"twin": twin})


def fault_by_element(job: JobCard) -> dict[str, np.ndarray]:
    evidence = gather_evidence(job.replayed)
    marginal_es = infer(evidence.arrays).marginal_es
    return dict(zip(evidence.arrays.elements, marginal_es, strict=True))


def small_priors() -> Table:
    """Return the same as plain tables, for the program that knows nothing of the package."""
    priors = read_priors(Path(__file__).parents[2] / "priors")
    kept = {name: priors["element"][name] for name in ("fuel-pressure", "coil-wiring", "coil")}
    for name, kind in kept.items():
        kind["mode"] = dict(itertools.islice(kind["mode"].items(), 2))
        harm = {"coil": {next(iter(kind["mode"])): 0.003}}
        kind["handling"] = harm if name == "coil" else {}
    for test in priors["test"].values():
        test["disturbs"] = {}
    twin = {"twin": {"banks": [[1, 2]], "firing_order": [1, 2]}}
    return priors | {"element": kept, "layout": twin}


def test_brute_force_on_a_small_engine() -> None:
    """Every combination of states, one by one, of factors and bits written from the documents."""
    events = [
        opened("twin", odometer_km=150_000.0, driven_km=200.0),
        ran(12, "P0301"),
        swapped(("coil1", "coil2")),
        ran(20, "P0302"),
        ran(20, "P0301", "P0302"),
        measured("leak-down", "cylinder1", 30.0),
        inspected("cut-out", "cylinder2", "none"),
    ]
    model = Model(small_priors(), events)
    edges = [*model.states.first_e.tolist(), len(model.states.states)]
    rows = [range(start, end) for start, end in itertools.pairwise(edges)]
    total, of_state = 0.0, np.zeros(len(model.states.states))
    for case in model.cases():
        weight_s = model.weight_s(case)
        for states in itertools.product(*rows):
            mass = case.weight * math.prod(weight_s[s] for s in states)
            for bit in case.bits:
                is_open, is_explained = 1.0, 0.0
                for s in states:
                    is_explained = is_explained * bit.c_s[s] + is_open * bit.b_s[s]
                    is_open *= bit.a_s[s]
                mass *= is_open * bit.is_open + is_explained * bit.is_explained
            total += mass
            of_state[list(states)] += mass
    by_hand = model.by_name(of_state / total)
    log_evidence, found = by_package(small_pack(), events)
    assert math.isclose(log_evidence, math.log(total) + model.runs.log_constant, abs_tol=1e-11)
    for name, row in by_hand.items():
        assert found[name] == pytest.approx(row, rel=0, abs=1e-12)


FINDINGS = [
    Ran(10, LOAD, ("P0303",)),
    Ran(25, ("cold", "idle"), (), pending=()),
    Ran(5, (), None, {}, "rough"),
    Inspected("plug-look", "cylinder3", "worn"),
    Measured("coil-primary", "coil3", 1.1),
    Measured("compression", "cylinder3", 120.0),
]


@settings(max_examples=12, deadline=None)
@given(st.permutations(FINDINGS))
def test_order_of_independent_findings_does_not_matter(order: list[object]) -> None:
    """None of these handles anything that another one sees; disturbing tests are kept last."""
    quiet = [f for f in order if isinstance(f, Ran)]
    tests = [f for f in order if not isinstance(f, Ran)]
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)
    pack = _without_handling(PACK)
    straight = fault_by_element(JobCard(pack, (opening, *FINDINGS)))
    shuffled = fault_by_element(JobCard(pack, (opening, *quiet, *tests)))
    for name, row in straight.items():
        assert np.allclose(row, shuffled[name], rtol=0, atol=1e-12)


def _without_handling(pack: Pack) -> Pack:
    kinds = {n: structs.replace(k, handling=()) for n, k in pack.kinds.items()}
    tests = {n: structs.replace(t, disturbs=()) for n, t in pack.tests.items()}
    return structs.replace(pack, kinds=kinds, tests=tests)


def test_swapping_there_and_back_changes_nothing_but_handling_risk() -> None:
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)
    there = Swapped((("coil3", "coil1"),))
    runs = (Ran(15, LOAD, ("P0303",)), Ran(15, LOAD, ("P0303",)))
    pack = _without_handling(PACK)
    plain = fault_by_element(JobCard(pack, (opening, *runs)))
    moved = fault_by_element(JobCard(pack, (opening, runs[0], there, there, runs[1])))
    for name, row in plain.items():
        assert np.allclose(row, moved[name], rtol=0, atol=1e-12)
    risky = fault_by_element(JobCard(PACK, (opening, runs[0], there, there, runs[1])))
    harmed = [n for n, row in risky.items() if not np.isclose(row[0], plain[n][0], atol=1e-12)]
    assert harmed, "handling must leave some risk behind"


@pytest.mark.parametrize("shift", [1, 2, 3])
def test_relabelling_cylinders_relabels_the_answer(shift: int) -> None:
    """A rotation of the firing order is a symmetry of an inline engine without banks' ends."""
    order = PACK.layouts["inline-4"].firing_order
    rename = {c: order[(order.index(c) + shift) % 4] for c in order}
    kinds = {n: k for n, k in PACK.kinds.items() if k.pattern != "adjacent"}
    pack = structs.replace(PACK, kinds=kinds)
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)

    def events(name: dict[int, int]) -> tuple[object, ...]:
        return (
            opening,
            Ran(15, LOAD, (f"P030{name[3]}",)),
            Inspected("plug-look", f"cylinder{name[3]}", "worn"),
            Swapped(((f"coil{name[3]}", f"coil{name[1]}"),)),
            Ran(30, LOAD, (f"P030{name[1]}",)),
        )

    same = {c: c for c in order}
    before = fault_by_element(JobCard(pack, events(same)))  # type: ignore[arg-type]
    after = fault_by_element(JobCard(pack, events(rename)))  # type: ignore[arg-type]
    for name, row in before.items():
        head, tail = name.rstrip("0123456789"), name[len(name.rstrip("0123456789")) :]
        twin = f"{head}{rename[int(tail)]}" if tail and "bank" not in head else name
        assert np.allclose(row, after[twin], rtol=0, atol=1e-10), (name, twin)


def test_ten_clean_drives_are_stronger_than_one() -> None:
    """Ten clean ten-minute runs equal one of a hundred minutes, and say more than one of ten."""
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)
    seen = Ran(15, LOAD, ("P0303",))
    one = fault_by_element(JobCard(PACK, (opening, seen, Ran(10, LOAD, (), pending=()))))
    ten = fault_by_element(JobCard(PACK, (opening, seen, *[Ran(10, LOAD, (), pending=())] * 10)))
    assert 1 - ten["coil3"][0] != pytest.approx(1 - one["coil3"][0], rel=1e-3)
    hard = 1
    assert ten["coil3"][hard] < one["coil3"][hard]


@pytest.mark.parametrize("psi", [120.0, 90.0, 60.0, 30.0, 12.0, 5.0, 0.0])
def test_low_compression_speaks_against_the_cylinder_down_to_nothing_at_all(psi: float) -> None:
    """Common practice, no source: one far below its neighbours is bad, and none is the worst."""
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)
    others = [Measured("compression", f"cylinder{c}", 178.0) for c in (1, 2, 4)]
    seen = [Ran(15, LOAD, ("P0303",)), *others, Measured("compression", "cylinder3", psi)]
    fault = fault_by_element(JobCard(PACK, (opening, *seen)))
    assert 1 - fault["sealing3"][0] > 2 / 3


@pytest.mark.parametrize("psi", [178.0, 60.0])
def test_a_level_of_one_reading_may_be_summed_out_before_or_after(psi: float) -> None:
    """Sums may be taken in any order: over the nodes of the level in the bit, or at the end."""
    opening = Opened("RO", "inline-4", COP, odometer_km=150000)
    read = Measured("compression", "cylinder3", psi)
    job = JobCard(PACK, (opening, Ran(15, LOAD, ("P0303",)), read)).replayed
    evidence = gather_evidence(job)
    told = evidence.telling(job.engine.tests["compression"])
    assert evidence.arrays.level_q.size == 1 < told.arrays.level_q.size
    at_once, apart = infer(evidence.arrays), infer(told.arrays)
    assert at_once.log_evidence == pytest.approx(apart.log_evidence, rel=0, abs=1e-12)
    np.testing.assert_allclose(at_once.marginal_es, apart.marginal_es, rtol=0, atol=1e-13)


@pytest.mark.parametrize("share", [0.01, 0.3, 0.6, 0.85])
def test_a_lot_leaves_every_prior_a_probability(share: float) -> None:
    """However likely a fault is beforehand, what lots make of it adds up to one."""
    space = gathered(PACK, [opened()]).space
    prior_es = space.prior_es.copy()
    prior_es[:, 1:] *= share / prior_es[:, 1:].sum(axis=1, keepdims=True)
    prior_es[:, 0] = 1.0 - share
    _, lot_zes = lot_factors(structs.replace(space, prior_es=prior_es), ["coil", "plug"])
    assert lot_zes.shape[0] == 4
    assert np.all(lot_zes > 0)
    assert np.allclose((lot_zes * prior_es).sum(axis=-1), 1.0, rtol=0, atol=1e-12)
