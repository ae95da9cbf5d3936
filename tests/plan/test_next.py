from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from msgspec import structs
from scipy.stats import entropy

from swapinfer.errors import InputError
from swapinfer.evidence.profiles import band_median
from swapinfer.ledger import events as ev
from swapinfer.pack.model import Pack
from swapinfer.plan.actions import Action, after_swaps, normal_outcome, suppose, work_events
from swapinfer.plan.answers import find_meant, plan_tree, price_of_limits, why_not
from swapinfer.plan.costing import Costing, Effort, PlanSettings
from swapinfer.plan.next import DETAILED, Plan, make_plan, next_steps
from swapinfer.plan.outlook import CONDITIONS, Outlook
from swapinfer.plan.priority import GIVE_UP, HAND_OVER
from swapinfer.plan.repair_policy import NONE
from swapinfer.plan.verifying import clean_drive_minutes
from swapinfer.posterior import infer

MakeOutlook = Callable[..., Outlook]

SEEN = ev.Ran(20.0, (), codes=("P0303",))


@pytest.fixture(scope="module")
def seen(outlook_of: MakeOutlook) -> Outlook:
    return outlook_of(SEEN)


@pytest.fixture(scope="module")
def plan(seen: Outlook) -> Plan:
    return make_plan(seen, seen.rank())


def test_hypotheses_have_the_exact_marginals_of_the_posterior(seen: Outlook) -> None:
    """The exact pass and the enumerated fault sets are independent ways to the same figure."""
    enumerated_e = seen.hypotheses.fault_e(seen.hypotheses.belief_h)
    np.testing.assert_allclose(
        enumerated_e, seen.posterior.fault_e, atol=2 * seen.hypotheses.left_out
    )


def test_every_repair_of_a_hypothesis_leads_to_a_hypothesis(seen: Outlook) -> None:
    faults = seen.hypotheses
    for key in faults.index:
        for at in range(len(key)):
            assert key[:at] + key[at + 1 :] in faults.index


def test_chances_of_every_action_add_up_to_one(seen: Outlook) -> None:
    for one in seen.priced:
        np.testing.assert_allclose(one.prediction.chance_oh.sum(axis=0), 1.0, atol=1e-12)
        assert (one.prediction.chance_oh >= 0.0).all()


def is_plain_drive(action: Action) -> bool:
    return action.kind == "drive"


def is_swap_with_reseating(action: Action) -> bool:
    return len(action.swaps) > 1 and bool(action.reseated)


@pytest.mark.parametrize("wanted", [is_plain_drive, is_swap_with_reseating])
def test_predicted_chance_of_a_quiet_drive_is_what_inference_gives_it(
    pack: Pack, outlook_of: MakeOutlook, wanted: Callable[[Action], bool]
) -> None:
    """P(finding | findings so far) is also a ratio of exact evidences.

    No fault sets a code of its own here, and handling breaks nothing: inference weighs both, the
    plan does not.
    """
    silent = {name: structs.replace(code, sets=()) for name, code in pack.codes.items()}
    gentle = {}
    for name, kind in pack.kinds.items():
        harmless = tuple(structs.replace(one, chance=0.0) for one in kind.handling)
        gentle[name] = structs.replace(kind, handling=harmless)
    plain = structs.replace(pack, codes=silent, kinds=gentle)
    before = outlook_of(SEEN, believed=plain)
    quiet = next(p for p in before.priced if wanted(p.action) and p.action.drive_minutes == 30.0)
    run = ev.Ran(30.0, quiet.action.conditions, codes=(), pending=())
    after = outlook_of(SEEN, *work_events(quiet.action), run, believed=plain)
    exact = np.exp(after.posterior.log_evidence - before.posterior.log_evidence)
    mine = float(quiet.prediction.chance_oh[0] @ before.hypotheses.belief_h)
    assert mine == pytest.approx(exact, rel=0.05)


