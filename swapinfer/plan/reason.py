"""Why a step is advised: which suspects its outcomes tell apart, and what would change the advice.

Everything is read off the plan's own hypotheses; no word here knows what a part does.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import takewhile

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, distinct, for_order
from swapinfer.ledger.words import element_label, origin
from swapinfer.plan.actions import Action, title_outcome
from swapinfer.plan.next import PlannedStep, title_way
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import GIVE_UP, Way, order_ways

_SUSPECTED = 0.05  # elements less likely than this beforehand are not worth clearing
_RAISED, _POINTED_AT = 1.5, 0.15  # makes so many times likelier, to at least so much: points to
_LIKELIER, _NEWS = 0.5, 3.0
"""An element that an outcome makes likelier than not, or so many times likelier, is named before
what it clears."""

_CLEARED = 0.4  # an outcome clears an element that it makes at most so many times as likely
_LIKELY = 0.02  # outcomes less likely than this are not told
_TOLD = 3  # outcomes told; of suspects one more is looked at
_NAMED = 2  # elements named with an outcome
_CLOSER = 6  # halvings in the search for the probability at which other advice begins

OWED = (
    "the repair has not been driven yet where it failed: if it stays quiet it is proven, a misfire "
    "says that something else is wrong"
)
"""Reason for the drive after a repair."""

HOW = "it is settled what failed, not how"  # why what is settled already is looked at
_NEGLIGIBLE = 0.02  # leaders less likely than this are not asked what would follow


class Likely(Struct, frozen=True):
    """An element, and the probability that it was at fault before the step."""

    element: str
    probability: float


class Telling(Struct, frozen=True):
    """What one outcome of a step says."""

    outcome: str
    title: str
    chance: float
    leader: Likely  # likeliest cause then
    points_to: tuple[Likely, ...]  # elements that it makes clearly likelier, the likeliest first
    clears: tuple[Likely, ...]  # suspects that it makes clearly less likely


class Turn(Struct, frozen=True):
    """Where the advice turns: the probability of the leader, and what would be done below it."""

    probability: float
    instead: str


class Reason(Struct, frozen=True):
    """Why a step is advised."""

    sentence: str  # which suspects it tells apart, or what carries it
    change: str  # what would change the advice
    tellings: tuple[Telling, ...] = ()  # the outcomes on which the sentence rests
    turn: Turn | None = None  # for repairs: how unlikely the leader would have to be
    carried: str = ""  # the leading cause, where what was found carries its repair


def explain(outlook: Outlook, step: PlannedStep, *, is_best: bool = False) -> Reason:
    """Give the reason for a step."""
    author = _Author(outlook)
    if step.action is None:
        what = "a cheaper repair" if step.id == GIVE_UP else "another misfire"
        return Reason(author.ending(step), f"{what} would change that")
    tellings = author.tellings(step.action)
    if step.action.kind == "drive" and outlook.begun.owed_in is not None:
        return Reason(OWED, _what_then(step), tellings)
    if step.action.kind != "replace":
        said = author.named(step.action) or author.apart(step.action, tellings)
        return Reason(said, _what_then(step), tellings)
    leader = author.suspects[0]
    repaired = [outlook.job.fitted[place] for place in step.action.replaced]
    proof = outlook.suspicion.proof(step.action.replaced)
    is_carried = leader.element in repaired and proof >= outlook.asked_proof(step.action.replaced)
    turn = _turn(outlook, step.action, leader) if is_best and is_carried else None
    sentence = author.carried() if is_carried else author.cheaper(repaired, is_best=is_best)
    change = _what_then(step)
    if turn:
        low = f"below about {_share(turn.probability)} for the {author.full(leader)}"
        change = f"{low} another step would come first: {turn.instead}"
    return Reason(sentence, change, tellings, turn, leader.element if is_carried else "")


def _what_then(step: PlannedStep) -> str:
    """Say what comes after the likeliest outcome, and the first outcome after which it differs."""
    if not step.outcomes:
        return ""
    usual = step.outcomes[0]
    then = _without_drive(usual.then)
    other = next((o for o in step.outcomes if _without_drive(o.then) != then), None)
    if other is None:
        return f"after it, whatever it shows: {then}"
    return f'after it: {then}; but on "{other.title}": {_without_drive(other.then)}'


def _without_drive(title: str) -> str:
    """Leave out the drive behind a piece of work; the next plan chooses it anew."""
    return title.partition("; drive ")[0]


def _turn(outlook: Outlook, action: Action, leader: Likely) -> Turn | None:
    """Find the probability of the leader below which another step comes first."""
    belief_h = outlook.hypotheses.belief_h
    is_blamed_h = (
        outlook.hypotheses.element_hk == outlook.evidence.space.index[leader.element]
    ).any(axis=1)
    total = float(belief_h[is_blamed_h].sum())

    def first(p: float) -> Way:
        supposed_h = belief_h * np.where(is_blamed_h, p / total, (1.0 - p) / (1.0 - total))
        ranking = outlook.look_ahead.rank(supposed_h, outlook.settings.depth)
        return order_ways(outlook, ranking, supposed_h).ways[0]

    def is_same(way: Way) -> bool:
        return way.action is not None and way.action.without_drive == action.without_drive

    low, high = _NEGLIGIBLE, total
    if not low < high < 1.0 or is_same(instead := first(low)):
        return None
    for _ in range(_CLOSER):
        middle = 0.5 * (low + high)
        found = first(middle)
        if is_same(found):
            high = middle
        else:
            low, instead = middle, found
    return Turn(low, _without_drive(title_way(outlook, instead)))


class _Author:
    """Puts reasons in words."""

    def __init__(self, outlook: Outlook) -> None:
        self.outlook = outlook
        self.job = outlook.job
        self.before_e: FloatArray = outlook.hypotheses.fault_e(outlook.hypotheses.belief_h)
        self.suspects = self._ranked(self._present_e())[: _TOLD + 1]

    def _present_e(self) -> FloatArray:
        """Probability that each element that is fitted is at fault now, all sets counted."""
        space = self.outlook.evidence.space
        active_es = space.active_es(self.job.time)
        fault_e: FloatArray = (self.outlook.posterior.marginal_es * active_es).sum(axis=1)
        is_fitted_e = np.zeros(len(fault_e))
        is_fitted_e[[space.index[element] for element in self.job.fitted.values()]] = 1.0
        return fault_e * is_fitted_e

    def tellings(self, action: Action) -> tuple[Telling, ...]:
        """Tell what the likely outcomes of an action say about what was wrong before it."""
        one = next(one for one in self.outlook.priced if one.action == action)
        weight_oh = one.prediction.chance_oh * self.outlook.hypotheses.belief_h
        chance_o = weight_oh.sum(axis=1)
        order = np.argsort(for_order(-chance_o), kind="stable").tolist()
        return tuple(
            self._telling(
                action, one.prediction.outcomes[o], float(chance_o[o]), weight_oh[o] / chance_o[o]
            )
            for o in order
            if chance_o[o] >= _LIKELY
        )

    def _telling(
        self, action: Action, outcome: str, chance: float, belief_h: FloatArray
    ) -> Telling:
        index = self.outlook.evidence.space.index
        was_e = self.outlook.hypotheses.fault_e(belief_h)
        ranked = self._ranked(was_e)
        raised = tuple(
            one
            for one in ranked[: _TOLD + 1]
            if one.probability
            >= max(_POINTED_AT, _RAISED * float(self.before_e[index[one.element]]))
        )
        cleared = tuple(
            Likely(one.element, float(was_e[index[one.element]]))
            for one in self.suspects
            if one.probability >= _SUSPECTED
            and one.element != ranked[0].element
            and was_e[index[one.element]] <= _CLEARED * one.probability
        )
        title = title_outcome(self.job.engine, action, outcome)
        return Telling(outcome, title, chance, ranked[0], raised[:_NAMED], cleared[:_NAMED])

    def _ranked(self, fault_e: FloatArray) -> list[Likely]:
        order = np.argsort(for_order(-fault_e), kind="stable").tolist()
        names = self.outlook.evidence.space.elements
        return [Likely(names[e].id, float(fault_e[e])) for e in order]

    def apart(self, action: Action, tellings: Sequence[Telling]) -> str:
        """Say which suspects the outcomes of a step tell apart."""
        said: dict[str, list[Telling]] = {}
        for one in tellings:
            said.setdefault(self._says(action, one, tellings, with_share=False), []).append(one)
        groups = sorted(said.values(), key=lambda alike: not _is_telling(alike[0]))
        if not groups or not _is_telling(groups[0][0]):
            return "none of its likely outcomes says much"
        told = [group for n, group in enumerate(groups) if _is_telling(group[0]) or n < _TOLD]
        whens = [self._when(action, group) for group in told[:_TOLD]]
        says = [self._says(action, group[0], tellings) for group in told[:_TOLD]]
        shown = [whens[0], *(_without_common(whens[0], when, 1) for when in whens[1:])]
        return "; ".join(f"{when} {what}" for when, what in zip(shown, says, strict=True))

    def named(self, action: Action) -> str:
        """Say which ways to fail a test tells apart, where it is settled what has failed."""
        space, faults = self.outlook.evidence.space, self.outlook.hypotheses
        leader = self.suspects[0]
        e = space.index[leader.element]
        if not action.test or self.before_e[e] < self.outlook.settings.costs.sure:
            return ""
        one = next(one for one in self.outlook.priced if one.action == action)
        mode_f = np.where(faults.element_f == e, faults.per_fault(space.mode_es), 0)
        modes = [m for m in distinct(mode_f).tolist() if m]
        is_hm = np.stack([faults.member_hf @ (mode_f == m) > 0.0 for m in modes], axis=1)
        before_m = faults.belief_h @ is_hm
        weight_om = (one.prediction.chance_oh * faults.belief_h) @ is_hm
        chance_o = (one.prediction.chance_oh * faults.belief_h).sum(axis=1)
        said = []
        for o in np.argsort(for_order(-chance_o), kind="stable").tolist():
            after_m = weight_om[o] / chance_o[o]
            m = int(np.argmax(after_m))
            if chance_o[o] >= _LIKELY and after_m[m] >= max(_POINTED_AT, _RAISED * before_m[m]):
                kind, mode = space.modes[modes[m] - 1]
                title = title_outcome(self.job.engine, action, one.prediction.outcomes[o])
                what = self.job.pack.kinds[kind].modes[mode].title
                said.append(f'"{title}" points to {what} ({_share(float(after_m[m]))})')
        return f"{HOW}: {'; '.join(said[:_TOLD])}" if said else ""

    def _when(self, action: Action, alike: Sequence[Telling]) -> str:
        """Name an outcome, or several that say the same."""
        if len(alike) > _NAMED and _is_telling(alike[0]) and action.is_told_by_cylinder:
            return "the cylinder that misfires"
        if len(alike) > _TOLD or (len(alike) > _NAMED and action.drive_minutes):
            return "anything else"
        titles = [one.title if action.is_told_by_cylinder else f'"{one.title}"' for one in alike]
        return " or ".join([titles[0], *(_without_common(titles[0], t, 0) for t in titles[1:])])

    def _says(
        self, action: Action, one: Telling, tellings: Sequence[Telling], *, with_share: bool = True
    ) -> str:
        named = {
            x.element for each in tellings for x in (each.leader, *each.points_to, *each.clears)
        }

        def name(likely: Likely) -> str:
            own = self._own(action, likely.element, one.outcome)
            label = own or f"the {self._name(likely.element, named)}"
            return f"{label} ({_share(likely.probability)})" if with_share else label

        if one.points_to and (self._is_news(one.points_to[0]) or not one.clears):
            is_clear = one.points_to[0].probability >= _LIKELIER
            return f"points to {' or '.join(map(name, one.points_to[: 1 if is_clear else _NAMED]))}"
        if one.clears:
            cleared = " and ".join(f"the {self._name(x.element, named)}" for x in one.clears)
            return f"clears {cleared} and leaves {name(one.leader)} ahead"
        return "says little"

    def _is_news(self, likely: Likely) -> bool:
        """Whether that an element is likelier is worth more words than what else is cleared."""
        before = float(self.before_e[self.outlook.evidence.space.index[likely.element]])
        return likely.probability >= min(_LIKELIER, _NEWS * before)

    def _own(self, action: Action, element: str, outcome: str) -> str:
        """Name an element of the very cylinder that misfires, where nothing was moved."""
        place = self.job.place_of(element)
        if action.swaps or place is None or len(place.cylinders) != 1:
            return ""
        is_own = outcome == f"cylinder{place.cylinders[0]}" and action.is_told_by_cylinder
        return f"its {_title(self.job.engine.kinds[place.kind].title)}" if is_own else ""

    def _name(self, element: str, named: Iterable[str]) -> str:
        """Name an element, without where it is from if it is the only one of its kind named."""
        kind = origin(self.job, element).kind
        alike = {other for other in named if origin(self.job, other).kind == kind}
        is_clear = alike <= {element} and not self.job.elements[element].is_new
        return _title(
            self.job.engine.kinds[kind].title if is_clear else element_label(self.job, element)
        )

    def carried(self) -> str:
        """Say how far the leading cause is ahead."""
        first, second = self.suspects[:2]
        return (
            f"the findings put the {self.full(first)} at {_share(first.probability)}, "
            f"the next cause, the {self.full(second)}, at {_share(second.probability)}"
        )

    def cheaper(self, repaired: Sequence[str], *, is_best: bool) -> str:
        """Say that a repair is a bet."""
        index, present_e = self.outlook.evidence.space.index, self._present_e()
        odds = [Likely(e, float(present_e[index[e]])) for e in repaired]
        listed = " and ".join(f"the {self.full(x)} ({_share(x.probability)})" for x in odds)
        bet = f"replacing {listed} is a bet"
        return f"{bet}, but cheaper in all than testing first" if is_best else bet

    def ending(self, step: PlannedStep) -> str:
        """Say why nothing is left to do."""
        first = self.suspects[0]
        if step.id == GIVE_UP:
            return self.dear(first) or "every way on is expected to cost more than stopping here"
        return (
            f"what is left, first the {self.full(first)} ({_share(first.probability)}), costs "
            "more to look for than a comeback is expected to"
        )

    def dear(self, likely: Likely) -> str:
        """Say that a likely cause is too dear to be tried as things stand; empty if it is not."""
        place = self.job.place_of(likely.element)
        if place is None:
            return ""
        proof, asked = (
            self.outlook.suspicion.proof([place.id]),
            self.outlook.asked_proof([place.id]),
        )
        if not self.outlook.settings.costs.proof <= proof < asked:
            return ""
        return (
            f"the {self.full(likely)} is likely ({_share(proof)}), but so dear that "
            f"{_share(asked)} is asked for, and nothing left to look at tells enough"
        )

    def full(self, likely: Likely) -> str:
        """Name an element, and where it is from."""
        return _title(element_label(self.job, likely.element))


def _without_common(first: str, later: str, kept: int) -> str:
    """Leave out words that would only be repeated, but for the last few of them."""
    words = later.split()
    pairs = zip(first.split(), words, strict=False)
    same = len(list(takewhile(lambda pair: pair[0] == pair[1], pairs)))
    return " ".join(words[max(same - kept, 0) :])


def _is_telling(one: Telling) -> bool:
    return bool(one.points_to or one.clears)


def _title(title: str) -> str:
    return title.partition(" (")[0]


def _share(probability: float) -> str:
    return "< 1 %" if probability < 0.01 else f"{min(probability, 0.99):.0%}".replace("%", " %")
