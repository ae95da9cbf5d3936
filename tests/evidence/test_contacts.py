"""Contacts that handling ends, for good or for a time: against the pack's shares and by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.states import StateSpace, build_states
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer

OPENING = ev.Opened("RO-9", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
MISFIRE = ev.Ran(10.0, ("load",), ("P0303",), pending=())
SWAP = ev.Swapped((("coil3", "coil1"),))
CONTACT = "coil-wiring3"


def quiet(minutes: float) -> ev.Ran:
    return ev.Ran(minutes, ("load",), (), pending=())


@pytest.fixture(scope="module")
def pack() -> Pack:
    back = replace(load_pack().running, comes_back=((0.0, 0.2), (45.0, 0.3)))
    return replace(load_pack(), running=back)


@pytest.fixture(scope="module")
def for_good(pack: Pack) -> Pack:
    return replace(pack, running=replace(pack.running, comes_back=()))


def job_of(pack: Pack, *events: Event) -> Job:
    return replay(enumerate([OPENING, *events]), pack)


def loose(space: StateSpace) -> dict[float, list[int]]:
    """States of a loose contact, whatever their severity, by how long handling ends them."""
    found: dict[float, list[int]] = {}
    for s, state in enumerate(space.states[space.index[CONTACT]]):
        if state.mode and state.mode.id == "loose" and state.onset < 0:
            found.setdefault(state.sleeps, []).append(s)
    return found


def test_ways_to_end_share_the_chance_of_the_mode(pack: Pack, for_good: Pack) -> None:
    parted, whole = build_states(job_of(pack)), build_states(job_of(for_good))
    e = parted.index[CONTACT]
    (total,) = (whole.prior_es[e, states].sum() for states in loose(whole).values())
    shares = {t: parted.prior_es[e, s].sum() / total for t, s in loose(parted).items()}
    assert shares == pytest.approx({math.inf: 0.5, 0.0: 0.2, 45.0: 0.3})
    assert parted.prior_es[e, 0] == pytest.approx(whole.prior_es[e, 0])


def test_it_is_there_again_once_it_was_driven_long_enough(pack: Pack) -> None:
    """Of a drive, half its minutes count: 30 + 10 lie below 45, 30 + 20 + 5 above."""
    events = (MISFIRE, SWAP, quiet(30.0), quiet(20.0), quiet(10.0))
    job = job_of(pack, *events)
    space = build_states(job)
    e, by_sleep = space.index[CONTACT], loose(space)
    times = [finding.time for finding in job.findings]

    def is_there(sleeps: float) -> list[bool]:
        return [bool(space.active_es(time)[e, by_sleep[sleeps]].all()) for time in times]

    assert is_there(math.inf) == [True, False, False, False]
    assert is_there(0.0) == [True, True, True, True]
    assert is_there(45.0) == [True, False, False, True]
    again = build_states(job_of(pack, *events, ev.Reseated(CONTACT), quiet(10.0)))
    assert not again.active_es(again.job.time)[e, loose(again)[45.0]].any()


def test_what_was_driven_before_a_return_counts(pack: Pack) -> None:
    km = 46.0 * pack.running.km_per_min
    for driven, wanted in ((km, True), (0.5 * km, False)):
        job = job_of(pack, MISFIRE, SWAP, ev.Closed(), ev.Reopened(driven_km=driven))
        space = build_states(job)
        states = loose(space)[45.0]
        assert bool(space.active_es(job.time)[space.index[CONTACT], states].all()) is wanted


def test_a_misfire_that_stays_away_and_returns_points_to_the_contact(
    pack: Pack, for_good: Pack
) -> None:
    story = (MISFIRE, SWAP, quiet(60.0), MISFIRE)

    def belief(believed: Pack) -> float:
        evidence = gather_evidence(job_of(believed, *story))
        fault_e = infer(evidence.arrays).fault_e
        return float(fault_e[evidence.space.index[CONTACT]])

    assert belief(pack) > 2.0 * belief(for_good)


def test_without_handling_nothing_changes(pack: Pack, for_good: Pack) -> None:
    story = (MISFIRE, quiet(20.0), MISFIRE)
    first, second = (infer(gather_evidence(job_of(p, *story)).arrays) for p in (pack, for_good))
    np.testing.assert_allclose(first.fault_e, second.fault_e, atol=1e-12)
    assert first.log_evidence == pytest.approx(second.log_evidence, abs=1e-12)
