"""A pass as planned and run: knots ahead, a sweep over them and the others, case by case."""

from __future__ import annotations

import msgspec
import numpy as np
from msgspec.structs import replace

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.digits import IMPOSSIBLE, Prepared
from swapinfer.posterior.knots import CLIMB_LIMIT, Bundle, Knot, tie_knots
from swapinfer.posterior.order import Route, plan_route
from swapinfer.posterior.sweep import Sweep

WORTH_SUPPOSING = 2**17
"""Entries from which it may pay to suppose in turn what an element does."""

CHUNK = 2**21
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


class PosteriorDraws(msgspec.Struct, frozen=True, eq=False):
    """Belief under each of a batch of priors.

    Attributes
    ----------
    log_evidence_d : ndarray of float, shape (draw,)
        Natural log of the evidence.
    marginal_des : ndarray of float, shape (draw, element, state)
        Posterior probability of each state.
    """

    log_evidence_d: FloatArray
    marginal_des: FloatArray


class PassPlan(msgspec.Struct, frozen=True, eq=False):
    """Which elements are tied into knots, and the route of these and the others."""

    prepared: Prepared
    knots: list[list[Bundle]]  # bundles of elements that mind no order
    elements: IntArray  # the other elements that reach any digit
    rest: Prepared  # the knots as elements, and after them the others
    route: Route  # of the rest
    entries: int  # entries of all messages of the pass together

    @classmethod
    def of(cls, prepared: Prepared) -> PassPlan:
        """Tie the elements that mind no order, and plan a route."""
        digits = prepared.digits
        reaching_e = np.asarray(digits.reach_ge.any(axis=0))
        free_e = np.asarray(reaching_e & ~digits.reach_ge[digits.strict_g].any(axis=0))
        knots, left = tie_knots(digits, free_e)
        others_e = reaching_e & ~free_e
        others_e[left] = True
        elements = np.flatnonzero(others_e)
        reached = [sorted({g for one in knot for g in one.digits}) for knot in knots]
        rest = prepared.tied(reached, elements)
        route = plan_route(rest.digits)
        return cls(prepared, knots, elements, rest, route, sum(route.lengths(rest.digits)))

    def sweep(self, draws: slice) -> tuple[Sweep, list[Knot]]:
        """Lay the pass out for some of the draws, and what is tied up ahead of it."""
        weight_des = self.prepared.weight_des[draws]
        rest = replace(self.rest, weight_des=self.rest.weight_des[draws])
        with np.errstate(divide="ignore", invalid="ignore"):
            knots = [Knot.of(self.prepared.digits, some, weight_des) for some in self.knots]
            return Sweep.of(rest, self.route, knots), knots

    def run(self) -> tuple[FloatArray, FloatArray, int]:
        """Run the pass for all draws, as many at a time as fit.

        Returns the natural log of the total weight, (draw,); the weight of each state with
        everything else summed out, (draw, element, state), up to a factor of each element; and the
        entries of the largest message or knot of a draw.
        """
        weight_des = self.prepared.weight_des
        reached_e = self.prepared.digits.reach_ge.any(axis=0)
        with np.errstate(divide="ignore"):
            log_evidence_d = np.log(weight_des[:, ~reached_e].sum(axis=2)).sum(axis=1)
        log_evidence_d += self.prepared.log_shift
        meet_des, largest = weight_des.copy(), 1
        by_state = self.entries * weight_des.shape[2]
        chunk = max(1, CHUNK // (by_state + CLIMB_LIMIT * sum(map(len, self.knots)) + 1))
        for start in range(0, len(weight_des) if reached_e.any() else 0, chunk):
            draws = slice(start, start + chunk)
            log_z_d, largest = self._run(draws, meet_des[draws])
            log_evidence_d[draws] += log_z_d
        return log_evidence_d, meet_des, largest

    def _run(self, draws: slice, meet_des: FloatArray) -> tuple[FloatArray, int]:
        """Run the pass for some of the draws, and weigh the states there."""
        with np.errstate(divide="ignore", invalid="ignore"):
            sweep, knots = self.sweep(draws)
            log_z_d, meet_p, largest = sweep.run()
            met = dict(zip(self.route.order, meet_p, strict=True))
            for k, knot in enumerate(knots):
                log_z_d += knot.log_scale_d
                largest = max(largest, knot.product.lattice.length)
                knot.hand_down(met[k], meet_des)
        for e, element in enumerate(self.elements.tolist(), start=len(knots)):
            meet_des[:, element] = 0.0
            meet_des[:, element, : met[e].shape[1]] = met[e]
        return log_z_d, largest


def plan_passes(prepared: Prepared) -> list[PassPlan]:
    """Plan one pass, or one for each case of an element that comes first on many digits."""
    plan = PassPlan.of(prepared)
    if plan.entries <= WORTH_SUPPOSING:
        return [plan]
    plans = [PassPlan.of(case) for case in prepared.cases()]
    return plans if sum(one.entries for one in plans) < plan.entries else [plan]


def run_passes(plans: list[PassPlan]) -> tuple[PosteriorDraws, int]:
    """Go forward and back as planned, and add up the cases.

    Returns evidence and marginals of every draw, and the entries of the largest message of a draw.

    Raises
    ------
    EvidenceError
        If the findings have probability zero under every combination of states.
    """
    cases = [plan.run() for plan in plans]
    log_kd = np.stack([log_d for log_d, _, _ in cases])
    log_d: FloatArray = np.logaddexp.reduce(log_kd)
    if not np.isfinite(log_d).all():
        raise EvidenceError(IMPOSSIBLE)
    share_kd = np.exp(log_kd - log_d)
    marginal_des = np.zeros(cases[0][1].shape)
    for share_d, (_, meet_des, _) in zip(share_kd, cases, strict=True):
        meet_des[share_d == 0.0] = 1.0
        marginal_des += meet_des * (share_d[:, None] / meet_des.sum(axis=2))[..., None]
    return PosteriorDraws(log_d, marginal_des), sum(largest for _, _, largest in cases)
