"""What is to be expected until the vehicle is verified: cost and spread, minutes, comebacks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray
from swapinfer.plan.costing import Effort
from swapinfer.plan.lookahead import POLICY, Ranking
from swapinfer.plan.outlook import Outlook, Priced
from swapinfer.plan.priority import Way
from swapinfer.plan.repair_policy import Prices


class Forecast(Struct, frozen=True):
    """Expectations under the plan.

    Attributes
    ----------
    cost : float
        Money to a verified repair.
    spread : float
        Standard deviation of it over what may be wrong and what steps may show.
    minutes : float
        Labour and driving.
    comebacks : float
        Expected number of times that the vehicle comes back.
    wrong_parts : float
        Expected number of elements put right that were not at fault.
    """

    cost: float
    spread: float
    minutes: float
    comebacks: float
    wrong_parts: float


def forecast(outlook: Outlook, ranking: Ranking, first: Way) -> Forecast:
    """Work out what to expect when a way is taken, its follow-ups, then the repair policy.

    Parameters
    ----------
    outlook : Outlook
        What is possible.
    ranking : Ranking
        What it is worth.
    first : Way
        The way; an end means the repair policy alone.

    Returns
    -------
    Forecast
    """
    start = _Branch(1.0, Effort(), 0.0, outlook.hypotheses.belief_h)
    branches = [start]
    if first.action is not None:
        branches = []
        for o, branch in _do(outlook, start, first.number):
            follow = int(ranking.follow_ao[first.number, o])
            onward = [branch] if follow == POLICY else [b for _, b in _do(outlook, branch, follow)]
            branches += onward
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
    wrong = before.wrong + _needless(outlook, one, before.belief_h)
    more = Effort(risk=float(outlook.look_ahead.options.more_ah[a] @ before.belief_h))
    chance_o, after_oh = outlook.look_ahead.outcomes(before.belief_h, a)
    for o in np.flatnonzero(after_oh.any(axis=1)).tolist():
        chance = before.chance * float(chance_o[o])
        yield o, _Branch(chance, before.spent + one.effort(o) + more, wrong, after_oh[o])


def _needless(outlook: Outlook, one: Priced, belief_h: FloatArray) -> float:
    """Mean number of elements that an action puts right without need."""
    index, fitted = outlook.evidence.space.index, outlook.job.fitted
    fault_e = outlook.hypotheses.fault_e(belief_h)
    return float(sum(1.0 - fault_e[index[fitted[place]]] for place in one.action.replaced))


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
