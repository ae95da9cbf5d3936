"""The belief that planning works with: the most probable combinations of faults present now.

Faults that a disturbance has already cured, and those of parts on the bench, can do no more harm:
fault sets that differ only in them are one hypothesis. Every subset of a hypothesis is one too, so
that repairing any of its faults leads to another.

Axes: ``h`` hypothesis, ``k`` fault of a hypothesis, ``f`` distinct fault, ``e`` element.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property
from typing import TypeVar

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.evidence.assemble import Evidence
from swapinfer.evidence.states import StateSpace
from swapinfer.plan.repair_policy import NONE
from swapinfer.posterior import FaultSets

MOST = 400  # hypotheses kept for planning, subsets not counted

Key = tuple[int, ...]
ScalarT = TypeVar("ScalarT", np.float64, np.int64, np.bool_)


class Changes(Struct, frozen=True, eq=False, dict=True):
    """Hypotheses that an action turns into others: a fault replaced, a contact cured."""

    source_m: IntArray  # sorted by target, no source twice
    target_m: IntArray

    @classmethod
    def of(cls, pairs: Iterable[tuple[int, int]]) -> Changes:
        """Collect pairs of a hypothesis after, and the one before."""
        target_m, source_m = zip(*ordered, strict=True) if (ordered := sorted(pairs)) else ((), ())
        return cls(np.array(source_m, dtype=np.int64), np.array(target_m, dtype=np.int64))

    @cached_property
    def _targets(self) -> tuple[IntArray, IntArray]:
        start_t = np.flatnonzero(np.diff(self.target_m, prepend=-1))
        return self.target_m[start_t], start_t

    def apply(self, weight_xh: FloatArray) -> None:
        """Move weight along the last axis, in place."""
        if len(self.source_m):
            target_t, start_t = self._targets
            moving_xm = weight_xh[..., self.source_m]
            weight_xh[..., self.source_m] = 0.0
            weight_xh[..., target_t] += np.add.reduceat(moving_xm, start_t, axis=-1)

    def becomes_h(self, count: int) -> IntArray:
        """Hypothesis that each of so many becomes, shape (hypothesis,)."""
        becomes_h = np.arange(count)
        becomes_h[self.source_m] = self.target_m
        return becomes_h


class Hypotheses(Struct, frozen=True, eq=False, dict=True):
    """Combinations of faults that may be present now."""

    element_f: IntArray  # states that nothing can tell apart any more are one fault
    state_f: IntArray
    fault_hk: IntArray  # padded with `NONE`
    belief_h: FloatArray  # adds up to 1
    left_out: float  # probability of all that is not looked at

    @cached_property
    def index(self) -> dict[Key, int]:
        """Faults of a hypothesis to its position."""
        return {
            tuple(f for f in row if f != NONE): h for h, row in enumerate(self.fault_hk.tolist())
        }

    @cached_property
    def element_hk(self) -> IntArray:
        """Element of each fault, `NONE` where there is none."""
        padded = np.append(self.element_f, NONE)
        out: IntArray = padded[self.fault_hk]
        return out

    @cached_property
    def member_hf(self) -> FloatArray:
        """1 where a hypothesis has a fault, shape (hypothesis, fault)."""
        out = np.zeros((len(self.fault_hk), len(self.element_f) + 1))
        np.put_along_axis(out, self.fault_hk, 1.0, axis=1)
        return out[:, :-1]

    @cached_property
    def fault_f(self) -> FloatArray:
        """Probability that each fault is present, shape (fault,)."""
        out: FloatArray = self.belief_h @ self.member_hf
        return out

    def per_fault(self, value_es: NDArray[ScalarT]) -> NDArray[ScalarT]:
        """Pick one value a fault from an array over elements and states."""
        picked: NDArray[ScalarT] = value_es[self.element_f, self.state_f]
        return picked

    def padded(self, value_f: FloatArray) -> FloatArray:
        """Spread values of faults to (hypothesis, fault), 0 where there is none."""
        return np.append(value_f, 0.0)[self.fault_hk]

    def without(self, gone_f: Iterable[int]) -> Changes:
        """List the changes that end some faults wherever they are present."""
        gone = sorted(set(gone_f))
        touched_h = np.flatnonzero(self.member_hf[:, gone].any(axis=1))
        kept = (
            tuple(f for f in row if f != NONE and f not in gone)
            for row in self.fault_hk[touched_h].tolist()
        )
        return Changes.of(zip((self.index[key] for key in kept), touched_h.tolist(), strict=True))

    @cached_property
    def _member_he(self) -> FloatArray:
        """1 where a hypothesis blames an element, shape (hypothesis, element)."""
        out = np.zeros((len(self.fault_hk), int(self.element_f.max(initial=0)) + 1))
        rows, columns = np.nonzero(self.fault_hk != NONE)
        out[rows, self.element_hk[rows, columns]] = 1.0
        return out

    def fault_e(self, belief_xh: FloatArray) -> FloatArray:
        """Probability that each element is at fault now, over the last axis."""
        out: FloatArray = belief_xh @ self._member_he
        return out


def form_hypotheses(evidence: Evidence, sets: FaultSets, most: int = MOST) -> Hypotheses:
    """Merge fault sets into what planning can tell apart."""
    number, element_f, state_f = _distinct_faults(evidence)
    belief: dict[Key, float] = defaultdict(float)
    for element_k, state_k, p in zip(
        sets.element_hk.tolist(), sets.state_hk.tolist(), sets.belief_h.tolist(), strict=True
    ):
        faults = (number.get(pair) for pair in zip(element_k, state_k, strict=True))
        belief[tuple(sorted(f for f in faults if f is not None))] += p
    kept = sorted(belief, key=lambda key: (-round(belief[key], 12), key))[:most]
    keys = with_subsets(kept)
    width = max(1, *(len(key) for key in keys))
    fault_hk = np.full((len(keys), width), NONE)
    for h, key in enumerate(keys):
        fault_hk[h, : len(key)] = key
    covered = sum(belief[key] for key in kept)
    belief_h = np.array([belief[key] if h < len(kept) else 0.0 for h, key in enumerate(keys)])
    return Hypotheses(element_f, state_f, fault_hk, belief_h / covered, max(0.0, 1.0 - covered))


def with_subsets(kept: list[Key]) -> list[Key]:
    """Add to some sets of faults all their subsets, those that are there first."""
    keys = dict.fromkeys(kept)
    queue = list(kept)
    while queue:
        key = queue.pop()
        for at in range(len(key)):
            smaller = key[:at] + key[at + 1 :]
            if smaller not in keys:
                keys[smaller] = None
                queue.append(smaller)
    keys.setdefault(())
    return list(keys)


def _distinct_faults(evidence: Evidence) -> tuple[dict[tuple[int, int], int], IntArray, IntArray]:
    """Count faults now by element, mode, severity, and whether handling ends them."""
    space: StateSpace = evidence.space
    job = evidence.job
    here = {space.index[element] for element in job.fitted.values()}
    active_es = space.active_es(job.time)
    first: dict[tuple[int, int, int, bool], int] = {}
    number: dict[tuple[int, int], int] = {}
    element_f: list[int] = []
    state_f: list[int] = []
    for e, s in np.argwhere(active_es).tolist():
        if e not in here:
            continue
        mode, severity = int(space.mode_es[e, s]), int(space.severity_es[e, s])
        kind_of_fault = (e, mode, severity, bool(space.ended_es[e, s]))
        if kind_of_fault not in first:
            first[kind_of_fault] = len(element_f)
            element_f.append(e)
            state_f.append(s)
        number[e, s] = first[kind_of_fault]
    return number, np.array(element_f, dtype=np.int64), np.array(state_f, dtype=np.int64)
