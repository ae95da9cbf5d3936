"""From a job's belief to every possible step, priced and looked ahead over."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import InputError
from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray, distinct
from swapinfer.evidence.assemble import Evidence
from swapinfer.evidence.looks import View, look
from swapinfer.ledger.event import Tested
from swapinfer.ledger.replay import Job
from swapinfer.ledger.runs import Begun, carried, proving_minutes, what_was_begun
from swapinfer.pack.model import Test
from swapinfer.plan.actions import (
    READ,
    SCAN_TOOL,
    SUSPECT,
    Action,
    Suspicion,
    best_conditions,
    list_tests,
    list_work,
    work_of,
)
from swapinfer.plan.costing import Costing, Effort, PlanSettings, RepairTask, WorkSum, mode_weights
from swapinfer.plan.hypotheses import Changes, Hypotheses, form_hypotheses
from swapinfer.plan.lookahead import LookAhead, Options, Ranking
from swapinfer.plan.predict import Prediction, Predictor, information_bits
from swapinfer.plan.repair_policy import NONE, Faults, Prices, RepairPolicy
from swapinfer.posterior import Posterior, fault_sets

COVER = 0.998  # share of the posterior that the enumerated fault sets should cover

CONDITIONS = 2  # considered for the drive after simple work: those that tell most; else one
SURE = 3.0  # episodes expected in a drive that shows a fault for sure: but for one in twenty
FRESH = 0.5  # a test that was made before and repeats itself more often than this is not made again
LEVEL_OTHERS = 3  # further targets read where readings are relative to what healthy ones show
MOST_SETS = 500  # fault sets enumerated before they are merged


class Priced(Struct, frozen=True, eq=False):
    """An action with what it takes and what it may show."""

    action: Action  # what is done
    prediction: Prediction  # outcomes under every hypothesis as it was before the action
    work: WorkSum  # without the drive
    changes: Changes  # what it ends: replaced faults, contacts cured by handling

    def effort(self, outcome: int) -> Effort:
        """All that it takes when it ends in an outcome."""
        return self.work.effort + Effort(drive_minutes=float(self.prediction.drive_o[outcome]))


class Outlook:
    """Everything that planning works out about one state of a job."""

    def __init__(self, evidence: Evidence, posterior: Posterior, settings: PlanSettings) -> None:
        self.evidence = evidence
        self.posterior = posterior
        self.settings = settings
        self.costing = Costing(evidence.job, settings)
        self._changes: dict[frozenset[int], Changes] = {}
        self._repairs: dict[str, RepairTask] = {}
        self._hard: dict[tuple[str, ...], FloatArray] = {}

    @property
    def job(self) -> Job:
        """Job planned for."""
        return self.evidence.job

    @cached_property
    def hypotheses(self) -> Hypotheses:
        """Most probable combinations of faults."""
        arrays = self.evidence.arrays
        sets = fault_sets(arrays, self.posterior, cover=COVER, limit=MOST_SETS)
        return form_hypotheses(self.evidence, sets)

    @cached_property
    def predictor(self) -> Predictor:
        """Outcomes under each of them."""
        return Predictor(self.evidence, self.hypotheses)

    @cached_property
    def begun(self) -> Begun:
        """What the job has begun and not finished."""
        return what_was_begun(self.job)

    @cached_property
    def proof_minutes(self) -> tuple[float, ...]:
        """Whole minutes of drive that show whether a repair helped, the least first."""
        least = float(math.ceil(round(self.begun.owed_minutes or proving_minutes(self.job), 6)))
        longer = (length for length in self.settings.costs.drive_minutes if length > least)
        return (least, *longer)

    @cached_property
    def conditions(self) -> tuple[str, ...]:
        """Conditions under which what is suspected shows best, and in which it has failed."""
        owed_in = self.begun.owed_in
        failed_in = self.begun.failed_in if owed_in is None else owed_in
        choices = [tags for tags in self._ready if set(failed_in) <= set(tags)] or [failed_in]
        member_hf = self.hypotheses.member_hf
        rates = [member_hf @ self.predictor.total_rate_f(choice) for choice in choices]
        return best_conditions(choices, rates, self.hypotheses.belief_h)

    @cached_property
    def _ready(self) -> list[tuple[str, ...]]:
        """Conditions that can be had without waiting for them."""
        costs = self.settings.costs
        return [t for t in costs.drive_conditions if costs.condition_price.keys().isdisjoint(t)]

    @cached_property
    def elements(self) -> IntArray:
        """Elements that some hypothesis blames; the repair policy counts them from 0."""
        element_hk = self.hypotheses.element_hk
        blamed = element_hk[element_hk != NONE]
        return distinct(blamed if blamed.size else self.hypotheses.element_f)

    @cached_property
    def fix_efforts(self) -> list[Effort]:
        """Effort of repairing each of `elements` from a closed engine, codes read afterwards."""
        return [self.fix_effort(self.place_of(local)) for local in range(len(self.elements))]

    @cached_property
    def fault_efforts(self) -> dict[int, Effort]:
        """Effort of repairing each fault that is suspected, as `fix_efforts`, were it known."""
        fault_hk = self.hypotheses.fault_hk
        return {f: self._fault_effort(f) for f in distinct(fault_hk[fault_hk != NONE]).tolist()}

    def _fault_effort(self, f: int) -> Effort:
        space, e = self.evidence.space, int(self.hypotheses.element_f[f])
        place = self.place_of(int(np.searchsorted(self.elements, e)))
        _, mode = space.modes[int(space.mode_es[e, int(self.hypotheses.state_f[f])]) - 1]
        return self._verified(
            place, self.costing.repair(self.job.engine.kind_of(place), {mode: 1.0})
        )

    def unit_prices(self, unit: Callable[[Effort], float]) -> Prices:
        """Prices of the repair policy in some unit, such as money."""
        costs = self.settings.costs
        fix_e = np.array([unit(e) + unit(self.costing.needless(e)) for e in self.fix_efforts])
        saved_f = np.zeros(len(self.hypotheses.element_f))
        for f, effort in self.fault_efforts.items():
            e = int(self.hypotheses.element_f[f])
            saved_f[f] = fix_e[np.searchsorted(self.elements, e)] - unit(effort)
        return Prices(
            fix_e,
            unit(Effort(drive_minutes=1.0)),
            unit(Effort(risk=costs.comeback)),
            unit(Effort(risk=costs.diagnosis_cap)),
            self.hypotheses.padded(saved_f),
        )

    @cached_property
    def policy(self) -> RepairPolicy:
        """Repair policy of this job."""
        element_hk = self.hypotheses.element_hk
        local_hk = np.where(element_hk == NONE, NONE, np.searchsorted(self.elements, element_hk))
        rate_hk = self.hypotheses.padded(self.predictor.total_rate_f(self.conditions))
        prices = self.unit_prices(self.costing.weigh)
        return RepairPolicy(Faults(local_hk, rate_hk), prices, self.proof_minutes)

    @cached_property
    def suspicion(self) -> Suspicion:
        """Where faults may be."""
        return self.suspicion_under(self.hypotheses.belief_h)

    def suspicion_under(self, belief_h: FloatArray) -> Suspicion:
        """Say where faults may be under some belief."""
        space, faults = self.evidence.space, self.hypotheses
        n = len(space.elements)
        fault_f = belief_h @ faults.member_hf
        curable_f = faults.per_fault(space.ended_es.astype(np.float64))
        fault_e = np.bincount(faults.element_f, fault_f, n).tolist()
        cured_e = np.bincount(faults.element_f, fault_f * curable_f, n).tolist()
        at = {place: space.index[element] for place, element in self.job.fitted.items()}
        went = carried(self.job)
        return Suspicion(
            self.job,
            {place: fault_e[e] for place, e in at.items()},
            {place: cured_e[e] for place, e in at.items()},
            tuple(sorted(place for place, element in self.job.fitted.items() if element in went)),
        )

    @cached_property
    def priced(self) -> list[Priced]:
        """Every action that the settings allow."""
        choice = self.policy.choose(self.hypotheses.belief_h[None])
        first = self.place_of(int(choice.order_bj[0, 0]))
        found = [*self._readings(), *self._tests()]
        for action in list_work(self.suspicion, first):
            found += self._price_drives(action)
        allowed = [one for one in found if self._is_allowed(one)]
        if found and not allowed:
            raise InputError("no step stays within the minutes and the cap given; allow more")
        return allowed

    @cached_property
    def look_ahead(self) -> LookAhead:
        """Look-ahead over all priced actions."""
        width = max(len(one.prediction.outcomes) for one in self.priced)
        n_h = len(self.hypotheses.belief_h)
        chance_aoh = np.zeros((len(self.priced), width, n_h))
        cost_ao = np.zeros((len(self.priced), width))
        per_minute = self.costing.weigh(Effort(drive_minutes=1.0))
        for a, one in enumerate(self.priced):
            count = len(one.prediction.outcomes)
            chance_aoh[a, :count] = one.prediction.chance_oh
            driven_o = per_minute * one.prediction.drive_o
            cost_ao[a, :count] = self.costing.weigh(one.work.effort) + driven_o
        actions = [one.action for one in self.priced]
        follows_aa = _follows(actions)
        changes = tuple(one.changes for one in self.priced)
        works = [action.without_drive for action in actions]
        number = {work: at for at, work in enumerate(dict.fromkeys(works))}
        group_a = np.array([number[work] for work in works])
        options = Options(
            cost_ao, chance_aoh, changes, follows_aa, self._saved_aa(), group_a, self._more_ah()
        )
        return LookAhead(self.policy, options)

    def _more_ah(self) -> FloatArray:
        """Cost of repairs that were not needed, or turn out other ones than on average."""
        faults, weigh = self.hypotheses, self.costing.weigh
        more_ah = np.zeros((len(self.priced), len(faults.belief_h)))
        for place in dict.fromkeys(p for one in self.priced for p in one.action.replaced):
            mean = self.fix_effort(place)
            more_h = np.full(len(faults.belief_h), weigh(self.costing.needless(mean)))
            e = self.evidence.space.index[self.job.fitted[place]]
            for f, effort in self.fault_efforts.items():
                if faults.element_f[f] == e:
                    more_h[faults.member_hf[:, f] > 0.0] = weigh(effort) - weigh(mean)
            more_ah[[place in one.action.replaced for one in self.priced]] += more_h
        return more_ah

    def _saved_aa(self) -> FloatArray:
        """Cost of the access that a test leaves open for the action after it."""
        opened = [set(one.work.opens) for one in self.priced]
        names = sorted(set().union(*opened))
        minutes = [self.costing.reach({name: 1.0}, now=False)[0] for name in names]
        price_x = np.array([self.costing.weigh(Effort(each)) for each in minutes])
        opens_ax = np.array([[name in mine for name in names] for mine in opened], dtype=np.float64)
        is_test_a = np.array([bool(one.action.test) for one in self.priced])
        saved_aa: FloatArray = (opens_ax * price_x * is_test_a[:, None]) @ opens_ax.T
        return saved_aa

    def place_of(self, local: int) -> str:
        """Place where an element, by its number in the repair policy, sits now."""
        element = self.evidence.space.elements[int(self.elements[local])]
        place = self.job.place_of(element.id)
        if place is None:
            raise TypeError(f"{element.id} is blamed but not fitted")
        return place.id

    def honest(self, total: float, belief_h: FloatArray) -> float:
        """Say what a plan costs that is expected to cost a total.

        Planning counts on the repair policy after the steps that it looks ahead; when its plans are
        played, later steps are planned anew, and cost less. By how much was learned from play:
        the pack's `foresight` times ``(x - l)**2 (g - x) / (g - l)**2`` for a total ``x`` between
        ``l``, what it costs when all is known, and ``g``, what giving up costs, at both of which
        nothing is left to gain. Up to a foresight of 3 ways on rank as before.
        """
        least, most = float(belief_h @ self.policy.least_h), self.policy.prices.give_up
        if not least < total < most:
            return total
        share = (total - least) / (most - least)
        return total - self.settings.costs.foresight * share * share * (most - total)

    def asked_proof(self, places: Iterable[str]) -> float:
        """Say how surely what is put right at some places must be at fault; 0 for no place.

        More is asked of what is dear, so that no needless repair loses more than the pack's `stake`
        on average.
        """
        costs = self.settings.costs
        prices = [self.costing.money(self.fix_effort(place)) for place in places]
        if not prices:
            return 0.0
        stake = max(prices) if costs.stake is None else costs.stake
        return max(costs.proof, 1.0 - stake / max(*prices, stake, 1e-9))

    def rank(self) -> Ranking:
        """Value every action; see `LookAhead.rank`."""
        return self.look_ahead.rank(self.hypotheses.belief_h, self.settings.depth)

    def fix_effort(self, place: str) -> Effort:
        """Effort of putting right what sits at a place: access, risk and reading codes too."""
        return self._verified(place, self.repair(place))

    def _verified(self, place: str, repair: RepairTask) -> Effort:
        tasks = [repair, self.costing.reading()]
        return self.costing.work(tasks, self.job.disturbed_by([place]), now=False).effort

    def repair(self, place: str) -> RepairTask:
        """Say what putting right what sits at a place takes, over how it may have failed."""
        if place not in self._repairs:
            weights = mode_weights(self.evidence.space, self.posterior, self.job.fitted[place])
            self._repairs[place] = self.costing.repair(self.job.engine.kind_of(place), weights)
        return self._repairs[place]

    def _price_drives(self, action: Action) -> Iterator[Priced]:
        """Price work that is followed by a drive, for every length and the best conditions."""
        work = work_of(self.costing, action, self.repair)
        changes = self._ended((element for element, _ in work.disturbs), action.replaced)
        for conditions in self._telling(action, changes):
            lengths = self._lengths(action, changes, conditions)
            predictions = self.predictor.drives(lengths, conditions, action.swaps, changes)
            waited = work_of(self.costing, replace(action, conditions=conditions), self.repair)
            for minutes, prediction in zip(lengths, predictions, strict=True):
                driven = replace(action, drive_minutes=minutes, conditions=conditions)
                yield Priced(driven, prediction, waited, changes)

    def _telling(self, action: Action, changes: Changes) -> list[tuple[str, ...]]:
        """Conditions under which a drive after the action tells most."""
        if self._proves(action):
            return [self.conditions]
        belief_h = self.hypotheses.belief_h

        def bits(conditions: tuple[str, ...]) -> float:
            lengths = self._lasting(conditions)
            middle = lengths[len(lengths) // 2 : len(lengths) // 2 + 1]
            (shown,) = self.predictor.drives(middle, conditions, action.swaps, changes)
            return round(information_bits(belief_h, shown.chance_oh), 6)

        told = {choice: bits(choice) for choice in self.settings.costs.drive_conditions}
        ranked = sorted(told, key=told.__getitem__, reverse=True)
        # What must be waited for is looked at where it tells more than all that is ready.
        awaited = [choice for choice in ranked[:1] if choice not in self._ready]
        count = CONDITIONS if len(action.handled) <= 2 else 1
        return [*awaited, *[choice for choice in ranked if choice in self._ready][:count]]

    def _lasting(self, conditions: tuple[str, ...]) -> tuple[float, ...]:
        costs = self.settings.costs
        most = min((costs.condition_minutes.get(t, math.inf) for t in conditions), default=math.inf)
        return tuple(minutes for minutes in costs.drive_minutes if minutes <= most)

    def _proves(self, action: Action) -> bool:
        """Whether the drive after an action is there to show that a repair helped."""
        return bool(action.replaced) or (action.kind == "drive" and self.begun.owed_in is not None)

    def _lengths(
        self, action: Action, changes: Changes, conditions: tuple[str, ...]
    ) -> tuple[float, ...]:
        """Lengths of the drive after an action: short ones while a cylinder misses all the time."""
        costs, lengths = self.settings.costs, self._lasting(conditions)
        short = tuple(m for m in lengths if m <= costs.hard_drive_minutes)
        belief_h = self.hypotheses.belief_h.copy()
        changes.apply(belief_h)
        if short and conditions not in self._hard:  # surely misfires so soon, or the lamp says so
            rate_h = self.hypotheses.member_hf @ self.predictor.total_rate_f(conditions)
            shown = 0.0 if self.begun.lamp else SURE / costs.hard_drive_minutes
            self._hard[conditions] = (rate_h > shown).astype(np.float64)
        if short and float(belief_h @ self._hard[conditions]) >= costs.hard_share:
            return short
        return self.proof_minutes if self._proves(action) else lengths

    def _readings(self) -> Iterator[Priced]:
        """Price reading what is stored, where nobody has since the vehicle came in."""
        lacks = READ in self.settings.avoided or SCAN_TOOL in self.settings.missing_tools
        if self.begun.is_unread and not lacks and self.job.pack.memories:
            action, unchanged = Action(READ), self._ended((), ())
            work = work_of(self.costing, action, self.repair)
            yield Priced(action, self.predictor.stored(unchanged), work, unchanged)

    def _tests(self) -> Iterator[Priced]:
        for test_id, targets in list_tests(self.suspicion, self.settings):
            test = self.job.engine.tests[test_id]
            views = {t: look(self.evidence.space, test.id, t) for t in targets}
            views = {t: v for t, v in views.items() if not self._repeats(test, t, v)}
            seen = {t: v for t, v in views.items() if self.predictor.seen(v) >= SUSPECT}
            for target, view in seen.items():
                yield self._price_test(test, {target: view})
            if test.sweep and not test.level and len(seen) > 1:
                yield self._price_test(test, seen)

    def _repeats(self, test: Test, target: str, view: View) -> bool:
        """Whether a test would but show again what it showed before."""
        if test.once:
            since = self.job.arrival[0]
            later = (f.event for f in self.job.findings if f.time >= since)
            return any(isinstance(event, Tested) and event.test == test.id for event in later)
        return test.fresh < FRESH and self.predictor.earlier(test, target, view) is not None

    def _price_test(self, test: Test, views: dict[str, View]) -> Priced:
        first = next(iter(views))
        targets = tuple(views)
        if test.level and test.sweep:
            # What is healthy is known only from others read in the same sitting.
            others = [t for t in self.job.engine.target_places(test.target) if t != first]
            targets = (first, *others[:LEVEL_OTHERS])
        action = Action("test", test.id, targets)
        work = work_of(self.costing, action, self.repair)
        changes = self._ended((element for element, _ in work.disturbs), ())
        if len(views) > 1:
            return Priced(action, self.predictor.sweep(test, views), work, changes)
        return Priced(action, self.predictor.test(test, first, views[first]), work, changes)

    def _ended(self, disturbed: Iterable[str], replaced: Iterable[str]) -> Changes:
        """Work out which faults handling some elements and replacing others ends."""
        space, faults = self.evidence.space, self.hypotheses
        is_touched_e, is_new_e = np.zeros((2, len(space.elements)), dtype=np.bool_)
        is_touched_e[[space.index[element] for element in disturbed]] = True
        is_new_e[[space.index[self.job.fitted[place]] for place in replaced]] = True
        curable_f = faults.per_fault(space.ended_es)
        gone_f = is_new_e[faults.element_f] | (curable_f & is_touched_e[faults.element_f])
        key = frozenset(np.flatnonzero(gone_f).tolist())
        if key not in self._changes:
            self._changes[key] = faults.without(key)
        return self._changes[key]

    def _is_allowed(self, one: Priced) -> bool:
        limit, cap = self.settings.minutes_left, self.settings.money_left
        if limit is None and cap is None:
            return True
        efforts = [one.effort(o) for o in range(len(one.prediction.outcomes))]
        if limit is not None and max(e.minutes + e.drive_minutes for e in efforts) > limit:
            return False
        return cap is None or max(self.costing.money(e) for e in efforts) <= cap


def mean_effort(one: Priced, belief_h: FloatArray) -> Effort:
    """Effort of an action averaged over its outcomes."""
    chance_o = one.prediction.chance_oh @ belief_h
    return one.work.effort + Effort(drive_minutes=float(chance_o @ one.prediction.drive_o))


def _follows(actions: list[Action]) -> BoolArray:
    """Whether each action, as it stands, makes sense right after each other one."""
    asks = ("test", READ)
    done = [[(a.kind, a.test)] if a.kind in asks else a.moved for a in actions]
    column = {what: at for at, what in enumerate(dict.fromkeys(w for each in done for w in each))}
    done_ax = np.zeros((len(actions), len(column)))
    for a, each in enumerate(done):
        done_ax[a, [column[what] for what in each]] = 1.0
    follows_aa: BoolArray = done_ax @ done_ax.T == 0.0
    return follows_aa
