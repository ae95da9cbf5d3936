"""What comes first: among equals the plainest, what was begun, and no purchase without proof.

The rules are the trade's: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.ledger.runs import Begun, carried, what_was_begun
from swapinfer.pack.model import Costs, Pack
from swapinfer.plan.actions import Action
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import Plan, make_plan
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, HAND_OVER, Way, arrange
from swapinfer.posterior import infer
from tests.plan.conftest import MakeOutlook

NOTHING_BEGUN = Begun(
    is_unread=False,
    is_blind=False,
    is_undriven=False,
    failed_in=(),
    is_failing=False,
    owed_in=None,
    owed_minutes=0.0,
    lamp=False,
)
TEST = Action("test", "smoke", ("engine",))
LOOK = Action("test", "plug-look", ("cylinder1",))
SWAP = Action("swap", swaps=(("coil1", "coil4"),), drive_minutes=10.0)
BOTH = Action("swap", swaps=(("coil1", "coil4"), ("plug1", "plug2")), drive_minutes=10.0)
ALL = Action("swap", swaps=(*BOTH.swaps, ("boot1", "boot3")), drive_minutes=10.0)
BUNDLE = Action("swap", swaps=(("coil1", "coil4"),), reseated=("injector-wiring1",))
BUY = Action("replace", replaced=("coil1",), drive_minutes=10.0)
BUY_TWO = Action("replace", replaced=("coil1", "plug1"), drive_minutes=10.0)
DRIVE = Action("drive", drive_minutes=10.0)


@pytest.fixture(scope="module")
def costs(pack: Pack) -> Costs:
    return replace(pack.costs, resolution=0.05, proof=0.6, sure=0.9)


def free(_: Way) -> float:
    return 0.0


def way(action: Action | None, total: float, *, pays: bool = True, proof: float = 1.0) -> Way:
    return Way(action, 0, total, pays, proof, asked=0.6 if action and action.replaced else 0.0)


FAILING = replace(NOTHING_BEGUN, is_failing=True)


def first(ways: Sequence[Way], costs: Costs, begun: Begun = NOTHING_BEGUN) -> Action | None:
    price = {BUY: 60.0, BUY_TWO: 80.0, SWAP: 30.0, BOTH: 50.0, ALL: 55.0, TEST: 40.0, LOOK: 20.0}
    order = arrange(ways, begun, costs, lambda one: price.get(one.action or DRIVE, 0.0), free)
    assert sorted(one.total for one in order.ways[1:]) == [one.total for one in order.ways[1:]]
    return order.ways[0].action


def test_among_equals_the_plainer_goes_first(costs: Costs) -> None:
    assert first([way(BOTH, 400.0), way(SWAP, 415.0)], costs) == SWAP
    assert first([way(BOTH, 400.0), way(SWAP, 445.0)], costs) == BOTH
    assert first([way(SWAP, 400.0), way(TEST, 410.0)], costs) == TEST
    assert first([way(TEST, 400.0), way(LOOK, 410.0)], costs) == LOOK
    assert first([way(BUY, 400.0, proof=0.5), way(SWAP, 410.0)], costs) == SWAP


def test_each_further_thing_at_once_must_be_better_by_one_more_resolution(costs: Costs) -> None:
    assert first([way(BOTH, 400.0), way(SWAP, 435.0)], costs) == SWAP  # 2 x 5 % of 400
    assert first([way(SWAP, 400.0), way(TEST, 425.0)], costs) == SWAP  # one thing each: 5 %
    three = [way(ALL, 400.0), way(BOTH, 410.0), way(SWAP, 455.0)]
    assert first(three, costs) == SWAP  # 3 x 5 % of 400
    assert first([*three[:2], way(SWAP, 461.0)], costs) == BOTH


def test_what_may_not_come_now_is_told_apart_and_stands_last(costs: Costs) -> None:
    undriven = replace(NOTHING_BEGUN, is_undriven=True)
    ways = [way(BOTH, 380.0), way(DRIVE, 400.0), way(LOOK, 430.0)]
    order = arrange(ways, undriven, costs, free, free)
    assert [one.action for one in order.ways] == [DRIVE, LOOK, BOTH]
    assert [one.action for one in order.barred] == [BOTH]


def test_a_repair_owes_a_drive_as_long_as_it_took_to_fail(costs: Costs) -> None:
    owed = replace(NOTHING_BEGUN, owed_in=("load",), owed_minutes=15.0)
    lengths = (5.0, 10.0, 20.0, 30.0)
    ways = [way(Action("drive", drive_minutes=t), 100.0 + t) for t in lengths]
    chosen = arrange([*ways, way(None, 50.0)], owed, costs, free, free).ways[0].action
    assert chosen == Action("drive", drive_minutes=20.0)


def test_without_a_resolution_the_cheapest_goes_first(costs: Costs) -> None:
    exact = replace(costs, resolution=0.0)
    assert first([way(BOTH, 400.0), way(SWAP, 400.1)], exact) == BOTH


def test_a_test_worth_less_than_it_costs_is_no_equal(costs: Costs) -> None:
    assert first([way(BOTH, 400.0), way(LOOK, 404.0, pays=False)], costs) == BOTH


def test_a_repair_that_is_nearly_certain_waits_for_no_further_test(costs: Costs) -> None:
    assert first([way(LOOK, 100.0), way(BUY, 102.0, proof=0.95)], costs) == BUY


def test_a_look_worth_as_much_precedes_a_repair_that_is_not_sure(costs: Costs) -> None:
    assert first([way(BUY, 100.0, proof=0.8), way(LOOK, 104.0)], costs) == LOOK
    assert first([way(BUY, 100.0, proof=0.8), way(LOOK, 106.0)], costs) == BUY
    assert first([way(BUY, 100.0, proof=0.8), way(LOOK, 104.0, pays=False)], costs) == BUY


def test_a_quote_names_what_has_failed_where_a_look_would_tell(costs: Costs) -> None:
    gives_up = Way(None, 1, 800.0)
    ways = [gives_up, way(LOOK, 820.0, pays=False), way(TEST, 830.0, pays=False)]
    told = {LOOK: 0.6, TEST: 0.8}

    def chosen(bits: dict[Action, float], money: float = 20.0) -> Action | None:
        order = arrange(
            ways, NOTHING_BEGUN, costs, lambda _: money, lambda one: bits[one.action or DRIVE]
        )
        return order.ways[0].action

    assert chosen(told) == TEST
    assert chosen(told | {TEST: 0.4}) == LOOK
    assert chosen(dict.fromkeys(told, 0.4)) is None
    assert chosen(told, money=costs.resolution * costs.diagnosis_cap + 1.0) is None


def test_a_contact_is_reseated_with_a_swap_only_where_that_is_far_better(costs: Costs) -> None:
    assert first([way(BUNDLE, 400.0), way(SWAP, 430.0)], costs) == SWAP
    assert first([way(BUNDLE, 400.0), way(SWAP, 441.0)], costs) == BUNDLE
    assert first([way(SWAP, 400.0), way(BUNDLE, 390.0), way(BOTH, 410.0)], costs) == SWAP


def test_a_purchase_below_the_proof_waits_for_what_can_still_tell(costs: Costs) -> None:
    ways = [way(BUY, 300.0, proof=0.3), way(SWAP, 400.0), way(TEST, 500.0)]
    order = arrange(ways, FAILING, costs, free, free)
    assert order.ways[0].action == SWAP
    assert order.is_held_back
    assert not order.is_carried
    nothing_tells = [ways[0], way(SWAP, 400.0, pays=False)]
    order = arrange(nothing_tells, FAILING, costs, free, free)
    assert order.ways[0].action == BUY
    assert not order.is_held_back
    assert not order.is_carried
    proven = [way(BUY, 300.0, proof=0.7), way(SWAP, 400.0)]
    assert arrange(proven, NOTHING_BEGUN, costs, free, free).is_carried


def test_what_runs_quietly_is_not_repaired_on_a_guess(costs: Costs) -> None:
    ways = [way(BUY, 300.0, proof=0.3), Way(None, 0, 310.0), Way(None, 1, 800.0)]
    assert arrange(ways, NOTHING_BEGUN, costs, free, free).ways[0].ending == HAND_OVER
    assert arrange(ways, FAILING, costs, free, free).ways[0].action == BUY


def test_a_dear_repair_that_is_likely_is_looked_into_or_quoted(costs: Costs) -> None:
    dear = Way(BUY, 0, 300.0, pays=True, proof=0.9, asked=0.97)
    ends = [Way(None, 1, 800.0)]
    order = arrange([dear, way(SWAP, 400.0), *ends], FAILING, costs, free, free)
    assert order.ways[0].action == SWAP
    assert order.is_held_back
    order = arrange([dear, way(SWAP, 400.0, pays=False), *ends], FAILING, costs, free, free)
    assert order.ways[0].ending == GIVE_UP
    assert order.is_held_back


def test_a_vehicle_is_not_handed_over_before_it_was_seen_to_run_well(costs: Costs) -> None:
    failing = replace(NOTHING_BEGUN, is_failing=True)
    ways = [Way(None, 0, 40.0), way(DRIVE, 60.0), Way(None, 1, 800.0)]
    assert arrange(ways, NOTHING_BEGUN, costs, free, free).ways[0].ending == HAND_OVER
    assert arrange(ways, failing, costs, free, free).ways[0].action == DRIVE


def test_a_job_says_whether_the_vehicle_ran_well_last(pack: Pack) -> None:
    opening = ev.Opened("1001", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
    clean, noticed = ev.Ran(5.0, (), codes=(), pending=()), ev.Ran(5.0, (), felt="smooth")

    def is_failing(*events: ev.Event) -> bool:
        return what_was_begun(replay(enumerate([opening, *events]), pack)).is_failing

    assert not is_failing()
    assert is_failing(misfire([3]))
    assert is_failing(misfire([3]), ev.Inspected("injector-connector-look", "cylinder3", "loose"))
    assert is_failing(misfire([3]), noticed)
    assert not is_failing(misfire([3]), clean)
    assert is_failing(clean, misfire([3]))
    assert is_failing(misfire([3]), clean, ev.Closed(), ev.Reopened(driven_km=200.0))
    assert is_failing(ev.Scanned(codes=("P0303",)))
    assert not is_failing(ev.Scanned(codes=()))


def test_an_end_has_no_equals(costs: Costs) -> None:
    assert first([way(None, 800.0), way(BUY, 810.0, proof=0.9)], costs) is None
    assert first([way(BUY, 790.0, proof=0.9), way(None, 800.0)], costs) == BUY


def test_work_begun_is_driven_unless_something_else_is_better_by_far(costs: Costs) -> None:
    begun = replace(NOTHING_BEGUN, is_undriven=True)
    ways = [way(LOOK, 400.0), way(DRIVE, 415.0, pays=False)]
    assert first(ways, costs, begun) == DRIVE
    assert first(ways, costs) == LOOK
    far = [way(LOOK, 400.0), way(DRIVE, 421.0, pays=False)]
    assert first(far, costs, begun) == LOOK


def test_no_more_is_handled_on_top_of_work_that_was_not_driven(costs: Costs) -> None:
    begun = replace(NOTHING_BEGUN, is_undriven=True)
    ways = [way(SWAP, 300.0), way(BUY, 350.0, proof=0.5), way(DRIVE, 400.0, pays=False)]
    assert first(ways, costs, begun) == DRIVE
    assert first([way(BUY, 350.0, proof=0.9), way(DRIVE, 400.0)], costs, begun) == BUY


def misfire(cylinders: Sequence[int], *conditions: str) -> ev.Ran:
    return ev.Ran(15.0, conditions, codes=tuple(f"P030{cylinder}" for cylinder in cylinders))


def plan_of(outlook: Outlook) -> Plan:
    return make_plan(outlook, outlook.rank())


def first_of(outlook: Outlook) -> Action:
    action = plan_of(outlook).best.action
    assert action is not None
    return action


def test_a_swap_is_driven(outlook_of: MakeOutlook) -> None:
    swapped = ev.Swapped((("coil1", "coil3"),))
    assert first_of(outlook_of(misfire([1], "warm", "load"), swapped)).kind == "drive"


def test_a_job_with_one_code_begins_with_one_plain_thing(outlook_of: MakeOutlook) -> None:
    action = first_of(outlook_of(misfire([1], "warm", "load")))
    assert not action.reseated
    assert action.things <= 1


def test_a_repair_is_driven_as_it_failed_before_the_vehicle_is_handed_over(
    outlook_of: MakeOutlook,
) -> None:
    done = [
        misfire([3], "hot", "load"),
        ev.Swapped((("coil3", "coil2"),)),
        misfire([2], "hot", "load"),
        ev.Replaced("coil2"),
    ]
    action = first_of(outlook_of(*done))
    assert action.kind == "drive"
    assert {"hot", "load"} <= set(action.conditions)
    elsewhere = ev.Ran(60.0, ("idle",), codes=(), pending=())
    assert first_of(outlook_of(*done, elsewhere)).kind == "drive"
    as_it_failed = ev.Ran(60.0, ("hot", "load"), codes=(), pending=())
    assert plan_of(outlook_of(*done, as_it_failed)).best.id == HAND_OVER


def test_all_conditions_in_which_it_failed_are_driven_again(pack: Pack) -> None:
    opening = ev.Opened("1001", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
    failed = [opening, misfire([1], "cold"), misfire([1], "hot", "load"), ev.Replaced("coil1")]
    hot, cold = (
        ev.Ran(20.0, tags, codes=(), pending=()) for tags in (("load", "hot"), ("cold", "idle"))
    )

    def owed(*runs: ev.Ran) -> tuple[str, ...] | None:
        return what_was_begun(replay(enumerate([*failed, *runs]), pack)).owed_in

    assert owed() == ("hot", "load")
    assert owed(hot) == ("cold",)
    assert owed(cold) == ("hot", "load")
    assert owed(cold, hot) is None
    assert owed(misfire([1])) is None


def test_nothing_is_handled_before_the_engine_was_run(outlook_of: MakeOutlook) -> None:
    best = plan_of(outlook_of()).best
    assert best.action is not None
    assert not best.action.handled
    assert best.opens == ()


def test_drives_are_short_while_the_lamp_blinks(outlook_of: MakeOutlook, pack: Pack) -> None:
    seen = outlook_of(replace(misfire([1]), felt="blinking"))
    most = pack.costs.hard_drive_minutes
    driven = [
        one.action
        for one in seen.priced
        if one.action.drive_minutes and not one.action.replaced and not one.action.reseated
    ]
    assert driven
    assert all(action.drive_minutes <= most for action in driven)
    quiet = outlook_of(misfire([1]), ev.Ran(60.0, (), codes=(), pending=()))
    assert any(one.action.drive_minutes > most for one in quiet.priced)


def test_parts_that_a_misfire_went_along_with_are_put_right_together(
    pack: Pack, settings: PlanSettings
) -> None:
    opening = ev.Opened("1001", "v6", {"ignition": "coil-on-plug", "fuel": "port"})
    moved = ev.Swapped((("coil2", "coil1"), ("plug5", "plug3")))
    before, after = (misfire(c, "warm", "load") for c in ([2, 5], [1, 3]))
    evidence = gather_evidence(replay(enumerate([opening, before, moved, after]), pack))
    went = Outlook(evidence, infer(evidence.arrays), settings)
    assert carried(went.job) == {"coil2", "plug5"}
    assert set(first_of(went).replaced) == {"coil1", "plug3"}


def test_two_parts_moved_to_one_cylinder_do_not_vouch_for_each_other(
    outlook_of: MakeOutlook,
) -> None:
    moved = ev.Swapped((("coil2", "coil1"), ("plug2", "plug1")))
    went = outlook_of(misfire([2]), moved, misfire([1]))
    assert carried(went.job) == frozenset()
    stayed = outlook_of(misfire([2]), ev.Swapped((("coil2", "coil1"),)), misfire([2]))
    assert carried(stayed.job) == frozenset()


def test_little_suspected_parts_are_not_bought_first(outlook_of: MakeOutlook) -> None:
    seen = outlook_of(
        misfire([1]),
        ev.Swapped((("coil1", "coil2"),)),
        misfire([1]),
        ev.Inspected("plug-look", "cylinder1", "clean"),
        ev.Measured("coil-supply", "cylinder1", 12.4, reference=12.5),
        ev.Measured("injector-resistance", "injector1", 12.0),
        *(ev.Measured("compression", f"cylinder{c}", 177.0 + c) for c in (1, 2, 3, 4)),
    )
    assert not first_of(seen).replaced


def test_a_test_is_not_made_again_for_nothing(outlook_of: MakeOutlook) -> None:
    look = ev.Inspected("plug-look", "cylinder1", "clean")
    tests = [(one.action.test, one.action.targets) for one in outlook_of(misfire([1]), look).priced]
    assert ("plug-look", ("cylinder1",)) not in tests
    assert ("plug-look", ("cylinder1",)) in [
        (one.action.test, one.action.targets) for one in outlook_of(misfire([1])).priced
    ]


def test_several_swaps_leave_one_cylinder_as_it_is(outlook_of: MakeOutlook) -> None:
    seen = outlook_of(misfire([1]))
    for one in seen.priced:
        if len(one.action.swaps) > 1:
            touched = {c for p in one.action.handled for c in seen.job.engine.places[p].cylinders}
            assert len(touched) < len(seen.job.engine.layout.cylinders)


def test_expected_totals_are_corrected_and_rank_as_before(outlook_of: MakeOutlook) -> None:
    seen = outlook_of(misfire([1]))
    belief_h = seen.hypotheses.belief_h
    least, most = float(belief_h @ seen.policy.least_h), seen.policy.prices.give_up
    assert seen.settings.costs.foresight > 0.0
    totals = [least + (most - least) * share for share in (0.0, 0.1, 0.4, 0.7, 0.99, 1.0, 1.2)]
    honest = [seen.honest(total, belief_h) for total in totals]
    assert honest == sorted(honest)
    assert [honest[0], honest[-2], honest[-1]] == pytest.approx([totals[0], totals[-2], totals[-1]])
    assert all(a < b for a, b in zip(honest[1:5], totals[1:5], strict=True))
    giving_up = plan_of(seen).find(GIVE_UP)
    assert giving_up is not None
    assert giving_up.expected_total == most
