"""What a drive or a test would show under each hypothesis.

Axes: ``h`` hypothesis, ``f`` fault, ``c`` cylinder, ``o`` outcome, ``p`` profile of a test.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.evidence.assemble import Evidence
from swapinfer.evidence.levels import alike_nodes, expected_level
from swapinfer.evidence.looks import View, look
from swapinfer.evidence.monitor import share_that_sets
from swapinfer.evidence.profiles import (
    are_steps,
    chances_of,
    outcome_table,
    own_parts,
    reading_value,
)
from swapinfer.evidence.running import blame_cc, is_shared, reach_ec
from swapinfer.ledger.events import Inspected, Measured, Ran
from swapinfer.pack.model import GOOD, UNKNOWN, Test
from swapinfer.plan.actions import ALL_GOOD, ELSEWHERE, QUIET
from swapinfer.plan.hypotheses import Changes, Hypotheses
from swapinfer.plan.repair_policy import mean_drive

_WORTH_TELLING = 0.002  # cylinders less likely than this to misfire first are told together


class Prediction(Struct, frozen=True, eq=False):
    """Outcomes of something done, and their chances."""

    outcomes: tuple[str, ...]
    chance_oh: FloatArray  # columns add up to 1
    drive_o: FloatArray  # mean minutes driven when it ends so


def information_bits(prior_h: FloatArray, chance_oh: FloatArray) -> float:
    """Mutual information between an outcome and the hypotheses.

    Reference: MacKay (2003), *Information Theory, Inference, and Learning Algorithms*, ch. 8.
    """
    given = _plogp(chance_oh).sum(axis=0) @ prior_h
    return max(float(given - _plogp(chance_oh @ prior_h).sum()), 0.0)


def _plogp(p: FloatArray) -> FloatArray:
    """``p log2 p`` with its limit 0 at 0."""
    result: FloatArray = p * np.log2(np.where(p > 0.0, p, 1.0))
    return result


class Predictor:
    """Predicts under every hypothesis of a job."""

    def __init__(self, evidence: Evidence, hypotheses: Hypotheses) -> None:
        self.evidence = evidence
        self.hypotheses = hypotheses
        self._rate_f: dict[tuple[tuple[str, ...], float], FloatArray] = {}
        self._beside: dict[tuple[tuple[str, ...], float], FloatArray] = {}
        self._rates: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}

    @cached_property
    def _blamed_ec(self) -> FloatArray:
        """Share of an element's episodes booked on each cylinder, and last on several at once."""
        job, running = self.evidence.job, self.evidence.job.pack.running
        reached_ec = reach_ec(self.evidence.space, job.fitted)
        shared_e = is_shared(reached_ec)
        several_e = shared_e * (1.0 - (1.0 - running.together) ** reached_ec.shape[1])
        booked_ec = reached_ec @ blame_cc(job.engine, running) * ~shared_e[:, None]
        return np.column_stack([booked_ec, several_e])

    def rate_f(self, conditions: tuple[str, ...], minutes: float = 0.0) -> FloatArray:
        """Episodes a minute that each fault causes in each cylinder it serves, and set a code."""
        key = conditions, minutes  # 0 minutes mean a usual drive
        if key not in self._rate_f:
            space = self.evidence.space
            rate_es = space.rate_es * space.multiplier_es(conditions)
            rate_es = rate_es * space.share_es(share_that_sets, conditions, minutes)
            self._rate_f[key] = self.hypotheses.per_fault(rate_es)
        return self._rate_f[key]

    def total_rate_f(self, conditions: tuple[str, ...], minutes: float = 0.0) -> FloatArray:
        """Misfire episodes a minute that each fault causes in all cylinders together, likewise."""
        cylinders_e = self._blamed_ec.sum(axis=1)
        faults = self.hypotheses
        total: FloatArray = self.rate_f(conditions, minutes) * cylinders_e[faults.element_f]
        return total

    def _beside_usual_h(self, conditions: tuple[str, ...], minutes: float) -> FloatArray:
        """Misfire episodes a minute in a drive of this length, those in a usual one being 1."""
        key = conditions, minutes
        if key not in self._beside:
            member_hf = self.hypotheses.member_hf
            usual_h = member_hf @ self.total_rate_f(conditions)
            rate_h = member_hf @ self.total_rate_f(conditions, minutes)
            ones_h = np.ones_like(rate_h)
            self._beside[key] = np.divide(rate_h, usual_h, out=ones_h, where=usual_h > 0.0)
        return self._beside[key]

    def drives(
        self,
        minutes: tuple[float, ...],
        conditions: tuple[str, ...],
        swaps: tuple[tuple[str, str], ...],
        changes: Changes,
    ) -> list[Prediction]:
        """Predict which cylinder misfires first in drives of several lengths, if any."""
        belief_h = self.hypotheses.belief_h.copy()
        changes.apply(belief_h)
        becomes_h = changes.becomes_h(len(belief_h))
        rate_h, share_ch = self._rate_and_share(conditions, swaps)
        length_d = np.array(minutes)
        rate_dh = rate_h * np.array([self._beside_usual_h(conditions, m) for m in minutes])
        dirty_dh = -np.expm1(-rate_dh * length_d[:, None])
        is_told_dc = (belief_h * dirty_dh) @ share_ch.T >= _WORTH_TELLING
        dirty_d = dirty_dh @ belief_h
        driven_d = mean_drive(dirty_dh, rate_dh, length_d[:, None]) @ belief_h
        broken_off_d = (driven_d - (1.0 - dirty_d) * length_d) / dirty_d
        found = []
        for d, length in enumerate(minutes):
            told = np.flatnonzero(is_told_dc[d, :-1])
            chance_oh = np.empty((len(told) + 2, len(belief_h)))
            chance_oh[0] = 1.0 - dirty_dh[d]
            np.multiply(share_ch[told], dirty_dh[d], out=chance_oh[1:-1])
            chance_oh[-1] = np.maximum(dirty_dh[d] - chance_oh[1:-1].sum(axis=0), 0.0)
            names = (QUIET, *(f"cylinder{c + 1}" for c in told), ELSEWHERE)
            drive_o = np.array([length] + [broken_off_d[d]] * (len(names) - 1))
            found.append(Prediction(names, chance_oh[:, becomes_h], drive_o))
        return found

    def stored(self, unchanged: Changes) -> Prediction:
        """Predict which cylinder's misfire is stored: of the last run, or since the complaint."""
        job = self.evidence.job
        last = job.latest.event if job.latest else None
        memory = job.pack.memories[UNKNOWN]
        missed, run = memory.missed, Ran(memory.minutes)
        if isinstance(last, Ran):
            missed, run = 0.0, last
        (one,) = self.drives((run.minutes,), run.conditions, (), unchanged)
        chance_oh = one.chance_oh * (1.0 - missed)
        chance_oh[0] += missed
        return Prediction(one.outcomes, chance_oh, np.zeros(len(one.outcomes)))

    def _rate_and_share(
        self, conditions: tuple[str, ...], swaps: tuple[tuple[str, str], ...]
    ) -> tuple[FloatArray, FloatArray]:
        """Misfire episodes a minute, and the share of each cylinder and, last, of several."""
        key = conditions, swaps
        if key in self._rates:
            return self._rates[key]
        job, index = self.evidence.job, self.evidence.space.index
        blamed_ec = self._blamed_ec.copy()
        for first, second in swaps:
            pair = [index[job.fitted[first]], index[job.fitted[second]]]
            blamed_ec[pair] = blamed_ec[pair[::-1]]
        rate_hk = self.hypotheses.padded(self.rate_f(conditions))
        rate_hc = np.einsum("hk,hkc->hc", rate_hk, blamed_ec[self.hypotheses.element_hk])
        rate_hc[:, :-1] += job.pack.running.leak_per_min
        rate_h = rate_hc.sum(axis=1)
        self._rates[key] = rate_h, np.ascontiguousarray((rate_hc / rate_h[:, None]).T)
        return self._rates[key]

    def seen(self, view: View) -> float:
        """Count, on average, the present faults that a view can see."""
        seen_f = self.hypotheses.per_fault(view.shows_es) > 0.0
        return float(self.hypotheses.fault_f[seen_f].sum())

    def test(self, test: Test, target: str, view: View) -> Prediction:
        """Predict one test on one target."""
        tables = [chances_of(test, profile) for profile in view.profiles]
        names = tuple(tables[0])
        chance_po = np.array([list(table.values()) for table in tables])
        good_o, decided = chance_po[0], self._first
        if test.form == "inspection":
            # Where all is sound, over what engines show alike.
            rows = [outcome_table(test, (GOOD,), common=name)[0] for name in ("", *test.alike)]
            good_o = alike_nodes(test).weight_q @ np.array(rows)
            decided = self._farthest if are_steps(test) else self._first
        chance_oh = decided(view, chance_po, good_o).T
        earlier = self.earlier(test, target, view)
        if earlier is not None:  # repeated, it shows what it showed before, but for its fresh share
            same_o = np.array([float(name == earlier) for name in names])
            chance_oh = test.fresh * chance_oh + (1.0 - test.fresh) * same_o[:, None]
        return Prediction(names, chance_oh, np.zeros(len(names)))

    def sweep(self, test: Test, targets: Mapping[str, View]) -> Prediction:
        """Predict which of several targets is the first to show anything but the normal outcome."""
        left_h = np.ones(len(self.hypotheses.belief_h))
        rows = []
        for target, view in targets.items():
            one = self.test(test, target, view)
            normal = list(chances_of(test, view.profiles[0]).values())
            abnormal_h = 1.0 - one.chance_oh[int(np.argmax(normal))]
            rows.append(left_h * abnormal_h)
            left_h = left_h * (1.0 - abnormal_h)
        names = (ALL_GOOD, *targets)
        return Prediction(names, np.vstack([left_h, *rows]), np.zeros(len(names)))

    def _first(self, view: View, chance_po: FloatArray, good_o: FloatArray) -> FloatArray:
        """Chance of each outcome, (hypothesis, outcome); the first fault that shows decides."""
        left_h = np.ones(len(self.hypotheses.belief_h))
        chance_ho = np.zeros((len(left_h), chance_po.shape[1]))
        for shows_h, profile_h in self._shown(view):
            chance_ho += (left_h * shows_h)[:, None] * chance_po[profile_h]
            left_h = left_h * (1.0 - shows_h)
        mixed: FloatArray = chance_ho + left_h[:, None] * good_o
        return mixed

    def _farthest(self, view: View, chance_po: FloatArray, good_o: FloatArray) -> FloatArray:
        """Chance of each outcome, (hypothesis, outcome); what departs farthest decides."""
        less_po, explain_po = own_parts(chance_po)
        open_ho = np.ones((len(self.hypotheses.belief_h), len(good_o)))
        explained_ho = np.zeros_like(open_ho)
        for shows_h, profile_h in self._shown(view):
            left_open_ho = 1.0 - shows_h[:, None] * (1.0 - less_po[profile_h])
            explain_ho = shows_h[:, None] * explain_po[profile_h]
            explained_ho = open_ho * explain_ho + explained_ho * (left_open_ho + explain_ho)
            open_ho *= left_open_ho
        chance_ho = open_ho * good_o + explained_ho * np.cumsum(good_o)
        summed: FloatArray = chance_ho / chance_ho.sum(axis=1, keepdims=True)
        return summed

    def _shown(self, view: View) -> Iterator[tuple[FloatArray, IntArray]]:
        """Go through the faults of each hypothesis: chance to show, and the profile shown."""
        faults = self.hypotheses
        shows_hk = faults.padded(faults.per_fault(view.shows_es))
        profile_f = np.append(faults.per_fault(view.profile_es), 0)
        for k in range(shows_hk.shape[1]):
            yield shows_hk[:, k], profile_f[faults.fault_hk[:, k]]

    def earlier(self, test: Test, target: str, view: View) -> str | None:
        """Latest outcome that the test, made now, would repeat."""
        job, space = self.evidence.job, self.evidence.space
        for finding in reversed(job.findings):
            event = finding.event
            if not isinstance(event, (Measured, Inspected)):
                continue
            is_same = (event.test, event.target) == (test.id, target)
            if is_same and look(space, test.id, target, finding).key == view.key:
                if isinstance(event, Inspected):
                    return event.outcome
                return test.band_of(reading_value(test, event), expected_level(test, job.opening))
        return None
