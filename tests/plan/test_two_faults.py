"""Two faults that were both moved are among the fault sets that planning and lists go by."""

from __future__ import annotations

import numpy as np

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.pack.model import Pack
from swapinfer.posterior import fault_sets, infer


def test_sets_agree_with_the_exact_pass_where_one_cause_or_two_may_be_at_work(pack: Pack) -> None:
    """A cause of the whole engine and two independent ones are likely at different level nodes."""
    fitment = {"ignition": "coil-on-plug", "fuel": "port"}
    moved = ev.Swapped((("coil1", "coil2"), ("plug4", "plug3")))
    before, after = (
        ev.Ran(20.0, ("warm", "load"), codes=codes)
        for codes in (("P0301", "P0304"), ("P0302", "P0303"))
    )
    opening = ev.Opened("1", "inline-4", fitment, odometer_km=190_000.0, driven_km=2_000.0)
    evidence = gather_evidence(replay(enumerate([opening, before, moved, after]), pack))
    posterior = infer(evidence.arrays)
    sets = fault_sets(evidence.arrays, posterior, cover=0.998, limit=500)
    assert sets.left_out < 0.05
    for name in ("coil1", "plug4", "fuel-quality"):
        e = evidence.space.index[name]
        listed = sets.belief_h[(sets.element_hk == e).any(axis=1)].sum()
        assert listed <= posterior.fault_e[e] + 1e-9
        assert posterior.fault_e[e] <= listed + sets.left_out + 1e-9
    both = [
        (sets.element_hk == evidence.space.index[name]).any(axis=1) for name in ("coil1", "plug4")
    ]
    assert sets.belief_h[np.logical_and(*both)].sum() > 0.25
