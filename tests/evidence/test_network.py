"""Whole jobs against a general Bayesian-network library.

The network is built by `reference.py` from events and pack without the package's evidence and
inference code, and solved by pyAgrum's exact `LazyPropagation`.
"""

from __future__ import annotations

import numpy as np
import pytest
from evidence.reference import Reference

from swapinfer import Closed, Inspected, Job, Measured, Opened, Ran, Replaced, Reseated, Swapped
from swapinfer.evidence import levels
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.pack import load_pack
from swapinfer.posterior import infer

LOAD = ("warm", "load")
IDLE = ("cold", "idle")
COP = {"ignition": "coil-on-plug", "fuel": "port"}
WASTE = {"ignition": "waste-spark", "fuel": "port"}
DIRECT = {"ignition": "coil-on-plug", "fuel": "direct"}

JOBS = {
    "coil moved, quiet once, replaced": [
        Opened("RO", "inline-4", COP, odometer_km=148000, driven_km=300),
        Ran(15, LOAD, ("P0303",)),
        Swapped((("coil3", "coil1"), ("plug3", "plug2"))),
        Ran(15, LOAD, ()),
        Ran(30, LOAD, ("P0301",)),
        Replaced("coil1"),
        Ran(60, LOAD, ()),
    ],
    "two faults at once": [
        Opened("RO", "inline-4", COP, odometer_km=148000, driven_km=300),
        Ran(15, LOAD, ("P0303", "P0302")),
        Swapped((("coil3", "coil1"),)),
        Ran(15, LOAD, ("P0301", "P0302")),
    ],
    "six cylinders, direct injection": [
        Opened("RO", "v6", DIRECT, odometer_km=188000, driven_km=900),
        Ran(10, LOAD, ("P0304",)),
        Swapped((("coil4", "coil1"),)),
        Ran(10, LOAD, ("P0304",)),
        Inspected("plug-look", "cylinder4", "oil"),
        Inspected("plug-look", "cylinder4", "oil"),
    ],
    "waste spark": [
        Opened("RO", "inline-4", WASTE, odometer_km=188000, driven_km=900),
        Ran(10, LOAD, ("P0301", "P0304")),
        Ran(10, IDLE, ("P0304",)),
    ],
    "counters and a supply reading": [
        Opened("RO", "inline-4", COP, odometer_km=148000, newer={"plug2": 4000.0}),
        Ran(10, IDLE, counts={1: 0, 3: 90}),
        Measured("coil-supply", "cylinder3", 11.0, reference=12.5),
    ],
    "a contact cured by being touched": [
        Opened("RO", "inline-4", COP, odometer_km=90000, driven_km=50),
        Ran(10, LOAD, ("P0302",)),
        Reseated("coil-wiring2"),
        Ran(60, LOAD, ()),
    ],
    "a plug and a coil moved, looked at before they ran there": [
        Opened("RO", "inline-4", COP, odometer_km=148000, driven_km=300),
        Ran(15, LOAD, ("P0303",)),
        Swapped((("plug3", "plug1"), ("coil3", "coil4"))),
        Inspected("plug-look", "cylinder1", "oil"),
    ],
    "compression around an unknown level": [
        Opened("RO", "inline-3", COP, odometer_km=210000, compression_ratio=10.0, altitude_m=900.0),
        Ran(10, IDLE, ("P0302",)),
        Measured("compression", "cylinder1", 150.0),
        Measured("compression", "cylinder2", 70.0),
    ],
}


@pytest.mark.parametrize("name", JOBS)
def test_marginals_equal_a_library_network(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every state of every element, to 1e-9; pyAgrum (LazyPropagation) is the second opinion.

    The quadrature has few nodes here, the same on both sides: the library solves one network a
    node.
    """
    monkeypatch.setattr(levels, "SPACING", 4.0)
    pack = load_pack()
    events = JOBS[name]
    assert not any(isinstance(event, Closed) for event in events)
    evidence = gather_evidence(Job(pack, tuple(events)).replayed)
    mine = infer(evidence.problem)
    nodes = list(zip(evidence.level_values, evidence.problem.level_q, strict=True))
    reference = Reference(pack, events)
    theirs = reference.marginals(nodes)
    for e, element in enumerate(evidence.problem.elements):
        found = dict(zip(evidence.problem.states[e], mine.marginal_es[e], strict=False))
        for s, (mode, severity, onset) in enumerate(reference.things[element].states):
            state = f"{mode}/{severity}" if s else "good"
            state += "" if onset < 0 else f"@{onset}"
            assert np.isclose(found[state], theirs[element][s], rtol=0, atol=1e-9), (element, state)
