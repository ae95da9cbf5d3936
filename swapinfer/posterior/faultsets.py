"""The most probable combinations of faults, found in the tree of partial assignments.

Going through the elements in the order of the pass, the backward message gives the exact total
weight of all completions of a partial assignment. No completion weighs more than that total, so
a branch below the threshold holds no set above it: what is returned is complete and in order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray, Problem
from swapinfer.posterior.exact import Posterior
from swapinfer.posterior.prepare import prepare
from swapinfer.posterior.route import plan_route
from swapinfer.posterior.sweep import Step, lay_out, spread

THRESHOLD_STEP = 10.0
"""Factor by which the threshold on a set's belief falls until enough is covered."""

SMALLEST_THRESHOLD = 1e-12
"""Sets below this belief are never looked for."""


@dataclass(frozen=True, slots=True)
class FaultSets:
    """Combinations of faults, the most probable first; elements not named are good.

    Attributes
    ----------
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        The faulty elements of each set and their states, padded with -1.
    belief_h : ndarray of float, shape (fault set,)
        Posterior probability of each set, relative to all combinations there are.
    left_out : float
        Posterior probability of all other combinations together.
    """

    element_hk: IntArray
    state_hk: IntArray
    belief_h: FloatArray
    left_out: float

    def states(self, n_elements: int) -> IntArray:
        """Return the state of every element, shape (fault set, element)."""
        return full_states(self.element_hk, self.state_hk, n_elements)


def full_states(element_hk: IntArray, state_hk: IntArray, n_elements: int) -> IntArray:
    """Spread padded fault sets to the state of every element, shape (fault set, element)."""
    state_he = np.zeros((len(element_hk), n_elements), dtype=np.int64)
    row, place = np.nonzero(element_hk >= 0)
    state_he[row, element_hk[row, place]] = state_hk[row, place]
    return state_he


def log_joint(problem: Problem, element_hk: IntArray, state_hk: IntArray) -> FloatArray:
    """Return the log weight of fault sets jointly with all findings.

    Parameters
    ----------
    problem : Problem
        Findings as arrays.
    element_hk, state_hk : ndarray of int, shape (fault set, fault)
        As in `FaultSets`.

    Returns
    -------
    ndarray of float, shape (fault set,)
        Natural log of prior times probability of the findings; ``-inf`` where impossible.
    """
    n_elements = len(problem.elements)
    state_he = full_states(element_hk, state_hk, n_elements)
    with np.errstate(divide="ignore"):
        log_es = np.log(problem.prior_es) + problem.log_factor_nes.sum(axis=0)
    log_h = log_es[np.arange(n_elements), state_he].sum(axis=1)
    open_ht = np.ones((len(state_he), problem.finding_t.size))
    explained_qht = np.zeros((problem.level_q.size, *open_ht.shape))
    for element in range(n_elements):
        state_h = state_he[:, element]
        explain_qht = problem.explain_qtes[:, :, element, state_h].swapaxes(1, 2)
        explained_qht *= problem.explained_tes[:, element, state_h].T
        explained_qht += open_ht * explain_qht
        open_ht *= problem.open_tes[:, element, state_h].T
    close_qt2 = problem.close_qt2[:, None]
    closed_qht = open_ht * close_qt2[..., 0] + explained_qht * close_qt2[..., 1]
    with np.errstate(divide="ignore"):
        log_qh = np.log(closed_qht).sum(axis=2) + np.log(problem.level_q)[:, None]
    found: FloatArray = log_h + np.logaddexp.reduce(log_qh, axis=0)
    return found


