"""Look-ahead over the repair policy: what doing one thing first is expected to save.

A step is worth doing when, averaged over its outcomes, the way on is cheaper than without it. The
way on is the repair policy (one step deep) or the best step and then the repair policy (two deep),
and so on.

Axes: ``a`` action, ``o`` outcome, ``h`` hypothesis, ``b`` belief.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray, for_order
from swapinfer.plan.hypotheses import Changes
from swapinfer.plan.repair_policy import RepairPolicy

POLICY = -1  # in `Ranking.follow_ao`: go on with the repair policy
_IMPOSSIBLE = 1e-12  # outcomes of a smaller chance are not followed up
_NARROW = 6  # actions of more outcomes are worked on apart, so that the others need no padding
_BATCH = 512  # beliefs after an outcome that are formed at once


class Options(Struct, frozen=True, eq=False):
    """Everything that could be done next, as dense arrays."""

    cost_ao: FloatArray  # of the action when it ends in the outcome
    chance_aoh: FloatArray  # adds up to 1 over outcomes; 0 for those that an action lacks
    changes: tuple[Changes, ...]
    follows_aa: BoolArray  # whether the second makes sense right after the first
    saved_aa: FloatArray  # by access that is open then
    group_a: IntArray  # actions of one group differ only in the drive that follows
    more_ah: FloatArray  # cost of repairs that are not needed

    def only(self, actions: IntArray) -> Options:
        """Keep some of the actions, in the order given."""
        return Options(
            self.cost_ao[actions],
            self.chance_aoh[actions],
            tuple(self.changes[action] for action in actions),
            self.follows_aa[np.ix_(actions, actions)],
            self.saved_aa[np.ix_(actions, actions)],
            self.group_a[actions],
            self.more_ah[actions],
        )


class Ranking(Struct, frozen=True, eq=False):
    """What every action is worth under one belief."""

    policy_cost: float
    alone_a: FloatArray  # expected total cost when the repair policy follows
    value_a: FloatArray  # and when the best known way on does
    cost_a: FloatArray  # expected cost of the action itself
    worth_a: FloatArray  # what its outcome takes off the way on, its own cost not counted
    depth_a: IntArray  # steps looked ahead
    onward_ao: FloatArray  # expected cost from each outcome on
    follow_ao: IntArray  # action that would follow, or `POLICY`


class Breadth(Struct, frozen=True):
    """How much of the tree is looked at."""

    first: int = 10  # actions looked at more deeply, two of a group at most
    then: int = 6  # actions tried as later steps, one of a group
    cheap: int = 4  # further ones: those worth most for their cost
    least_chance: float = 0.003  # outcomes less likely than this are left to the repair policy


class LookAhead:
    """Values actions by what follows them.

    Parameters
    ----------
    policy : RepairPolicy
        Way on when looking ahead ends.
    options : Options
        Actions considered at every step.
    breadth : Breadth
        Pruning.
    """

    def __init__(
        self, policy: RepairPolicy, options: Options, breadth: Breadth | None = None
    ) -> None:
        self.policy = policy
        self.options = options
        self.breadth = breadth or Breadth()
        has_outcome_ao: BoolArray = options.chance_aoh.max(axis=2) > 0.0
        self._width_a: IntArray = options.cost_ao.shape[1] - has_outcome_ao[:, ::-1].argmax(axis=1)

    def rank(self, belief_h: FloatArray, depth: int = 2) -> Ranking:
        """Value every action, the most promising ones more deeply.

        Parameters
        ----------
        belief_h : ndarray of float, shape (hypothesis,)
            Adds up to 1.
        depth : int
            Steps to look ahead, at least 1.

        Returns
        -------
        Ranking
            Of all actions.
        """
        ranking = self._one_step(belief_h)
        order = np.argsort(for_order(ranking.value_a), kind="stable")
        promising = self._first_of_groups(order, 2)[: self.breadth.first]
        distinct = self._first_of_groups(order, 1)
        best, rest = distinct[: self.breadth.then], distinct[self.breadth.then :]
        ratio_r = ranking.worth_a[rest] / np.maximum(ranking.cost_a[rest], 1e-9)
        cheap = rest[np.argsort(for_order(-ratio_r), kind="stable")[: self.breadth.cheap]]
        allowed = np.concatenate([best, cheap])
        for level in range(2, depth + 1):
            shallow_a = ranking.value_a.copy()
            for action in promising:
                others = allowed[allowed != action]
                without = min(ranking.policy_cost, float(shallow_a[others].min(initial=np.inf)))
                self._deepen(ranking, belief_h, int(action), level, allowed, without)
        return ranking

    def _first_of_groups(self, order: IntArray, each: int) -> IntArray:
        """Keep the first few of every group, in order."""
        seen: dict[int, int] = {}
        kept = []
        for action, group in zip(order.tolist(), self.options.group_a[order].tolist(), strict=True):
            seen[group] = seen.get(group, 0) + 1
            if seen[group] <= each:
                kept.append(action)
        return np.array(kept, dtype=np.int64)

    def outcomes(self, belief_h: FloatArray, action: int) -> tuple[FloatArray, FloatArray]:
        """Tell what an action may lead to."""
        weight_oh = self.options.chance_aoh[action] * belief_h
        self.options.changes[action].apply(weight_oh)
        chance_o = weight_oh.sum(axis=1)
        is_possible_o1 = chance_o[:, None] > _IMPOSSIBLE
        zeros_oh = np.zeros_like(weight_oh)
        return chance_o, np.divide(weight_oh, chance_o[:, None], where=is_possible_o1, out=zeros_oh)

    def _one_step(self, belief_h: FloatArray) -> Ranking:
        every = np.arange(len(self.options.changes))
        chance_bao, onward_bao = self._onward(belief_h[None], every)
        chance_ao, onward_ao = chance_bao[0], onward_bao[0]
        policy_cost = float(self.policy.choose(belief_h[None]).cost_b[0])
        cost_a = (chance_ao * self.options.cost_ao).sum(axis=1) + self.options.more_ah @ belief_h
        on_a = (chance_ao * onward_ao).sum(axis=1)
        return Ranking(
            policy_cost=policy_cost,
            alone_a=cost_a + on_a,
            value_a=cost_a + on_a,
            cost_a=cost_a,
            worth_a=policy_cost - on_a,
            depth_a=np.ones(len(every), dtype=np.int64),
            onward_ao=onward_ao,
            follow_ao=np.full(chance_ao.shape, POLICY, dtype=np.int64),
        )

    def _deepen(
        self,
        ranking: Ranking,
        belief_h: FloatArray,
        action: int,
        level: int,
        allowed: IntArray,
        without: float,
    ) -> None:
        """Replace one action's figures by those of a deeper look."""
        chance_o, after_oh = self.outcomes(belief_h, action)
        likely_o = np.flatnonzero(chance_o >= self.breadth.least_chance)
        onward_b, follow_b = self._best(after_oh[likely_o], level - 1, allowed, action)
        ranking.onward_ao[action, likely_o] = onward_b
        ranking.follow_ao[action, likely_o] = follow_b
        on = float(chance_o @ ranking.onward_ao[action])
        saved_o = self.options.saved_aa[action, follow_b] * (follow_b != POLICY)
        saved = float(chance_o[likely_o] @ saved_o)
        if not len(self.options.changes[action].source_m):
            on = min(on, without - saved)  # what was learned may be ignored
        ranking.value_a[action] = ranking.cost_a[action] + on
        ranking.worth_a[action] = without - on - saved
        ranking.depth_a[action] = level

    def _best(
        self, belief_bh: FloatArray, depth: int, allowed: IntArray, before: int
    ) -> tuple[FloatArray, IntArray]:
        """Cost and first action of the best way on, at most `depth` steps before the policy."""
        allowed = allowed[self.options.follows_aa[before, allowed]]
        best_b = self.policy.choose(belief_bh).cost_b
        follow_b = np.full(len(belief_bh), POLICY, dtype=np.int64)
        if depth == 0 or not len(allowed):
            return best_b, follow_b
        cost_ao = self.options.cost_ao[allowed] - self.options.saved_aa[before, allowed][:, None]
        more_ba = belief_bh @ self.options.more_ah[allowed].T
        chance_bao, onward_bao = self._onward(belief_bh, allowed)
        if depth > 1:
            value_ba = (chance_bao * (cost_ao + onward_bao)).sum(axis=2) + more_ba
            self._look_deeper(belief_bh, depth, allowed, value_ba, onward_bao)
        value_ba = (chance_bao * (cost_ao + onward_bao)).sum(axis=2) + more_ba
        first_b = for_order(value_ba).argmin(axis=1)
        value_b = value_ba[np.arange(len(first_b)), first_b]
        wins_b = value_b < best_b
        return np.where(wins_b, value_b, best_b), np.where(wins_b, allowed[first_b], follow_b)

    def _look_deeper(
        self,
        belief_bh: FloatArray,
        depth: int,
        allowed: IntArray,
        value_ba: FloatArray,
        onward_bao: FloatArray,
    ) -> None:
        """Lower the cost onward by further steps, for each belief's few best actions."""
        for b, belief_h in enumerate(belief_bh):
            for place in np.argsort(for_order(value_ba[b]), kind="stable")[
                : max(self.breadth.then // 3, 1)
            ]:
                action = int(allowed[place])
                chance_o, after_oh = self.outcomes(belief_h, action)
                likely_o = np.flatnonzero(chance_o >= self.breadth.least_chance)
                deeper = self._best(after_oh[likely_o], depth - 1, allowed, action)
                onward_bao[b, place, likely_o] = deeper[0]

    def _onward(self, belief_bh: FloatArray, actions: IntArray) -> tuple[FloatArray, FloatArray]:
        """Chance of each outcome and cost of the policy then, (belief, action, outcome)."""
        shape = len(belief_bh), len(actions), self.options.cost_ao.shape[1]
        chance_bao, onward_bao = np.zeros(shape), np.zeros(shape)
        carry_on_bh = self.policy.cost_bh(self.policy.choose(belief_bh), self.policy.prices)
        is_wide_a = self._width_a[actions] > _NARROW
        for places in (np.flatnonzero(~is_wide_a), np.flatnonzero(is_wide_a)):
            if not places.size:
                continue
            n_o = int(self._width_a[actions[places]].max())
            step = max(_BATCH // (len(places) * n_o), 1)
            for start in range(0, len(belief_bh), step):
                rows = slice(start, start + step)
                chance_aoh = self.options.chance_aoh[actions[places], :n_o]
                weight_baoh = chance_aoh * belief_bh[rows, None, None, :]
                for place, action in enumerate(actions[places]):
                    self.options.changes[action].apply(weight_baoh[:, place])
                chance, onward = self._price(weight_baoh, carry_on_bh[rows])
                chance_bao[rows, places, :n_o], onward_bao[rows, places, :n_o] = chance, onward
        return chance_bao, onward_bao

    def _price(
        self, weight_baoh: FloatArray, carry_on_bh: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Cost onward is that of a new choice, or of carrying on as if nothing had been learned."""
        chance_bao = weight_baoh.sum(axis=-1)
        is_possible_bao = chance_bao > _IMPOSSIBLE
        scale_bao = np.where(is_possible_bao, chance_bao, 1.0)
        carried_bao = np.einsum("baoh,bh->bao", weight_baoh, carry_on_bh) / scale_bao
        belief_xh = weight_baoh[is_possible_bao] / chance_bao[is_possible_bao][:, None]
        chosen_x = self.policy.choose(belief_xh).cost_b
        onward_bao = np.zeros(chance_bao.shape)
        onward_bao[is_possible_bao] = np.minimum(chosen_x, carried_bao[is_possible_bao])
        return chance_bao, onward_bao
