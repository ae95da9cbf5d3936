from __future__ import annotations

import math
from collections import Counter
from itertools import accumulate

import numpy as np
import pytest
from lab.reduced import optimal_cost, planned_cost, reduce_job
from lab.reliability import judge, perturb, statements, wander
from lab.strategies import Remembered, ReplaceBy, by_probability_over_cost, clairvoyant
from msgspec.structs import replace

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.profiles import band_chances
from swapinfer.evidence.states import State, build_states
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import Action
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.priority import HAND_OVER
from swapinfer.posterior import infer
from swapinfer.simulate.play import (
    CustomaryOrder,
    Decision,
    Planner,
    Situation,
    by_probability,
    play,
)
from swapinfer.simulate.world import World, draw_job, draw_states, space_faults

FITMENT = {"ignition": "coil-on-plug", "fuel": "port"}
OPENING = ev.Opened("2001", "inline-4", FITMENT)
FOUR_SIGMA = 4.0


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(scope="module")
def settings(pack: Pack) -> PlanSettings:
    return PlanSettings(pack.costs)


def state_of(pack: Pack, kind: str, mode: str, severity: str) -> State:
    return State(pack.kinds[kind].modes[mode], pack.severities[severity])


def vehicle(pack: Pack, seed: int = 1, **faults: State) -> World:
    return World(pack, OPENING, dict(faults), np.random.default_rng(seed))


def binomial_sd(p: float, n: int) -> float:
    return math.sqrt(p * (1 - p) / n)


def misfires(world: World) -> Counter[str]:
    runs = (event for event in world.events if isinstance(event, ev.Ran))
    return Counter(code for run in runs for code in run.codes or () if code.startswith("P03"))


def test_states_are_drawn_as_often_as_the_prior_says(pack: Pack) -> None:
    space = build_states(replay(enumerate([OPENING]), pack))
    n = 20_000
    drawn_de = draw_states(space, n, np.random.default_rng(3))
    for e, p_s in enumerate(space.prior_es):
        share_s = np.bincount(drawn_de[:, e], minlength=len(p_s)) / n
        sd_s = np.sqrt(p_s * (1 - p_s) / n)
        assert (np.abs(share_s - p_s) <= 5.5 * sd_s + 1.5 / n).all()
    assert all(s.mode is not None for s in space_faults(space, drawn_de[0]).values())


def test_a_quiet_drive_is_as_frequent_as_a_poisson_process_makes_it(pack: Pack) -> None:
    """Rate 0.08 a minute over ten minutes: exp(-0.8), blame on neighbours included."""
    fault = state_of(pack, "plug", "tracked", "intermittent")
    rate = pack.severities["intermittent"].rate_per_min
    n = 150
    quiet = sum(not vehicle(pack, seed, plug2=fault).drive(10.0) for seed in range(n))
    expected = math.exp(-10.0 * rate)
    assert quiet / n == pytest.approx(expected, abs=FOUR_SIGMA * binomial_sd(expected, n))


def test_a_misfire_follows_the_part_and_stays_with_the_site(pack: Pack) -> None:
    hard_coil = state_of(pack, "coil", "breakdown", "hard")
    swap = Action("swap", swaps=(("coil3", "coil1"),), drive_minutes=5.0)
    moved = Counter[str]()
    for seed in range(20):
        world = vehicle(pack, seed, coil3=hard_coil)
        world.do(swap)
        moved += misfires(world)
    assert moved.most_common(1)[0][0] == "P0301"
    stayed = Counter[str]()
    for seed in range(20):
        world = vehicle(pack, seed, sealing3=state_of(pack, "sealing", "burnt-valve", "hard"))
        world.do(swap)
        stayed += misfires(world)
    assert stayed.most_common(1)[0][0] == "P0303"


def test_handling_cures_a_loose_contact_and_replacing_ends_a_fault(pack: Pack) -> None:
    loose = vehicle(pack, **{"coil-wiring3": state_of(pack, "coil-wiring", "loose", "hard")})
    assert loose.has_fault
    loose.do(Action("swap", swaps=(("coil3", "coil1"),), drive_minutes=5.0))
    assert "coil-wiring3" not in loose.faults
    assert loose.ever_faulty == {"coil-wiring3"}
    coil = vehicle(pack, coil2=state_of(pack, "coil", "breakdown", "hard"))
    coil.do(Action("replace", replaced=("coil2",), drive_minutes=5.0))
    assert not coil.has_fault
    assert not coil.come_back()


def test_a_contact_that_comes_back_does_so_after_its_minutes(pack: Pack) -> None:
    loose = replace(state_of(pack, "coil-wiring", "loose", "hard"), sleeps=45.0)
    world = vehicle(pack, **{"coil-wiring3": loose})
    world.do(Action("swap", swaps=(("coil3", "coil1"),), drive_minutes=60.0))
    assert world.has_fault
    runs = [event for event in world.events if isinstance(event, ev.Ran)]
    driven = list(accumulate(run.minutes for run in runs))
    failed = [end for run, end in zip(runs, driven, strict=True) if run.codes]
    assert failed
    assert failed[0] == 50.0
    evidence = gather_evidence(world.job)
    states = infer(evidence.arrays).marginal_es[evidence.space.index["coil-wiring3"]]
    assert states[world.state_of(evidence.space.index["coil-wiring3"])] > 0.0


def test_readings_fall_into_bands_as_often_as_predicted(pack: Pack) -> None:
    test = pack.tests["leak-down"]
    n = 600
    world = vehicle(pack)
    curve = test.curves["good"]
    drawn = [world._draw_reading(test, curve) for _ in range(n)]
    values = [test.beside(value, world._level(test)) for value in drawn]
    tops = [band.below for band in test.bands]
    for at, (band, p) in enumerate(band_chances(test, "good").items()):
        low = tops[at - 1] if at else -math.inf
        share = sum(low <= value < tops[at] for value in values) / n
        slack = FOUR_SIGMA * binomial_sd(p, n) + 0.01
        assert share == pytest.approx(p, abs=slack), band