def fault_sets(
    problem: Problem, posterior: Posterior, cover: float = 0.999, limit: int = 5000
) -> FaultSets:
    """Find the most probable combinations of faults.

    Parameters
    ----------
    problem : Problem
        Findings as arrays.
    posterior : Posterior
        Its exact posterior: the evidence tells how much is left out.
    cover : float, optional
        Share of the posterior to cover.
    limit : int, optional
        Most sets to return; where it cuts, `left_out` says how much is missing.

    Returns
    -------
    FaultSets
        Sets in order of falling belief.
    """
    threshold = (1.0 - cover) / 10.0
    while True:
        state_hl, element_l, belief_h = _sets_above(problem, posterior, threshold, 4 * limit)
        enough = belief_h.sum() >= cover or len(belief_h) >= limit
        if enough or threshold < SMALLEST_THRESHOLD:
            break
        threshold /= THRESHOLD_STEP
    order = np.argsort(-belief_h, kind="stable")
    count = min(limit, 1 + int(np.searchsorted(np.cumsum(belief_h[order]), cover)))
    kept = order[:count]
    element_hk, state_hk = _padded(state_hl[kept], element_l)
    return FaultSets(
        element_hk=element_hk,
        state_hk=state_hk,
        belief_h=belief_h[kept],
        left_out=max(0.0, 1.0 - float(belief_h[kept].sum())),
    )


def _padded(state_hl: IntArray, element_l: IntArray) -> tuple[IntArray, IntArray]:
    n_faults_h = (state_hl > 0).sum(axis=1)
    width = int(n_faults_h.max(initial=0))
    faults_first = np.argsort(state_hl == 0, axis=1, kind="stable")[:, :width]
    state_hk = np.take_along_axis(state_hl, faults_first, axis=1)
    present_hk = state_hk > 0
    return np.where(present_hk, element_l[faults_first], -1), np.where(present_hk, state_hk, -1)


