"""Looks at one thing made again: one observation, against Bayes' rule by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer
from tests.evidence.test_suspect import job_of

COATED = ev.Inspected("throttle-look", "engine", "coated")
CLEAN = ev.Inspected("throttle-look", "engine", "clean")
STICKS = ev.Inspected("throttle-look", "engine", "sticks")
LOOSE = ev.Inspected("coil-connector-look", "cylinder3", "loose")
LEAK = ev.Measured("leak-down", "cylinder3", 24.0)
SCATTERED = [replace(LEAK, value=value) for value in (24.0, 31.0, 27.0, 26.0, 29.0)]
LEAD = ev.Measured("lead-resistance", "lead3", 200_000.0)
FLOOR = 1e-5


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def belief(job: Job, element: str = "throttle") -> np.ndarray:
    evidence = gather_evidence(job)
    row = infer(evidence.arrays).marginal_es[evidence.arrays.elements.index(element)]
    return np.asarray(row)


def odds(job: Job, element: str) -> float:
    good = belief(job, element)[0]
    return float((1.0 - good) / good)


def with_leads(pack: Pack, *events: Event) -> Job:
    """Of all that a meter at one lead can see, the lead is all."""
    opening = ev.Opened("RO-1", "inline-4", {"ignition": "coil-near-plug", "fuel": "port"})
    return replay(enumerate([opening, *events]), pack)


@pytest.mark.parametrize(
    ("outcomes", "shown"),
    [
        (["coated"], "coated"),
        (["coated", "coated"], "coated"),
        (["coated", "clean"], "coated"),
        (["clean", "coated", "clean", "clean"], "coated"),
        (["sticks", "coated", "coated"], "coated"),
        (["sticks", "coated"], "sticks"),
    ],
)
def test_the_outcome_that_leaves_least_to_chance_counts_once(
    pack: Pack, outcomes: list[str], shown: str
) -> None:
    """Bayes' rule for the one element that sees the look.

    A "clean" that was not there is a fault overlooked, chance 0.1; any other wrong word is a slip
    of 1e-5. A fault missed with chance m is missed in n looks with m (1 - 0.1 (1 - m))^(n-1).
    """
    job = job_of(pack)
    test, space = job.engine.tests["throttle-look"], gather_evidence(job).space
    profiles = {"deposits": "coated", "sticks": "sticks"}
    likelihood = []
    for state in space.states[space.index["throttle"]]:
        name, m = "good", 1.0
        if state.mode and state.severity and state.mode.id in profiles:
            name, m = profiles[state.mode.id], test.miss.get(state.severity.id, 0.0)
            m *= (1.0 - test.fresh * (1.0 - m)) ** (len(outcomes) - 1)
        chance = {p: test.chances[p].get(shown, 0.0) for p in (name, "good")}
        chance = {p: (1.0 - FLOOR) * f + FLOOR / 3.0 for p, f in chance.items()}
        likelihood.append((1.0 - m) * chance[name] + m * chance["good"])
    joint = belief(job)[: len(likelihood)] * likelihood
    found = belief(job_of(pack, *(replace(COATED, outcome=outcome) for outcome in outcomes)))
    assert found[: len(joint)] == pytest.approx(joint / joint.sum(), abs=1e-12)


@pytest.mark.parametrize(
    "looks", [SCATTERED[:4], [COATED, CLEAN, STICKS, COATED], [replace(LEAD, value=math.inf), LEAD]]
)
def test_the_order_of_looks_moves_nothing(pack: Pack, looks: list[Event]) -> None:
    orders = itertools.permutations(looks)
    assert len({belief(with_leads(pack, *order), "plug1").tobytes() for order in orders}) == 1


def test_five_scattered_readings_count_about_as_one(pack: Pack) -> None:
    """Decibans for a leak: those of one reading at their mean within a third, not five times it."""
    before = odds(job_of(pack), "sealing3")
    mean = np.mean([one.value for one in SCATTERED])
    once = odds(job_of(pack, replace(LEAK, value=float(mean))), "sealing3") / before
    five = odds(job_of(pack, *SCATTERED), "sealing3") / before
    assert once > 20.0
    assert 2.0 / 3.0 < math.log(five) / math.log(once) < 4.0 / 3.0


def test_a_slip_goes_when_the_look_is_repeated_and_a_coincidence_does_not(pack: Pack) -> None:
    """A good lead shows over limit by a loose probe, 0.0012, or by coincidence, 0.002 x 0.35.

    Twice that is 0.0012 squared + 0.002 x 0.35: the odds are 2.71 times as high, and a little more
    since a fault is less often missed. One too high by coincidence reads so each time.
    """
    test = with_leads(pack).engine.tests["lead-resistance"]
    assert (test.coincidence, test.slip) == (0.002, {"over-limit": 0.0012})
    over = replace(LEAD, value=math.inf)
    before, once, twice, often = (
        odds(with_leads(pack, *[LEAD] * n), "lead3") for n in (0, 1, 2, 10)
    )
    assert before < once < twice < often < before / test.coincidence
    assert often < 2.0 * once
    one_over, two_over = (odds(with_leads(pack, *[over] * n), "lead3") for n in (1, 2))
    by_hand = (0.0012 + 0.002 * 0.35) / (0.0012**2 + 0.002 * 0.35)
    assert by_hand < two_over / one_over < 1.03 * by_hand
    assert two_over < before / test.coincidence


def test_unplugging_for_the_look_itself_does_not_make_the_next_one_new(pack: Pack) -> None:
    """The look opens the connector, so each is a handling; five of them still tell what one does.

    Between a swap, or a reseat, and the next look the connector was put together anew.
    """
    once = odds(job_of(pack, LOOSE), "coil-wiring3")
    often = odds(job_of(pack, *[LOOSE] * 5), "coil-wiring3")
    reseated = odds(job_of(pack, LOOSE, ev.Reseated("coil3"), LOOSE), "coil-wiring3")
    assert once < often < 2.0 * once
    assert reseated > 10.0 * often


def test_over_limit_counts_only_where_most_readings_are(pack: Pack) -> None:
    over = replace(LEAD, value=math.inf)
    once = belief(with_leads(pack, LEAD), "lead3")
    assert belief(with_leads(pack, over, LEAD), "lead3") == pytest.approx(once, abs=0.01)
    mostly = belief(with_leads(pack, over, LEAD, over), "lead3")
    assert mostly == pytest.approx(belief(with_leads(pack, over, over), "lead3"), abs=0.01)


def test_no_compression_at_all_may_be_read_twice(pack: Pack) -> None:
    none = ev.Measured("compression", "cylinder3", 0.0)
    once, again = (belief(job_of(pack, *[none] * n), "sealing3") for n in (1, 2))
    assert again == pytest.approx(once, rel=0.1)
