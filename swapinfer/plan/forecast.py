"""What is to be expected until the vehicle is verified: cost and spread, minutes, comebacks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.plan.base import Choice, Prices
from swapinfer.plan.costing import Effort
from swapinfer.plan.lookahead import BASE, Ranking
from swapinfer.plan.outlook import Outlook, Priced


@dataclass(frozen=True, slots=True)
class Forecast:
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


_COST, _SQUARE, _MINUTES, _COMEBACKS, _WRONG = range(5)


def forecast(outlook: Outlook, ranking: Ranking) -> Forecast:
    """Work out what to expect when the best step is taken, its follow-ups, then the base policy.

    Parameters
    ----------
    outlook : Outlook
        What is possible.
    ranking : Ranking
        What it is worth.

    Returns
    -------
    Forecast
    """
    belief_h = outlook.hypotheses.belief_h
    teller = _Teller(outlook)
    if not outlook.priced or ranking.value_a.min() > ranking.base_cost:
        totals = teller.by_base(belief_h)
    else:
        best = int(ranking.value_a.argmin())
        totals = teller.by_action(belief_h, best, ranking.follow_ao[best].tolist())
    spread = float(np.sqrt(max(totals[_SQUARE] - totals[_COST] ** 2, 0.0)))
    return Forecast(
        float(totals[_COST]),
        spread,
        float(totals[_MINUTES]),
        float(totals[_COMEBACKS]),
        float(totals[_WRONG]),
    )


class _Teller:
    def __init__(self, outlook: Outlook) -> None:
        self.outlook = outlook
        costing, efforts = outlook.costing, outlook.fix_efforts
        n = len(efforts)
        costs = outlook.settings.costs
        self._units = [
            Prices(
                np.array([costing.money(effort) for effort in efforts]),
                costing.per_drive_minute,
                costs.comeback,
                costs.diagnosis_cap,
            ),
            Prices(np.array([effort.minutes for effort in efforts]), 1.0, 0.0, 0.0),
            Prices(np.zeros(n), 0.0, 1.0, 0.0),
            Prices(np.ones(n), 0.0, 0.0, 0.0),
        ]

    def by_base(self, belief_h: FloatArray) -> FloatArray:
        """Mean cost, mean squared cost, minutes, comebacks and wrong parts of the base policy."""
        base = self.outlook.base
        choice: Choice = base.choose(belief_h[None])
        cost_h, minutes_h, comebacks_h, put_right_h = (
            base.cost_bh(choice, unit)[0] for unit in self._units
        )
        faults_h = base.fault_count_h
        wrong_h = np.maximum(put_right_h - faults_h, 0.0)
        return np.array(
            [belief_h @ x for x in (cost_h, cost_h**2, minutes_h, comebacks_h, wrong_h)]
        )

    def by_action(self, belief_h: FloatArray, a: int, follow_o: list[int]) -> FloatArray:
        """Tell the same when an action comes first, and after each outcome its follow-up."""
        one: Priced = self.outlook.priced[a]
        chance_o, after_oh = self.outlook.look_ahead.outcomes(belief_h, a)
        totals = np.zeros(5)
        for o in range(len(one.prediction.outcomes)):
            if chance_o[o] > 0.0 and after_oh[o].any():
                after = self._onward(after_oh[o], follow_o[o])
                totals += chance_o[o] * self._with(one.effort(o), after)
        if one.action.kind == "replace":
            totals[_WRONG] += self._needless(one, belief_h)
        return totals

    def _onward(self, belief_h: FloatArray, follow: int) -> FloatArray:
        if follow == BASE:
            return self.by_base(belief_h)
        width = self.outlook.look_ahead.options.cost_ao.shape[1]
        return self.by_action(belief_h, follow, [BASE] * width)

    def _with(self, effort: Effort, after: FloatArray) -> FloatArray:
        spent = self.outlook.costing.money(effort)
        totals = after.copy()
        totals[_SQUARE] += 2.0 * spent * after[_COST] + spent**2
        totals[_COST] += spent
        totals[_MINUTES] += effort.minutes + effort.drive_minutes
        return totals

    def _needless(self, one: Priced, belief_h: FloatArray) -> float:
        space, job = self.outlook.evidence.space, self.outlook.job
        fault_e = self.outlook.hypotheses.fault_e(belief_h, len(space.elements))
        elements = [space.index[job.fitted[place]] for place in one.action.places]
        return float(sum(1.0 - fault_e[e] for e in elements))