def _sets_above(
    problem: Problem, posterior: Posterior, threshold: float, widest: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return every set whose belief is at least `threshold`.

    Returns
    -------
    state_hl : ndarray of int, shape (fault set, tree level)
        States of the elements, in the order of the tree.
    element_l : ndarray of int, shape (tree level,)
        Which elements these are.
    belief_h : ndarray of float, shape (fault set,)
        Their beliefs, in no order.
    """
    live_es = posterior.marginal_es >= threshold
    live_es[:, 0] = True
    pruned = replace(problem, prior_es=np.where(live_es, problem.prior_es, 0.0))
    tree = _Tree.of(pruned, posterior.log_evidence)
    branches = _Branches.root(tree)
    for level in range(len(tree.steps)):
        branches = branches.grown(tree, level, threshold, widest)
    return branches.state_hl, np.array([step.element for step in tree.steps]), branches.belief_h


@dataclass(frozen=True, slots=True)
class _Tree:
    """The elements in the order of the pass, and the totals of what follows each.

    Attributes
    ----------
    steps : list of Step
        One a level; elements that reach no digit come last and have no kernel.
    weight_es : ndarray of float, shape (element, state)
        Prior times factors.
    message_l : list of ndarray of float, shape (level node, open digits flattened)
        Backward message after each step.
    log_scale_l : list of float
        Log of what each message must be multiplied by to give a share of the posterior.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes, and of the digits that no element reaches.
    """

    steps: list[Step]
    weight_es: FloatArray
    message_l: list[FloatArray]
    log_scale_l: list[float]
    level_q: FloatArray

    @classmethod
    def of(cls, problem: Problem, log_evidence: float) -> _Tree:
        prepared = prepare(problem, problem.prior_es[None])
        weight_des = prepared.weight_des
        route = plan_route(prepared.digits, (problem.prior_es > 0).sum(axis=1), keep=False)
        steps = lay_out(prepared.digits, route)
        alone = sorted(set(range(len(problem.elements))) - set(route.order))
        steps += [Step(element, (), (), ()) for element in alone]
        message = np.ones((1, prepared.level_q.size, 1))
        log_scale = prepared.log_shift - log_evidence
        message_l, log_scale_l = [message[0]], [log_scale]
        for step in reversed(steps[1:]):
            weight_ds = weight_des[:, step.element]
            message = spread(step, message, weight_ds).sum(axis=2)
            scale = float(message.max())
            message = message / scale
            log_scale += np.log(scale)
            message_l.append(message[0])
            log_scale_l.append(log_scale)
        return cls(
            steps=steps,
            weight_es=weight_des[0],
            message_l=message_l[::-1],
            log_scale_l=log_scale_l[::-1],
            level_q=prepared.level_q,
        )


@dataclass(frozen=True, slots=True)
class _Branches:
    """Partial assignments that may still hold a set above the threshold.

    Attributes
    ----------
    state_hl : ndarray of int, shape (branch, tree level)
        States so far.
    log_weight_h : ndarray of float, shape (branch,)
        Log of prior times factors so far.
    level_qh : ndarray of float, shape (level node, branch)
        Weight of the digits closed so far.
    digit_g : tuple of ndarray of float, shape (level node, branch, count + 1)
        Where each open digit stands.
    belief_h : ndarray of float, shape (branch,)
        Share of the posterior that all completions have together.
    """

    state_hl: IntArray
    log_weight_h: FloatArray
    level_qh: FloatArray
    digit_g: tuple[FloatArray, ...]
    belief_h: FloatArray

    @classmethod
    def root(cls, tree: _Tree) -> _Branches:
        return cls(
            state_hl=np.zeros((1, 0), dtype=np.int64),
            log_weight_h=np.zeros(1),
            level_qh=tree.level_q[:, None],
            digit_g=(),
            belief_h=np.ones(1),
        )

    def grown(self, tree: _Tree, level: int, threshold: float, widest: int) -> _Branches:
        """Return the branches one level on, those below the threshold cut."""
        step = tree.steps[level]
        state_s = np.flatnonzero(tree.weight_es[step.element] > 0)
        parent_h = np.repeat(np.arange(len(self.log_weight_h)), state_s.size)
        state_h = np.tile(state_s, len(self.log_weight_h))
        level_qh, digit_g = self._carried(step, state_s, parent_h)
        log_weight_h = self.log_weight_h[parent_h] + np.log(tree.weight_es[step.element, state_h])
        total_h = _meet(level_qh, digit_g, tree.message_l[level])
        belief_h = total_h * np.exp(log_weight_h + tree.log_scale_l[level])
        kept = np.flatnonzero(belief_h >= threshold)
        if kept.size > widest:
            kept = np.sort(kept[np.argsort(-belief_h[kept], kind="stable")[:widest]])
        return _Branches(
            state_hl=np.column_stack([self.state_hl[parent_h[kept]], state_h[kept]]),
            log_weight_h=log_weight_h[kept],
            level_qh=level_qh[:, kept],
            digit_g=tuple(digit[:, kept] for digit in digit_g),
            belief_h=belief_h[kept],
        )

    def _carried(
        self, step: Step, state_s: IntArray, parent_h: IntArray
    ) -> tuple[FloatArray, tuple[FloatArray, ...]]:
        kernels = dict(step.kernels)
        n_open = len(self.digit_g)
        level_qh = self.level_qh[:, parent_h]
        open_digits = []
        for axis in range(max(n_open, len(step.after))):
            fresh = np.ones((level_qh.shape[0], len(self.log_weight_h), 1))
            digit = self.digit_g[axis] if axis < n_open else fresh
            if axis not in kernels:
                open_digits.append(digit[:, parent_h])
                continue
            kernel = kernels[axis][:, state_s]
            moved = (kernel[:, None] @ digit[:, :, None, :, None])[..., 0]
            moved = moved.reshape(len(moved), parent_h.size, -1)
            if step.after[axis] == 1:
                level_qh = level_qh * moved[..., 0]
            else:
                open_digits.append(moved)
        return level_qh, tuple(open_digits)


def _meet(level_qh: FloatArray, digit_g: tuple[FloatArray, ...], message: FloatArray) -> FloatArray:
    """Sum what follows over the levels of the open digits, shape (branch,)."""
    half = len(digit_g) // 2
    left = _joint(level_qh[..., None], digit_g[:half])
    right = _joint(np.ones_like(left[..., :1]), digit_g[half:])
    table = message.reshape(message.shape[0], left.shape[2], right.shape[2])
    total: FloatArray = ((left @ table) * right).sum(axis=(0, 2))
    return total


def _joint(start: FloatArray, digit_g: tuple[FloatArray, ...]) -> FloatArray:
    joint = start
    for digit in digit_g:
        joint = (joint[..., :, None] * digit[..., None, :]).reshape(*joint.shape[:2], -1)
    return joint