def test_a_swap_takes_along_the_likeliest_contact_that_it_leaves_alone(seen: Outlook) -> None:
    combined = [p.action for p in seen.priced if is_swap_with_reseating(p.action)]
    assert combined
    at = {element: place for place, element in seen.job.fitted.items()}
    cured_p = seen.suspicion.cured_p
    for action in combined:
        moved = [place for swap in action.swaps for place in swap]
        disturbed = {at[element] for element, _ in seen.job.disturbed_by(moved)}
        left = {p for p in seen.job.engine.places if p.endswith("3")} - disturbed
        assert action.reseated == (max(left, key=lambda place: cured_p[place]),)
    assert combined[0].id.startswith("swap-")
    assert f"-reseat-{combined[0].reseated[0]}-drive" in combined[0].id


def test_drives_are_offered_under_the_conditions_that_tell_most(seen: Outlook) -> None:
    """Mutual information from entropies of `scipy.stats`, for the swap of one coil."""
    belief_h = seen.hypotheses.belief_h
    offered = [p for p in seen.priced if p.action.kind == "swap" and p.action.drive_minutes == 20.0]
    swaps = offered[0].action.swaps
    tried = {p.action.conditions for p in offered if p.action.swaps == swaps}

    def bits(conditions: tuple[str, ...]) -> float:
        (shown,) = seen.predictor.drives((20.0,), conditions, swaps, offered[0].changes)
        spread_h = entropy(shown.chance_oh, base=2, axis=0)
        return float(entropy(shown.chance_oh @ belief_h, base=2) - belief_h @ spread_h)

    told = {conditions: bits(conditions) for conditions in seen.settings.costs.drive_conditions}
    left = [told[conditions] for conditions in told.keys() - tried]
    assert len(tried) == CONDITIONS
    assert min(told[conditions] for conditions in tried) >= max(left) > 0.0


def test_predicted_inspection_is_what_inference_gives_it(
    outlook_of: MakeOutlook, seen: Outlook
) -> None:
    one = next(p for p in seen.priced if p.action.id == "plug-look-cylinder3")
    chance_o = one.prediction.chance_oh @ seen.hypotheses.belief_h
    for name, mine in zip(one.prediction.outcomes, chance_o, strict=True):
        after = outlook_of(SEEN, ev.Inspected("plug-look", "cylinder3", name))
        exact = np.exp(after.posterior.log_evidence - seen.posterior.log_evidence)
        assert mine == pytest.approx(exact, abs=0.004)


def test_an_outcome_leads_to_the_belief_that_inference_comes_to(
    outlook_of: MakeOutlook, seen: Outlook
) -> None:
    a = next(a for a, p in enumerate(seen.priced) if p.action.id == "plug-look-cylinder3")
    worn = seen.priced[a].prediction.outcomes.index("worn")
    after_h = seen.look_ahead.outcomes(seen.hypotheses.belief_h, a)[1][worn]
    after = outlook_of(SEEN, ev.Inspected("plug-look", "cylinder3", "worn"))
    still_es = after.posterior.marginal_es * after.evidence.space.active_es(after.job.time)
    exact = still_es[:, 1:].sum(axis=1)
    np.testing.assert_allclose(seen.hypotheses.fault_e(after_h), exact, atol=0.01)


def test_steps_behind_the_first_are_ranked_by_expected_total(
    plan: Plan, settings: PlanSettings
) -> None:
    totals = [(step.is_barred, step.expected_total) for step in plan.steps]
    assert totals[1:] == sorted(totals[1:])
    cheapest = min(plan.steps, key=lambda step: step.expected_total)
    things = cheapest.action.things if cheapest.action else 1
    assert plan.best.expected_total <= plan.least * (1.0 + things * settings.costs.resolution)
    assert plan.best.expected_total <= plan.without_tests + 1e-9
    assert {HAND_OVER, GIVE_UP} <= {step.id for step in plan.steps}


def test_every_step_names_the_cautions_of_what_it_touches(plan: Plan, seen: Outlook) -> None:
    engine, pack = seen.job.engine, seen.job.pack
    assert {"driving", "catalyst"} <= set(pack.running.cautions)
    for step in plan.steps:
        if step.action is not None:
            driven = pack.running.cautions if step.action.drive_minutes else ()
            handled = [c for p in step.action.handled for c in engine.kind_of(p).cautions]
            tested = engine.tests[step.action.test].cautions if step.action.test else ()
            assert set(step.cautions) >= {*driven, *handled, *tested}


