"""The farther out a reading on the faulty side, the surer the fault; levels reach far enough."""

from __future__ import annotations

import math

import numpy as np
import pytest

from swapinfer.api import JobCard
from swapinfer.evidence import levels
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.levels import expected_level
from swapinfer.evidence.looks import Seen, inspection_chances, judge, look
from swapinfer.evidence.profiles import band_chances, outcome_chances
from swapinfer.ledger import events as ev
from swapinfer.pack.engine import is_fitted
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import GOOD
from swapinfer.pack.model import Test as PackTest
from swapinfer.posterior import infer

PACK = load_pack()
READINGS = [test.id for test in PACK.tests.values() if test.form == "reading"]

SATURATED = 0.01
"""Where several ways of failing read differently, or a slip reads like one of them, the likeliest
changes on the way out, and with it how far the odds can rise."""


def opening(test: PackTest) -> ev.Opened:
    fitments = PACK.weighing.fitments
    fitment = next(fit for fit in fitments if is_fitted(test.fitted, fit))
    layout = "inline-6" if test.target == "coil-pack" else "inline-4"
    return ev.Opened("RO-1", layout, dict(fitment))


def faulty_profiles(test: PackTest, band: str) -> set[str]:
    """Profiles that fall into a band more often than a sound one."""
    good = band_chances(test, GOOD)[band]
    return {name for name in test.profiles if band_chances(test, name)[band] > 2.0 * good} - {GOOD}


def chance_aimed(job: JobCard, test: PackTest, target: str, profiles: set[str]) -> float:
    """Probability that something shows one of these profiles there."""
    evidence = gather_evidence(job.replayed)
    view = look(evidence.space, test.id, target, evidence.job.findings[-1])
    aimed = [i for i, name in enumerate(view.profiles) if name in profiles]
    prior_es = np.where(np.isin(view.profile_es, aimed), 0.0, evidence.arrays.prior_es)
    without = evidence.arrays.with_prior(prior_es)
    gain = infer(without).log_evidence - infer(evidence.arrays).log_evidence
    return -math.expm1(min(gain, 0.0))


@pytest.mark.parametrize("is_alone", [True, False])
@pytest.mark.parametrize("is_upward", [False, True])
@pytest.mark.parametrize("name", READINGS)
def test_farther_out_is_never_less_sure(name: str, *, is_upward: bool, is_alone: bool) -> None:
    test = PACK.tests[name]
    job = JobCard.open(opening(test), PACK)
    target, *others = job.replayed.engine.target_places(test.target)
    profiles = faulty_profiles(test, test.bands[-1 if is_upward else 0].id)
    if not profiles or not (is_alone or test.level):
        return
    level = expected_level(test, job.replayed.opening)
    reference = 0.0 if test.reference else None
    middle, end = test.as_shown(test.nominal, level), test.range[1 if is_upward else 0]
    if not is_alone:
        job = job.then(*(ev.Measured(name, o, middle, reference=reference) for o in others))
    spaced = np.geomspace if test.scale == "log" else np.linspace
    chances = [
        chance_aimed(
            job.then(ev.Measured(name, target, value, reference=reference)), test, target, profiles
        )
        for value in spaced(middle, end, 24).tolist()
    ]
    slack = 1e-9 if len(test.profiles) == 2 and not test.level else SATURATED
    falls = -np.diff(chances)
    assert falls.max() <= slack, (chances, int(falls.argmax()))
    assert chances[-1] > 3.0 * chances[0]


@pytest.mark.parametrize("psi", [30.0, 90.0, 140.0, 172.0, 210.0, 250.0])
@pytest.mark.parametrize("odd", [1.0, 0.5, 0.05])
def test_levels_reach_far_enough(monkeypatch: pytest.MonkeyPatch, psi: float, odd: float) -> None:
    """Whatever all cylinders read, and however little the first: wider nodes change nothing."""
    values = [psi * odd, psi, psi * 1.01, psi * 0.99]
    readings = [ev.Measured("compression", f"cylinder{c}", v) for c, v in enumerate(values, 1)]
    job = JobCard.open(opening(PACK.tests["compression"]), PACK).then(*readings)
    usual = infer(gather_evidence(job.replayed).arrays).marginal_es
    monkeypatch.setattr(levels, "WIDTH", 2.0 * levels.WIDTH)
    monkeypatch.setattr(levels, "BEYOND", 2.0 * levels.BEYOND)
    wider = infer(gather_evidence(job.replayed).arrays).marginal_es
    np.testing.assert_allclose(wider, usual, rtol=0, atol=1e-6)


def test_several_levels_with_fewer_nodes_say_much_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    readings = [
        *(
            ev.Measured("compression", f"cylinder{c}", v)
            for c, v in enumerate((140, 170, 174, 171), 1)
        ),
        *(
            ev.Measured("injector-resistance", f"injector{c}", v)
            for c, v in enumerate((13, 12.1, 12), 1)
        ),
    ]
    job = JobCard.open(opening(PACK.tests["compression"]), PACK).then(*readings)
    monkeypatch.setattr(levels, "MOST_COMBINED", math.inf)
    fine = gather_evidence(job.replayed).arrays
    for most, within in ((400, 0.001), (60, 0.02)):
        monkeypatch.setattr(levels, "MOST_COMBINED", most)
        fewer = gather_evidence(job.replayed).arrays
        assert len(fewer.level_q) <= most < len(fine.level_q)
        difference = infer(fewer).marginal_es - infer(fine).marginal_es
        assert np.abs(difference).max() < within


@pytest.mark.parametrize("answer", ["always", "load", "idle", "varies"])
def test_answers_that_are_no_steps_weigh_as_their_profile_says(answer: str) -> None:
    """One fault alone, by hand: missed, it answers as a sound engine does, else as its profile.

    The closing weights of an open and an explained bit are `close_q2`.
    """
    job = JobCard.open(opening(PACK.tests["driver-when"]), PACK).replayed
    space = gather_evidence(job).space
    test = job.engine.tests["driver-when"]
    view = look(space, test.id, "engine")
    term = judge(view, inspection_chances(view, Seen(answer)))
    e = space.index["coil1"]
    (s,) = (i for i, one in enumerate(space.states[e]) if one.name == "breakdown/rare")
    left, right = term.close_q2[0]
    assert term.shown_es is not None
    shown = term.chance_qp[0, term.shown_es[e, s]]
    found = term.open_es[e, s] * left + term.explain_es[e, s] * shown * right
    good, load = (outcome_chances(test, name)[answer] for name in (GOOD, "load"))
    missed = test.miss["rare"]
    assert found == pytest.approx(missed * good + (1.0 - missed) * load)
