"""The cheapest next steps of a job, ranked, with what each may show and what would follow."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray, for_order
from swapinfer.evidence.assemble import Evidence
from swapinfer.ledger.words import listed
from swapinfer.plan.actions import (
    READ,
    SCAN_TOOL,
    Action,
    after_swaps,
    name_place,
    title_action,
    title_outcome,
)
from swapinfer.plan.costing import Cost, Effort, PlanSettings
from swapinfer.plan.lookahead import POLICY, Ranking
from swapinfer.plan.outlook import Outlook, Priced, mean_effort
from swapinfer.plan.predict import information_bits
from swapinfer.plan.priority import ENDINGS, GIVE_UP, HAND_OVER, Way, order_ways
from swapinfer.plan.repair_policy import Prices
from swapinfer.posterior import Posterior

DETAILED = 12  # steps whose outcomes are told unless fewer are asked for, the cheapest
_LEADING = 3  # causes named after an outcome
_WORTH_TELLING = 0.005  # outcomes less likely than this are not listed


class Suspect(Struct, frozen=True):
    """An element and the probability that it is at fault."""

    element: str
    place: str
    probability: float


class Outcome(Struct, frozen=True):
    """What a step may show."""

    id: str
    title: str
    probability: float
    cost_after: float
    suspects: tuple[Suspect, ...]  # leading causes then
    then: str  # what would be done next


class PlannedStep(Struct, frozen=True):
    """Something to do next, and what it is worth.

    Attributes
    ----------
    id, title : str
        Name to be typed, and the imperative.
    action : Action or None
        None for handing over and giving up.
    minutes : float
        Expected labour, driving not counted.
    drive_minutes : float
        Expected driving.
    parts : float
        Expected parts and consumables, in currency.
    money : float
        All that the step itself is expected to cost.
    cost : Cost
        The same in terms of the objective, by what it is for.
    expected_total : float
        Expected cost, in terms of the objective, until the vehicle is verified, this step first.
    worth : float
        What its outcome takes off everything after it; 0 when it changes nothing.
    gain : float
        `worth` less the step's own cost: what doing it saves over going on without it.
    bits : float
        Information about what is wrong.
    depth : int
        Steps looked ahead.
    tools, cautions, opens : tuple of str
        Ids in the pack.
    outcomes : tuple of Outcome
        The likeliest first; told for the first steps of a plan only.
    is_barred : bool
        Whether it may not come first as the job stands: what was begun is to be driven before.
    """

    id: str
    title: str
    action: Action | None
    minutes: float
    drive_minutes: float
    parts: float
    money: float
    cost: Cost
    expected_total: float
    worth: float
    gain: float
    bits: float
    depth: int
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    opens: tuple[str, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    is_barred: bool = False


class Forecast(Struct, frozen=True):
    """Expectations under the plan."""

    cost: float  # money to a verified repair
    spread: float  # standard deviation of it over what may be wrong and what steps may show
    minutes: float  # labour and driving
    comebacks: float  # expected number of times that the vehicle comes back
    wrong_parts: float  # expected number of elements put right that were not at fault


class Plan(Struct, frozen=True):
    """Ranked next steps of a job.

    Attributes
    ----------
    steps : tuple of PlannedStep
        The one to take first, then the others, the cheapest way on first.
    is_carried : bool
        Whether the first step is the end, or a repair that the evidence carries.
    is_held_back : bool
        Whether a repair would come first, were what it repairs likelier to be at fault.
    without_tests : float
        Expected cost of repairing in order of probability over cost, without further tests.
    forecast : Forecast
        What is to be expected when the first step is taken.
    objective, currency : str
        What costs mean.
    hypotheses : int
        Combinations of faults that were weighed.
    left_out : float
        Probability of all others together.
    """

    steps: tuple[PlannedStep, ...]
    is_carried: bool
    is_held_back: bool
    without_tests: float
    forecast: Forecast
    objective: str
    currency: str
    hypotheses: int
    left_out: float

    @property
    def best(self) -> PlannedStep:
        """Step to take first."""
        return self.steps[0]

    @property
    def least(self) -> float:
        """Expected cost of the cheapest way on."""
        return min(step.expected_total for step in self.steps)

    def find(self, step_id: str) -> PlannedStep | None:
        """Return the step with an id, if it was considered."""
        return next((step for step in self.steps if step.id == step_id), None)


def next_steps(
    evidence: Evidence, posterior: Posterior, settings: PlanSettings, *, detailed: int = DETAILED
) -> Plan:
    """Rank what could be done next in a job by the expected cost to a verified repair.

    Parameters
    ----------
    evidence : Evidence
        All findings of the job.
    posterior : Posterior
        Belief that they lead to.
    settings : PlanSettings
        Shop's figures, wishes and limits.
    detailed : int, optional
        Steps whose outcomes are told, the cheapest; 0 where nobody reads them.

    Returns
    -------
    Plan
    """
    outlook = Outlook(evidence, posterior, settings)
    return make_plan(outlook, outlook.rank(), detailed)


def title_way(outlook: Outlook, way: Way) -> str:
    """Put a way on in words."""
    if way.action is None:
        return ENDINGS[way.ending]
    return title_action(outlook.job.engine, way.action, lambda place: outlook.repair(place).fix)


def make_plan(outlook: Outlook, ranking: Ranking, detailed: int = DETAILED) -> Plan:
    """Put a ranking in words and figures that people read."""
    order = order_ways(outlook, ranking)
    first, *others = order.ways
    author = _Teller(outlook, ranking, first.total)
    others.sort(key=lambda way: (way in order.barred, round(author.total(way), 6)))
    return Plan(
        steps=tuple(
            replace(author.step(way, is_told=n < detailed), is_barred=way in order.barred)
            for n, way in enumerate((first, *others))
        ),
        without_tests=ranking.policy_cost,
        forecast=forecast(outlook, ranking, order.ways[0]),
        is_carried=order.is_carried,
        is_held_back=order.is_held_back,
        objective=outlook.settings.objective,
        currency=outlook.settings.costs.currency,
        hypotheses=len(outlook.hypotheses.belief_h),
        left_out=outlook.hypotheses.left_out,
    )


class _Teller(Struct, frozen=True):
    outlook: Outlook
    ranking: Ranking
    best: float

    def honest(self, total: float) -> float:
        """Say what a total comes to when it is played."""
        return self.outlook.honest(total, self.outlook.hypotheses.belief_h)

    def total(self, way: Way) -> float:
        """Say what a way costs; whatever a test shows, what comes first now can still follow."""
        if way.action is None or not way.action.test:
            return way.total
        return min(way.total, self.best + float(self.ranking.cost_a[way.number]))

    def step(self, way: Way, *, is_told: bool) -> PlannedStep:
        """Tell of a way on."""
        if way.action is None:
            ending, total = way.ending, self.honest(way.total)
            free = Cost(0.0, 0.0, 0.0, 0.0)
            return PlannedStep(
                ending, ENDINGS[ending], None, 0.0, 0.0, 0.0, 0.0, free, total, 0.0, 0.0, 0.0, 0
            )
        a = way.number
        one, ranking = self.outlook.priced[a], self.ranking
        belief_h = self.outlook.hypotheses.belief_h
        effort = mean_effort(one, belief_h)
        return PlannedStep(
            id=one.action.id,
            title=title_way(self.outlook, way),
            action=one.action,
            minutes=effort.minutes,
            drive_minutes=effort.drive_minutes,
            parts=effort.parts,
            money=self.outlook.costing.money(effort),
            cost=self.outlook.costing.split(effort),
            expected_total=self.honest(self.total(way)),
            worth=float(ranking.worth_a[a]),
            gain=float(ranking.worth_a[a] - ranking.cost_a[a]),
            bits=information_bits(belief_h, one.prediction.chance_oh),
            depth=int(ranking.depth_a[a]),
            tools=self._tools(one.action),
            cautions=self._cautions(one),
            opens=one.work.opens,
            outcomes=self._outcomes(a, one) if is_told else (),
        )

    def _outcomes(self, a: int, one: Priced) -> tuple[Outcome, ...]:
        chance_o, after_oh = self.outlook.look_ahead.outcomes(self.outlook.hypotheses.belief_h, a)
        likely = np.flatnonzero(chance_o >= _WORTH_TELLING).tolist()
        firsts = _first_of_policy(self.outlook, after_oh[likely])
        told = []
        for o, first in zip(likely, firsts, strict=True):
            name = one.prediction.outcomes[o]
            then = self._then(int(self.ranking.follow_ao[a, o]), first, one.action, after_oh[o])
            told.append(
                Outcome(
                    id=name,
                    title=title_outcome(self.outlook.job.engine, one.action, name),
                    probability=float(chance_o[o]),
                    cost_after=self.outlook.honest(
                        float(self.ranking.onward_ao[a, o]), after_oh[o]
                    ),
                    suspects=self._suspects(after_oh[o]),
                    then=then,
                )
            )
        return tuple(sorted(told, key=lambda outcome: -round(outcome.probability, 9)))

    def _suspects(self, belief_h: FloatArray) -> tuple[Suspect, ...]:
        space = self.outlook.evidence.space
        fault_e = self.outlook.hypotheses.fault_e(belief_h)
        leading = np.argsort(for_order(-fault_e), kind="stable")[:_LEADING]
        found = []
        for e in leading.tolist():
            name = space.elements[e].id
            place = self.outlook.job.place_of(name)
            found.append(Suspect(name, place.id if place else "", float(fault_e[e])))
        return tuple(found)

    def _then(self, follow: int, first: Action | str, before: Action, belief_h: FloatArray) -> str:
        action = first if follow == POLICY else self.outlook.priced[follow].action
        suspicion, leader = self.outlook.suspicion_under(belief_h), self._suspects(belief_h)[0]
        if action == GIVE_UP and leader.place:
            # What is not known cannot be quoted.
            unknown = Action("replace", replaced=(leader.place,))
            is_known = leader.probability >= self.outlook.settings.costs.proof
            action = action if is_known else unknown
        if not isinstance(action, Action):
            return ENDINGS[action]
        engine, moved = self.outlook.job.engine, after_swaps(action, before.swaps)
        if suspicion.proof(action.replaced) < self.outlook.asked_proof(action.replaced):
            return f"look further into {listed([name_place(engine, p) for p in moved.replaced])}"
        # Parts have moved, what they need has not.
        origin = dict(zip(moved.replaced, action.replaced, strict=True))
        fixes = {place: self.outlook.repair(was).fix for place, was in origin.items()}
        return title_action(engine, moved, fixes.__getitem__)

    def _tools(self, action: Action) -> tuple[str, ...]:
        if action.kind == READ:
            return (SCAN_TOOL,) if SCAN_TOOL in self.outlook.job.pack.tools else ()
        return self.outlook.job.engine.tests[action.test].tools if action.test else ()

    def _cautions(self, one: Priced) -> tuple[str, ...]:
        job = self.outlook.job
        found = [c for access in one.work.opens for c in job.pack.access[access].cautions]
        found += [c for p in one.action.handled for c in job.engine.kind_of(p).cautions]
        if one.action.test:
            found += job.engine.tests[one.action.test].cautions
        if one.action.drive_minutes:
            found += job.pack.running.cautions
        return tuple(dict.fromkeys(found))


def _first_of_policy(outlook: Outlook, belief_bh: FloatArray) -> list[Action | str]:
    """Tell what the repair policy does first under each belief: a repair, or how it ends."""
    choice = outlook.policy.choose(belief_bh)
    firsts: list[Action | str] = []
    for b in range(len(belief_bh)):
        if choice.hands_over_b[b]:
            firsts.append(HAND_OVER)
        elif not choice.stop_b[b]:
            firsts.append(GIVE_UP)
        else:
            repair = Action("replace", replaced=(outlook.place_of(int(choice.order_bj[b, 0])),))
            minutes, conditions = float(choice.minutes_b[b]), outlook.conditions
            firsts.append(replace(repair, drive_minutes=minutes, conditions=conditions))
    return firsts


def forecast(outlook: Outlook, ranking: Ranking, first: Way) -> Forecast:
    """Work out what to expect when a way is taken, its follow-ups, then the repair policy."""
    start = _Branch(1.0, Effort(), 0.0, outlook.hypotheses.belief_h)
    branches = [] if first.action else [start]
    for o, branch in _do(outlook, start, first.number) if first.action else ():
        follow = int(ranking.follow_ao[first.number, o])
        branches += [branch] if follow == POLICY else [b for _, b in _do(outlook, branch, follow)]
    expected = _sum_up(outlook, branches)
    honest = outlook.honest(first.total, outlook.hypotheses.belief_h)
    return replace(expected, cost=expected.cost * honest / first.total if first.total else 0.0)


class _Branch(Struct, frozen=True, eq=False):
    """What may have happened by the time the repair policy takes over."""

    chance: float
    spent: Effort
    wrong: float
    belief_h: FloatArray


def _do(outlook: Outlook, before: _Branch, a: int) -> Iterator[tuple[int, _Branch]]:
    """Take an action: its outcomes, and the branch that each leads to."""
    one = outlook.priced[a]
    fault_e, index = outlook.hypotheses.fault_e(before.belief_h), outlook.evidence.space.index
    repaired = [index[outlook.job.fitted[place]] for place in one.action.replaced]
    wrong = before.wrong + float(sum(1.0 - fault_e[e] for e in repaired))
    more = Effort(risk=float(outlook.look_ahead.options.more_ah[a] @ before.belief_h))
    chance_o, after_oh = outlook.look_ahead.outcomes(before.belief_h, a)
    for o in np.flatnonzero(after_oh.any(axis=1)).tolist():
        chance = before.chance * float(chance_o[o])
        yield o, _Branch(chance, before.spent + one.effort(o) + more, wrong, after_oh[o])


def _sum_up(outlook: Outlook, branches: list[_Branch]) -> Forecast:
    """Average over branches, each going on with the repair policy."""
    policy, costing = outlook.policy, outlook.costing
    belief_bh = np.array([branch.belief_h for branch in branches])
    choice = policy.choose(belief_bh)
    money_bh, minutes_bh, comebacks_bh, put_right_bh = (
        policy.cost_bh(choice, unit) for unit in _units(outlook)
    )
    weight_bh = np.array([[branch.chance] for branch in branches]) * belief_bh
    money_bh += np.array([[costing.money(branch.spent)] for branch in branches])
    spent = [branch.spent.minutes + branch.spent.drive_minutes for branch in branches]
    wrong_bh = np.maximum(put_right_bh - policy.fault_count_h, 0.0)
    wrong_bh += np.array([[branch.wrong] for branch in branches])
    cost = float((weight_bh * money_bh).sum())
    return Forecast(
        cost=cost,
        spread=float(np.sqrt((weight_bh * (money_bh - cost) ** 2).sum())),
        minutes=float((weight_bh * (minutes_bh + np.array(spent)[:, None])).sum()),
        comebacks=float((weight_bh * comebacks_bh).sum()),
        wrong_parts=float((weight_bh * wrong_bh).sum()),
    )


def _units(outlook: Outlook) -> Iterator[Prices]:
    """Prices of the repair policy in money, minutes, comebacks and elements put right."""
    n = len(outlook.elements)
    yield outlook.unit_prices(outlook.costing.money)
    yield outlook.unit_prices(lambda effort: effort.minutes + effort.drive_minutes)
    yield Prices(np.zeros(n), 0.0, 1.0, 0.0)
    yield Prices(np.ones(n), 0.0, 0.0, 0.0)
