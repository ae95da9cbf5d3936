"""The reason for a step holds when what it says is recorded and inferred anew."""

from __future__ import annotations

import re

import numpy as np
import pytest
from msgspec.structs import replace
from plan.conftest import MakeOutlook

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import suppose
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, PlannedStep, make_plan
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import ENDINGS, GIVE_UP, order_ways
from swapinfer.plan.reason import explain
from swapinfer.posterior import infer

FOUND = ev.Ran(15, ("warm", "load"), ("P0303",))
MOVED = (FOUND, ev.Swapped((("coil3", "coil1"),)), ev.Ran(15, ("warm", "load"), ("P0301",)))


@pytest.fixture(scope="module")
def found(outlook_of: MakeOutlook) -> Outlook:
    return outlook_of(FOUND)


@pytest.fixture(scope="module")
def plan(found: Outlook) -> Plan:
    return make_plan(found, found.rank())


def fault_after(outlook: Outlook, step_id: str, outcome: str, plan: Plan) -> dict[str, float]:
    step = plan.find(step_id)
    assert step is not None
    assert step.action is not None
    after = gather_evidence(suppose(outlook.job, step.action, outcome))
    names = [element.id for element in after.space.elements]
    return dict(zip(names, infer(after.arrays).fault_e.tolist(), strict=True))


def test_what_a_look_is_said_to_tell_is_what_recording_it_tells(found: Outlook, plan: Plan) -> None:
    """Beside it exact inference on the job with the look on record; the plan drops rare sets."""
    looks = [step for step in plan.steps if "-look-" in step.id]
    compared = 0
    for step in looks:
        for one in explain(found, step).tellings:
            after = fault_after(found, step.id, one.outcome, plan)
            for likely in (one.leader, *one.points_to, *one.clears):
                assert after[likely.element] == pytest.approx(likely.probability, abs=0.02)
                compared += 1
    assert compared >= 10


def simple_swap(plan: Plan) -> PlannedStep:
    return next(s for s in plan.steps if re.match(r"swap-coil3-coil\d-drive", s.id))


def test_what_a_swap_is_said_to_tell(found: Outlook, plan: Plan) -> None:
    """A fault that moves with its part is the part's; one that stays is not: the usual reading."""
    step = simple_swap(plan)
    donor = step.id[len("swap-coil3-coil")]
    told = {one.outcome: one for one in explain(found, step).tellings}
    assert [one.element for one in told[f"cylinder{donor}"].points_to] == ["coil3"]
    assert "coil3" in [one.element for one in told["cylinder3"].clears]
    assert fault_after(found, step.id, f"cylinder{donor}", plan)["coil3"] > 0.9
    assert fault_after(found, step.id, "cylinder3", plan)["coil3"] < 0.1


def test_the_sentence_names_what_its_data_name(found: Outlook, plan: Plan) -> None:
    reason = explain(found, simple_swap(plan))
    assert "points to the ignition coil (9" in reason.sentence
    assert "clears the ignition coil and leaves the spark plug" in reason.sentence
    told = next(s for s in plan.steps if s.outcomes and s.action and s.action.swaps)
    assert 'but on "misfire in cylinder' in explain(found, told).change


def test_a_first_drive_says_where_to_look(outlook_of: MakeOutlook) -> None:
    """Whichever cylinder misfires, its own parts come first; quiet says little that early."""
    new = outlook_of()
    plan = make_plan(new, new.rank())
    drive = next(s for s in plan.steps if s.action and s.action.kind == "drive")
    sentence = explain(new, drive).sentence
    assert sentence.startswith("the cylinder that misfires points to its ")
    assert "no misfire" in sentence


def test_a_test_says_what_a_low_and_a_good_reading_mean(outlook_of: MakeOutlook) -> None:
    stayed = outlook_of(FOUND, ev.Swapped((("coil3", "coil1"),)), FOUND)
    plan = make_plan(stayed, stayed.rank())
    step = next(s for s in plan.steps if s.id.startswith("compression-"))
    sentence = explain(stayed, step).sentence
    assert "points to the cylinder sealing" in sentence
    assert "clears the cylinder sealing and leaves the spark plug" in sentence


