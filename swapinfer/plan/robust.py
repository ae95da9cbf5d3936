"""Whether the work that comes first does so under other priors too."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray
from swapinfer.plan.actions import Action
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import Order, Way, order_ways


class Trial(Struct, frozen=True):
    """How a step fares under one draw of the priors.

    Attributes
    ----------
    first : Way
        What comes first then.
    holds : bool
        Whether the step costs no more than that, within the plan's resolution.
    """

    first: Way
    holds: bool


def try_step(outlook: Outlook, step: Action | None, prior_des: FloatArray) -> Iterator[Trial]:
    """Plan anew under other priors, the findings as they are.

    Parameters
    ----------
    outlook : Outlook
        Of the job.
    step : Action or None
        Step that is looked at, whatever its drive; None for the end of the job.
    prior_des : ndarray of float, shape (draw, element, state)
        Priors; rows sum to 1.

    Yields
    ------
    Trial
        One a draw.

    Notes
    -----
    With ``o_f`` the prior odds of a fault against its element being good, the belief in a set of
    faults is multiplied by ``o'_f / o_f`` of each of its faults, and made to add up to 1 again.
    Sets too improbable to be planned with stay out under every draw.
    """
    faults, settings = outlook.hypotheses, outlook.settings
    own_f = faults.per_fault(_log_odds(outlook.evidence.space.prior_es))
    for prior_es in prior_des:
        other_f = faults.per_fault(_log_odds(prior_es)) - own_f
        belief_h = faults.belief_h * np.exp(faults.padded(other_f).sum(axis=1))
        belief_h /= belief_h.sum()
        ranking = outlook.look_ahead.rank(belief_h, settings.depth)
        order = order_ways(outlook, ranking, belief_h)
        most = order.ways[0].total * (1.0 + settings.costs.resolution)
        yield Trial(order.ways[0], _total(order, step) <= most)


def _total(order: Order, step: Action | None) -> float:
    """Cost of the best way on that begins with the work of a step."""
    work = step and step.without_drive
    return min(w.total for w in order.ways if (w.action and w.action.without_drive) == work)


def _log_odds(prior_es: FloatArray) -> FloatArray:
    """Log odds of each state against good; 0 where a state cannot be."""
    possible_es = np.where(prior_es > 0.0, prior_es, prior_es[:, :1])
    out: FloatArray = np.log(possible_es) - np.log(prior_es[:, :1])
    return out
