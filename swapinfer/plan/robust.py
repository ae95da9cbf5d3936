"""How the steps that may come first fare under other priors."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray
from swapinfer.plan.actions import Action
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.priority import Order, Way, order_ways

WORST = 0.1
"""Part of the draws, the worst, by which steps that are worth as much are told apart."""


class Trial(Struct, frozen=True, eq=False):
    """How steps fare under one draw of the priors.

    Attributes
    ----------
    first : Way
        What comes first then.
    above_s : ndarray of float, shape (step,)
        What each step costs more than that, as a share of it.
    """

    first: Way
    above_s: FloatArray


def try_steps(
    outlook: Outlook, steps: Sequence[Action | None], prior_des: FloatArray
) -> Iterator[Trial]:
    """Plan anew under other priors, the findings as they are.

    Parameters
    ----------
    outlook : Outlook
        Of the job.
    steps : sequence of Action or None
        Steps that are looked at, whatever their drive; None for the end of the job.
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
        least = max(order.ways[0].total, np.finfo(float).tiny)
        yield Trial(order.ways[0], np.array([_total(order, s) / least - 1.0 for s in steps]))


def worst_tenth(above_ds: FloatArray) -> FloatArray:
    """Mean over the worst draws of each step, shape (step,).

    Parameters
    ----------
    above_ds : ndarray of float, shape (draw, step)
        From trials.

    References
    ----------
    Rockafellar, R. T. & Uryasev, S. (2000), Journal of Risk 2, 21-41: the conditional value at
    risk.
    """
    count = max(round(WORST * len(above_ds)), 1)
    mean_s: FloatArray = np.sort(above_ds, axis=0)[-count:].mean(axis=0)
    return mean_s


def _total(order: Order, step: Action | None) -> float:
    """Cost of the best way on that begins with the work of a step."""
    work = step and step.without_drive
    return min(w.total for w in order.ways if (w.action and w.action.without_drive) == work)


def _log_odds(prior_es: FloatArray) -> FloatArray:
    """Log odds of each state against good; 0 where a state cannot be."""
    possible_es = np.where(prior_es > 0.0, prior_es, prior_es[:, :1])
    out: FloatArray = np.log(possible_es) - np.log(prior_es[:, :1])
    return out