def test_advice_turns_at_the_probability_that_is_told(outlook_of: MakeOutlook) -> None:
    """Planned again with the leader's odds a little above and a little below."""
    moved = outlook_of(*MOVED)
    plan = make_plan(moved, moved.rank())
    reason = explain(moved, plan.best, is_best=True)
    assert reason.carried == "coil3"
    assert reason.turn is not None
    assert f"{100 * reason.turn.probability:.0f} %" in reason.change
    e = moved.evidence.space.index["coil3"]
    belief_h = moved.hypotheses.belief_h
    is_blamed_h = (moved.hypotheses.element_hk == e).any(axis=1)
    firsts = []
    for p in (reason.turn.probability + 0.03, reason.turn.probability - 0.001):
        rest = belief_h[~is_blamed_h].sum()
        scale_h = np.where(is_blamed_h, p / belief_h[is_blamed_h].sum(), (1 - p) / rest)
        supposed_h = scale_h * belief_h
        ranking = moved.look_ahead.rank(supposed_h, moved.settings.depth)
        firsts.append(order_ways(moved, ranking, supposed_h).ways[0].action)
    above, below = firsts
    assert above is not None
    assert above.replaced == ("coil1",)
    assert below is None or below.replaced != ("coil1",)


def test_a_repair_is_carried_only_if_it_mends_a_leader_that_is_likely_enough(
    found: Outlook, plan: Plan
) -> None:
    carried = {step.id: explain(found, step).carried for step in plan.steps if step.action}
    assert found.hypotheses.fault_e(found.hypotheses.belief_h).max() < found.settings.costs.proof
    assert set(carried.values()) == {""}
    bets = [s for s in plan.steps if s.action and s.action.kind == "replace"]
    assert all("is a bet" in explain(found, step).sentence for step in bets)


def test_endings_have_reasons_too(found: Outlook, plan: Plan) -> None:
    for step in plan.steps:
        if step.action is None:
            assert "expected" in explain(found, step).sentence


def test_what_is_likely_but_too_dear_to_try_is_said_to_be_so(
    outlook_of: MakeOutlook, pack: Pack
) -> None:
    """Not that every way on costs more than giving up: the repair stands in the list for less."""
    cracked = (FOUND, ev.Inspected("plug-look", "cylinder3", "cracked"))
    careful = PlanSettings(replace(pack.costs, stake=0.01))
    seen = outlook_of(*cracked, chosen=careful)
    ending = make_plan(seen, seen.rank()).find(GIVE_UP)
    assert ending is not None
    said = explain(seen, ending).sentence
    assert "spark plug" in said
    assert "dear" in said
    assert "dear" not in explain(outlook_of(*cracked), ending).sentence


SOUND = (
    FOUND,
    ev.Inspected("plug-look", "cylinder3", "clean"),
    ev.Inspected("boot-look", "boot3", "sound"),
)
"""What is left is spread so thin that planning counts on giving up after many an outcome."""


def test_nothing_is_quoted_that_is_not_known(outlook_of: MakeOutlook, pack: Pack) -> None:
    seen = outlook_of(*SOUND)
    told = [o for step in make_plan(seen, seen.rank()).steps for o in step.outcomes]
    unknown = [o for o in told if o.suspects[0].probability < pack.costs.proof]
    assert len(unknown) >= 20
    assert not [o.then for o in unknown if o.then == ENDINGS[GIVE_UP]]


def test_an_outcome_does_not_clear_what_it_leaves_ahead(outlook_of: MakeOutlook) -> None:
    seen = outlook_of(*SOUND)
    compared = 0
    for step in make_plan(seen, seen.rank()).steps:
        for telling in explain(seen, step).tellings:
            compared += bool(telling.clears)
            assert telling.leader.element not in {likely.element for likely in telling.clears}
    assert compared >= 10