def test_dominated_steps_are_never_first(plan: Plan) -> None:
    """A step that costs more than it takes off the way on cannot lead."""
    best = plan.best
    assert best.action is None or best.gain >= -1e-9


def test_information_is_never_negative_and_a_test_never_worth_less_than_nothing(
    plan: Plan,
) -> None:
    for step in plan.steps:
        assert step.bits >= 0.0
        if step.action is not None and step.action.kind == "test" and step.depth == 1:
            assert step.worth >= -1e-6


def test_outcomes_add_up_and_name_what_follows(plan: Plan) -> None:
    for step in plan.steps[:DETAILED]:
        if step.action is not None:
            assert sum(o.probability for o in step.outcomes) == pytest.approx(1.0, abs=0.03)
            assert all(o.then and o.title for o in step.outcomes)


def test_forecast_agrees_with_the_expected_total(plan: Plan) -> None:
    assert plan.forecast.cost == pytest.approx(plan.best.expected_total, rel=0.01)
    assert plan.forecast.spread > 0.0
    assert 0.0 <= plan.forecast.comebacks < 1.0


def test_combined_swaps_and_every_length_of_drive_are_considered(
    plan: Plan, settings: PlanSettings
) -> None:
    actions = [step.action for step in plan.steps if step.action is not None]
    assert {len(a.swaps) for a in actions} >= {0, 1, 2}
    swapped = {a.drive_minutes for a in actions if a.kind == "swap"}
    assert swapped == set(settings.costs.drive_minutes)
    for action in actions:
        cylinders = [place for swap in action.swaps for place in swap]
        assert len(cylinders) == len(set(cylinders))


def test_a_part_that_the_fault_followed_is_replaced_first(outlook_of: MakeOutlook) -> None:
    moved = ev.Swapped((("coil3", "coil1"),))
    after = outlook_of(SEEN, moved, ev.Ran(20.0, (), codes=("P0301",)))
    best = make_plan(after, after.rank()).best
    assert best.action is not None
    assert best.action.kind == "replace"
    assert best.action.replaced == ("coil1",)


def test_a_repaired_vehicle_is_handed_over(outlook_of: MakeOutlook) -> None:
    moved = ev.Swapped((("coil3", "coil1"),))
    followed = ev.Ran(20.0, (), codes=("P0301",))
    clean = ev.Ran(60.0, ("load",), codes=(), pending=())
    after = outlook_of(SEEN, moved, followed, ev.Replaced("coil1"), clean)
    assert make_plan(after, after.rank()).best.id == HAND_OVER


def test_missing_tools_and_limits_remove_steps_and_have_a_price(
    outlook_of: MakeOutlook, settings: PlanSettings, seen: Outlook
) -> None:
    limited = structs.replace(
        settings, missing_tools=frozenset({"plug-socket"}), minutes_left=25.0, money_left=60.0
    )
    plan = make_plan(o := outlook_of(SEEN, chosen=limited), o.rank())
    assert not any("plug-socket" in step.tools for step in plan.steps)
    for step in plan.steps:
        if step.action is not None:
            assert step.minutes + step.drive_minutes <= 25.0 + 1e-9
            assert step.money <= 60.0 + 1e-9
    added = price_of_limits(seen.evidence, seen.posterior, limited)
    free = next_steps(seen.evidence, seen.posterior, settings)
    assert added >= -1e-6
    assert added == pytest.approx(plan.least - free.least)


def test_why_not_names_terms_that_add_up(plan: Plan) -> None:
    answer = why_not(plan, "plug-look")
    assert answer.step.id == "plug-look-cylinder3"
    more = sum(term.more for term in answer.terms)
    assert more == pytest.approx(answer.step.expected_total - plan.best.expected_total)
    with pytest.raises(InputError, match="did you mean"):
        why_not(plan, "plug-lok-cylinder3")


