"""What a run may show adds up: chances of all sets of misfire codes, faults being known."""

from __future__ import annotations

import itertools
from math import comb, exp, prod

import pytest
from msgspec.structs import replace

from swapinfer.evidence.arrays import Arrays
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from tests.evidence.test_suspect import job_of

CYLINDERS = (1, 2, 3, 4)
MINUTES = 20.0


@pytest.fixture(scope="module")
def pack() -> Pack:
    """Return the base pack, without codes for anything but misfires."""
    base = load_pack()
    codes = {name: code for name, code in base.codes.items() if code.role != "fault"}
    return replace(base, codes=codes)


def chance(arrays: Arrays, faults: dict[str, str]) -> float:
    """Chance of the second finding where these are the faults: factors times closed bits."""
    chosen = {
        e: arrays.states[e].index(faults.get(name, "good"))
        for e, name in enumerate(arrays.elements)
    }
    total = 0.0
    for q, weight in enumerate(arrays.level_q):
        mass = weight * exp(sum(arrays.log_factor_nes[1, e, s] for e, s in chosen.items()))
        for t in (arrays.finding_t == 1).nonzero()[0]:
            is_open, explained = 1.0, 0.0
            for e, s in chosen.items():
                explained *= arrays.explained_tes[t, e, s]
                explained += is_open * arrays.explain.at(t, e, s)[q]
                is_open *= arrays.open_tes[t, e, s]
            mass *= is_open * arrays.close_qt2[q, t, 0] + explained * arrays.close_qt2[q, t, 1]
        total += mass
    return total


def of_all_sets(pack: Pack, faults: dict[str, str]) -> float:
    """Sum over the sixteen sets of cylinders that may be named."""
    total = 0.0
    for named in itertools.product([False, True], repeat=4):
        codes = tuple(f"P030{c}" for c, is_named in zip(CYLINDERS, named, strict=True) if is_named)
        run = ev.Ran(MINUTES, ("load",), codes=codes, pending=codes)
        total += chance(gather_evidence(job_of(pack, run)).arrays, faults)
    return total


OWN = {"unlisted3": "unknown/intermittent"}
SHARED = {"unlisted-shared": "unknown/intermittent"}
ANOTHER = {"engine-ground": "corroded/intermittent"}


@pytest.mark.parametrize(
    "faults",
    [{}, OWN, SHARED, OWN | SHARED, OWN | {"plug1": "worn/rare"} | SHARED],
)
def test_chances_of_all_sets_of_codes_add_up_to_one(pack: Pack, faults: dict[str, str]) -> None:
    assert of_all_sets(pack, faults) == pytest.approx(1.0, abs=1e-12)


def test_two_shared_faults_lose_a_little(pack: Pack) -> None:
    """That anything shared had an episode is asked once; two may have had one each.

    By hand, without leaks, every episode setting a code: u(k) = e + (1 - e)(1 - h)^k of each
    fault, their product U; no cylinder U(4), one U(3) - U(4), and sets of more as if one fault
    alone had had an episode.
    """
    pack = replace(pack, monitor=None)
    h = pack.running.together
    when = pack.kinds["engine-ground"].modes["corroded"].when["load"]
    rates = [pack.severities["intermittent"].rate_per_min * factor for factor in (1.0, when)]
    quiet = [exp(-rate * MINUTES) for rate in rates]
    alone = [prod(e + (1.0 - e) * (1.0 - h) ** k for e in quiet) for k in range(5)]
    several = sum(comb(4, k) * h**k * (1.0 - h) ** (4 - k) for k in (2, 3, 4))
    by_hand = alone[4] + 4.0 * (alone[3] - alone[4]) + (1.0 - prod(quiet)) * several
    assert 0.95 < by_hand < 0.97
    assert of_all_sets(pack, SHARED | ANOTHER) == pytest.approx(by_hand, abs=1e-3)


def test_a_misfire_that_is_not_named_is_a_report_of_its_own(pack: Pack) -> None:
    """Of one cylinder: a tenth (`unnamed`) of the chance that it misfired and set a code."""
    pack = replace(pack, monitor=None)
    run = ev.Ran(MINUTES, ("load",), codes=("P0300",))
    arrays = gather_evidence(job_of(pack, run)).arrays
    rate = pack.severities["intermittent"].rate_per_min
    leak = 1.0 - exp(-4.0 * pack.running.leak_per_min * MINUTES)
    quiet = exp(-rate * MINUTES)
    by_hand = pack.running.unnamed * (1.0 - quiet + quiet * leak)
    assert chance(arrays, OWN) == pytest.approx(by_hand, rel=1e-12)
