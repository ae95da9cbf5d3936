"""Jobs cut down until their exact optimum can be computed, to compare policies with it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.plan.hypotheses import Changes, with_subsets
from swapinfer.plan.lookahead import LookAhead, Options, Ranking
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.repair_policy import Faults, RepairPolicy
from swapinfer.plan.sequence import Attempt, Search

Node = tuple[tuple[int, ...], tuple[float, ...]]
"""Actions still to be used, and the belief."""

_ROUND = 10
"""Digits to which beliefs are told apart."""


def reduce_job(
    outlook: Outlook, hypotheses: int = 10, actions: int = 4
) -> tuple[LookAhead, FloatArray]:
    """Keep the likeliest hypotheses and the most promising actions of a job, each used once.

    Parameters
    ----------
    outlook : Outlook
        Of the job.
    hypotheses : int, optional
        Fault sets to keep; their subsets are kept too.
    actions : int, optional
        Actions to keep: of those that differ only in the drive, the best.

    Returns
    -------
    look_ahead : LookAhead
        Over what is kept.
    belief_h : ndarray of float, shape (hypothesis,)
        Adds up to 1.
    """
    keep = _closed(outlook, hypotheses)
    chosen = _distinct(outlook, outlook.rank(), actions)
    options = outlook.look_ahead.options.only(chosen)
    position = {int(h): at for at, h in enumerate(keep)}
    changes = tuple(_restricted(one, position) for one in options.changes)
    faults = outlook.policy.faults
    policy = RepairPolicy(
        Faults(faults.element_hk[keep], faults.rate_hk[keep]),
        replace(outlook.policy.prices, saved_hk=outlook.policy.prices.saved_hk[keep]),
        outlook.settings.costs.drive_minutes,
    )
    follows_aa = ~np.eye(len(chosen), dtype=bool)
    chance_aoh = options.chance_aoh[:, :, keep]
    groups = np.arange(len(chosen))
    nothing_aa = np.zeros(follows_aa.shape)
    more_ah = options.more_ah[:, keep]
    small = Options(options.cost_ao, chance_aoh, changes, follows_aa, nothing_aa, groups, more_ah)
    belief_h = outlook.hypotheses.belief_h[keep]
    return LookAhead(policy, small), belief_h / belief_h.sum()


def _closed(outlook: Outlook, count: int) -> IntArray:
    faults = outlook.hypotheses
    keys = list(faults.index)
    likely = np.argsort(-faults.belief_h, kind="stable")[:count]
    wanted = with_subsets([keys[h] for h in likely.tolist()])
    return np.array(sorted(faults.index[key] for key in wanted), dtype=np.int64)


def _distinct(outlook: Outlook, ranking: Ranking, count: int) -> IntArray:
    chosen: dict[object, int] = {}
    for a in np.argsort(ranking.value_a, kind="stable").tolist():
        action = outlook.priced[a].action
        chosen.setdefault(action.without_drive, a)
        if len(chosen) == count:
            break
    return np.array(list(chosen.values()), dtype=np.int64)


def _restricted(changes: Changes, position: dict[int, int]) -> Changes:
    pairs = zip(changes.target_m.tolist(), changes.source_m.tolist(), strict=True)
    return Changes.of((position[after], position[h]) for after, h in pairs if h in position)


def optimal_cost(look_ahead: LookAhead, belief_h: FloatArray) -> float:
    """Least expected cost of any plan that uses each action at most once, then the repair policy.

    Parameters
    ----------
    look_ahead : LookAhead
        Actions and repair policy.
    belief_h : ndarray of float, shape (hypothesis,)
        Adds up to 1.

    Returns
    -------
    float
        By AND/OR search with memory. No plan costs less than repairing what is at fault, or giving
        up: the bound.
    """
    floor_h = _cheapest_way_out(look_ahead.policy)

    def stop(node: Node) -> tuple[float, int]:
        return float(look_ahead.policy.choose(np.array([node[1]])).cost_b[0]), 0

    def expand(node: Node) -> Iterable[Attempt[Node]]:
        left, belief = node
        for action in left:
            rest = tuple(other for other in left if other != action)
            chance_o, after_oh = look_ahead.outcomes(np.array(belief), action)
            possible = np.flatnonzero(after_oh.any(axis=1)).tolist()
            cost = float(chance_o @ look_ahead.options.cost_ao[action])
            cost += float(look_ahead.options.more_ah[action] @ np.array(belief))
            branches = tuple((o, float(chance_o[o]), _node(rest, after_oh[o])) for o in possible)
            yield Attempt(action, cost, branches)

    def bound(node: Node) -> float:
        return float(np.array(node[1]) @ floor_h)

    every = tuple(range(len(look_ahead.options.changes)))
    return Search(stop, expand, bound).value(_node(every, belief_h))


def _node(left: tuple[int, ...], belief_h: FloatArray) -> Node:
    return left, tuple(np.round(belief_h, _ROUND).tolist())


def _cheapest_way_out(policy: RepairPolicy) -> FloatArray:
    padded_e = np.append(policy.prices.fix_e, 0.0)
    needed_hk = np.where(policy.faults.rate_hk > 0.0, policy.faults.element_hk, -1)
    saved_hk = np.where(needed_hk >= 0, policy.prices.saved_hk, 0.0)
    fixed_h = (padded_e[needed_hk] - saved_hk).sum(axis=1)
    way_out_h: FloatArray = np.minimum(fixed_h, policy.prices.give_up)
    return way_out_h


def planned_cost(look_ahead: LookAhead, belief_h: FloatArray, depth: int) -> float:
    """Exact expected cost of planning anew, to a depth, after every outcome.

    Parameters
    ----------
    look_ahead : LookAhead
        Actions, each used at most once, and repair policy.
    belief_h : ndarray of float, shape (hypothesis,)
        Adds up to 1.
    depth : int
        Steps looked ahead.
    """
    every = np.arange(len(look_ahead.options.changes))
    return _planned(look_ahead, belief_h, depth, every)


def _planned(look_ahead: LookAhead, belief_h: FloatArray, depth: int, left: IntArray) -> float:
    if not len(left):
        return float(look_ahead.policy.choose(belief_h[None]).cost_b[0])
    here = LookAhead(look_ahead.policy, look_ahead.options.only(left))
    ranking = here.rank(belief_h, depth)
    best = int(ranking.value_a.argmin())
    if ranking.value_a[best] >= ranking.policy_cost - 1e-9:
        return ranking.policy_cost
    chance_o, after_oh = here.outcomes(belief_h, best)
    rest = np.delete(left, best)
    onward = sum(
        float(chance_o[o]) * _planned(look_ahead, after_oh[o], depth, rest)
        for o in np.flatnonzero(after_oh.any(axis=1)).tolist()
    )
    return float(ranking.cost_a[best]) + onward