def test_a_step_is_found_by_what_a_person_would_call_it(plan: Plan) -> None:
    for typed in ("swap coil", "swap-coil", "swap coil 3", "SWAP ignition coil 3"):
        meant = find_meant(plan, typed)
        assert meant.action is not None
        assert [swap[0] for swap in meant.action.swaps] == ["coil3"], typed
        assert not meant.action.reseated, "nothing beside what was said, where it can be had"
    assert find_meant(plan, plan.steps[7].id) is plan.steps[7]
    with pytest.raises(InputError, match="first of all"):
        find_meant(plan, "swap distributor")
    with pytest.raises(InputError):
        find_meant(plan, "")


def test_clean_drive_leaves_the_wanted_risk(outlook_of: MakeOutlook) -> None:
    """The same risk computed by recording such a drive and inferring anew."""
    replaced = outlook_of(
        SEEN, ev.Inspected("plug-look", "cylinder3", "worn"), ev.Replaced("plug3")
    )
    answer = clean_drive_minutes(replaced, 0.05, conditions=("load",))
    assert answer.risk_after == pytest.approx(0.05, abs=1e-3)
    drive = ev.Ran(answer.minutes, ("load",), codes=(), pending=())
    after = outlook_of(
        SEEN, ev.Inspected("plug-look", "cylinder3", "worn"), ev.Replaced("plug3"), drive
    )
    rate_f = after.predictor.total_rate_f(())
    faulty_h = after.hypotheses.member_hf @ rate_f > 0.0
    assert float(after.hypotheses.belief_h @ faulty_h) == pytest.approx(0.05, abs=0.015)


def test_clean_drive_grows_as_the_risk_shrinks_and_needs_a_risk(seen: Outlook) -> None:
    minutes = [clean_drive_minutes(seen, risk).minutes for risk in (0.5, 0.2, 0.1)]
    assert minutes == sorted(minutes)
    with pytest.raises(InputError, match="between 0 and 1, got 0"):
        clean_drive_minutes(seen, 0.0)


def test_open_access_is_free_and_a_drive_closes_it(outlook_of: MakeOutlook) -> None:
    closed = outlook_of(SEEN)
    opened = outlook_of(SEEN, ev.Inspected("coil-look", "coil3", "sound"))
    costings = [Costing(o.job, o.settings) for o in (closed, opened)]
    reach = [one.reach(dict.fromkeys(one.job.needs_open("ignition-off"), 1.0)) for one in costings]
    assert reach[0][0] > 0.0
    assert reach[1] == (0, ())


def test_objectives_weigh_what_they_say(seen: Outlook, settings: PlanSettings) -> None:
    effort = Effort(minutes=30.0, drive_minutes=20.0, parts=100.0)
    costs = {
        name: Costing(seen.job, structs.replace(settings, objective=name)).split(effort)
        for name in ("money", "minutes", "driving")
    }
    assert costs["money"].total == pytest.approx(Costing(seen.job, settings).money(effort))
    assert costs["minutes"].parts < costs["money"].parts
    assert costs["driving"].driving > costs["money"].driving
    with pytest.raises(InputError, match='no objective "mony"'):
        structs.replace(settings, objective="mony")


def test_dearer_labour_never_lowers_the_expected_total(
    outlook_of: MakeOutlook, settings: PlanSettings
) -> None:
    totals = []
    for rate in (80.0, 120.0, 160.0):
        costs = structs.replace(settings.costs, rate_per_hour=rate)
        outlook = outlook_of(SEEN, chosen=PlanSettings(costs, depth=1))
        totals.append(outlook.rank().value_a.min())
    assert totals == sorted(totals)


def test_plan_tree_follows_every_likely_outcome(seen: Outlook, settings: PlanSettings) -> None:
    shallow = structs.replace(settings, depth=1)
    tree = plan_tree(seen.evidence, seen.posterior, shallow, depth=2)
    assert sum(branch.probability for branch in tree.branches) > 0.9
    assert all(branch.then is not None for branch in tree.branches)
    lines = list(tree.lines())
    assert lines[0] == tree.step.title
    assert len(lines) >= 1 + 2 * len(tree.branches)