def test_a_drawn_job_came_in_with_a_misfire_that_the_shop_saw(pack: Pack) -> None:
    for seed in range(3):
        world = draw_job(pack, "inline-4", FITMENT, np.random.default_rng(seed))
        assert world.has_fault or not world.faults
        assert misfires(world)


@pytest.fixture(scope="module")
def world(pack: Pack) -> World:
    return draw_job(pack, "inline-4", FITMENT, np.random.default_rng(13))


def test_every_policy_brings_a_job_to_an_end(settings: PlanSettings, world: World) -> None:
    for policy in (
        CustomaryOrder(),
        ReplaceBy(by_probability),
        ReplaceBy(by_probability_over_cost),
        Planner(1),
        Planner(2),
    ):
        result = play(world.copy(5), policy, settings)
        assert result.cost > 0.0
        assert result.steps >= 1
    assert clairvoyant(world.copy(5), settings).wrong_parts == 0


def test_the_same_luck_gives_the_same_job(settings: PlanSettings, world: World) -> None:
    policy = ReplaceBy(by_probability_over_cost)
    once, again = (play(world.copy(5), policy, settings) for _ in range(2))
    assert (once.cost, once.steps) == (again.cost, again.steps)


def test_a_remembered_decision_is_made_once(settings: PlanSettings, world: World) -> None:
    asked = []

    def policy(situation: Situation) -> Decision:
        asked.append(len(situation.job.standing))
        return HAND_OVER

    remembered = Remembered(policy)
    situation = Situation(world.job, settings)
    assert [remembered(situation), remembered(situation)] == [HAND_OVER, HAND_OVER]
    assert len(asked) == 1


def test_reduced_jobs_have_an_optimum_that_planning_comes_close_to(
    pack: Pack, settings: PlanSettings
) -> None:
    """No plan beats the exact search; two steps stay within two per cent of it."""
    total = {1: 0.0, 2: 0.0, 0: 0.0}
    for seed in range(4):
        world = draw_job(pack, "inline-4", FITMENT, np.random.default_rng(seed))
        small, belief_h = reduce_job(Situation(world.job, settings).outlook, 8, 3)
        best = optimal_cost(small, belief_h)
        total[0] += best
        for depth in (1, 2):
            cost = planned_cost(small, belief_h, depth)
            assert cost >= best - 1e-6
            total[depth] += cost
    assert total[2] <= 1.02 * total[0]


def test_judge_agrees_with_the_sum_by_hand() -> None:
    """Bins [0.4, 0.5) and [0.8, 0.9): |0.45 - 0.5| * 2/5 + |0.85 - 2/3| * 3/5 = 0.13."""
    stated = np.array([0.45, 0.45, 0.85, 0.85, 0.85])
    true = np.array([1.0, 0.0, 1.0, 1.0, 0.0])
    assert judge(stated, true).error == pytest.approx(0.13)
    assert judge(np.array([1.0]), np.array([1.0])).error == 0.0


def test_judge_tells_honest_statements_from_boastful_ones() -> None:
    rng = np.random.default_rng(2)
    p = rng.random(20_000)
    came_true = (rng.random(p.size) < p).astype(float)
    assert judge(p, came_true).error < 0.02
    assert judge(p**0.5, came_true).error > 0.1


def test_perturbed_rates_stay_within_the_factor(pack: Pack) -> None:
    wrong = perturb(pack, 3.0, np.random.default_rng(1))
    ratios = [
        mode.hazard_ratio.median / pack.kinds[kind.id].modes[mode.id].hazard_ratio.median
        for kind in wrong.kinds.values()
        for mode in kind.modes.values()
    ]
    assert all(1 / 3 - 1e-9 <= ratio <= 3 + 1e-9 for ratio in ratios)
    assert max(ratios) > 2.0
    assert min(ratios) < 0.5


@pytest.mark.slow
def test_stated_probabilities_come_true_and_a_wrong_pack_shows(pack: Pack) -> None:
    """A small run of the calibration benchmark, and a control that must fail.

    With some 900 statements the error of a perfectly calibrated belief is about 0.02.
    """
    wrong = perturb(pack, 40.0, np.random.default_rng(0))
    right_n, wrong_n = [], []
    for seed in range(90):
        rng = np.random.default_rng([5, seed])
        world = draw_job(pack, "inline-4", FITMENT, rng)
        wander(world, seed % 3)
        right_n.append(statements(world))
        wrong_n.append(statements(world, wrong))
    errors = [
        judge(*(np.concatenate(column) for column in zip(*found, strict=True))).error
        for found in (right_n, wrong_n)
    ]
    assert errors[0] < 0.04
    assert errors[1] > 0.05


def test_the_planner_does_not_give_up_where_a_repair_is_cheaper(
    pack: Pack, settings: PlanSettings
) -> None:
    """An injector circuit code beside the misfire: repairing in order is the cheapest way on."""
    opening = ev.Opened("2002", "v8", {"ignition": "coil-on-plug", "fuel": "direct"})
    seen = [ev.Ran(5.0, (), codes=("P0202",)), ev.Ran(5.0, (), codes=("P0302",))]
    situation = Situation(replay(enumerate([opening, *seen]), pack), settings)
    ranking = situation.outlook.rank()
    assert ranking.policy_cost < 0.8 * settings.costs.diagnosis_cap
    assert isinstance(Planner(2)(situation), Action)