def test_supposing_every_step_gives_a_job_that_replays(seen: Outlook) -> None:
    done = set[str]()
    for one in seen.priced:
        key = one.action.test or one.action.kind
        if key in done:
            continue
        done.add(key)
        for outcome in one.prediction.outcomes:
            after = suppose(seen.job, one.action, outcome)
            assert len(after.findings) > len(seen.job.findings)
    assert done >= {"swap", "replace", "drive", "plug-look", "compression"}


def test_what_is_usual_for_a_band_lies_in_it(pack: Pack) -> None:
    for test in pack.tests.values():
        if test.form == "reading":
            low = -np.inf
            for band in test.bands:
                assert low <= band_median(test, band.id) <= band.below
                low = band.below
            assert normal_outcome(test) in {band.id for band in test.bands}


def test_actions_follow_parts_that_were_swapped() -> None:
    replaced = after_swaps(Action("replace", replaced=("coil3",)), [("coil3", "coil1")])
    assert replaced.replaced == ("coil1",)
    assert Action("drive", drive_minutes=20.0, conditions=("load",)).id == "drive20-load"


def test_next_steps_ranks_from_evidence_alone(seen: Outlook, settings: PlanSettings) -> None:
    shallow = structs.replace(settings, depth=1)
    plan = next_steps(seen.evidence, infer(seen.evidence.arrays), shallow)
    assert plan.hypotheses == len(seen.hypotheses.belief_h)
    assert (seen.policy.faults.element_hk[seen.hypotheses.index[()]] == NONE).all()


def test_a_drive_that_must_be_waited_for_has_its_price_and_lasts_no_longer(
    outlook_of: MakeOutlook, pack: Pack
) -> None:
    """Common practice, no source: a cold start is had once a night, and for a few minutes."""
    only_cold = structs.replace(pack.costs, drive_conditions=((), ("cold",)))
    told = outlook_of(SEEN, ev.Swapped((("coil3", "coil1"),)), chosen=PlanSettings(only_cold))
    drives = [p for p in told.priced if p.action.drive_minutes and not p.action.replaced]
    waited = [p for p in drives if "cold" in p.action.conditions]
    ready = [p for p in drives if not p.action.conditions]
    assert waited
    assert ready
    price, lasts = pack.costs.condition_price["cold"], pack.costs.condition_minutes["cold"]
    assert all(p.work.effort.parts == price for p in waited if p.action.kind == "drive")
    assert all(p.action.drive_minutes <= lasts for p in waited)
    assert all(p.work.effort.parts == 0.0 for p in ready if p.action.kind == "drive")


def test_the_dearer_a_repair_the_more_proof_it_asks(seen: Outlook) -> None:
    places = [seen.place_of(local) for local in range(len(seen.elements))]
    stake, least = seen.settings.costs.stake, seen.settings.costs.proof
    assert stake is not None
    for place in places:
        price = seen.costing.money(seen.fix_effort(place))
        asked = seen.asked_proof([place])
        assert least <= asked < 1.0
        assert (1.0 - asked) * price <= stake + 1e-9 or asked == least
    assert seen.asked_proof(places) == max(seen.asked_proof([place]) for place in places)
    assert seen.asked_proof(()) == 0.0


def test_the_driver_is_asked_once_a_visit(outlook_of: MakeOutlook) -> None:
    def misfire(cylinder: int) -> ev.Ran:
        return ev.Ran(15.0, ("load",), (f"P030{cylinder}",))

    asked = ev.Inspected("driver-when", "engine", "load")
    work = (ev.Swapped((("coil3", "coil1"),)), misfire(1))

    def asks(*events: ev.Event) -> bool:
        return any(one.action.test == "driver-when" for one in outlook_of(*events).priced)

    assert asks(misfire(3), *work)
    assert not asks(misfire(3), asked, *work)
    assert asks(misfire(3), asked, *work, ev.Closed(), ev.Reopened(driven_km=200.0))
