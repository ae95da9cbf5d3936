"""Choosing and running the pass that a prepared problem needs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import prod

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.posterior.ahead import Ahead
from swapinfer.posterior.alike import join_alike
from swapinfer.posterior.belief import PosteriorDraws
from swapinfer.posterior.bundles import Bundle, tie_bundles
from swapinfer.posterior.prepare import IMPOSSIBLE, Prepared
from swapinfer.posterior.route import NONE, Route, minds_order, plan_route
from swapinfer.posterior.sweep import Sweep

CLIMB_LIMIT = 1000
"""Most climbs of the lattice in which all order-free elements together are multiplied."""

BUNDLE_LIMIT = 8
"""Most joint levels of a bundle that is multiplied ahead of these."""

EXACT_LIMIT = 2**19
"""Entries of the longest message that is still passed exactly."""

CHUNK = 2**21
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Which elements go ahead of the pass, and the route of the others.

    Attributes
    ----------
    prepared : Prepared
        What is planned for.
    bundles : list of Bundle
        Elements that go ahead.
    carried : list of int
        Digits of the bundles that the other elements reach too.
    elements : ndarray of int, shape (other element,)
        The other elements that reach any digit.
    rest : Prepared
        These elements and their digits.
    route : Route
        Of the rest.
    """

    prepared: Prepared
    bundles: list[Bundle]
    carried: list[int]
    elements: IntArray
    rest: Prepared
    route: Route

    @classmethod
    def of(cls, prepared: Prepared) -> Plan:
        """Send the elements ahead that mind no order, if the lattice of their digits is small."""
        digits = prepared.digits
        strict_g = minds_order(digits)
        passes_e = np.asarray(digits.reach_ge.any(axis=0))
        free_e = np.asarray(passes_e & ~digits.reach_ge[strict_g].any(axis=0))
        reached_g = digits.reach_ge[:, free_e].any(axis=1)
        counts = digits.count_g[reached_g].tolist()
        if prod((count + 1) * (count + 2) // 2 for count in counts) > CLIMB_LIMIT:
            free_e[:] = False
        bundles = tie_bundles(digits, np.flatnonzero(free_e), BUNDLE_LIMIT)
        elements = np.flatnonzero(passes_e & ~free_e)
        kept_g = np.asarray(digits.reach_ge[:, elements].any(axis=1))
        carried_g = np.asarray(kept_g & reached_g & free_e.any())
        rest = prepared.among(elements, kept_g)
        route = plan_route(
            rest.digits, rest.n_states_e, carried=np.flatnonzero(carried_g[kept_g]).tolist()
        )
        return cls(prepared, bundles, np.flatnonzero(carried_g).tolist(), elements, rest, route)

    @property
    def longest(self) -> int:
        """Entries of the longest message of the pass."""
        kept = self.route.kept
        n_kept = 1 if kept == NONE else int(self.rest.n_states_e[self.route.order[kept]])
        lengths = self.route.lengths(self.rest.digits, n_kept, self.rest.level_q.size)
        return max(lengths, default=1)

    @property
    def entries(self) -> int:
        """Entries of all messages and moves of a draw together, roughly."""
        by_state = self.longest * self.prepared.weight_des.shape[2] * (self.elements.size + 1)
        return int(by_state) + 2 * CLIMB_LIMIT * len(self.bundles)


def route_of(prepared: Prepared, *, keep: bool = True) -> Route:
    """Plan a pass that visits all elements one by one."""
    return plan_route(prepared.digits, prepared.n_states_e, keep=keep)


def is_within_bound(plan: Plan) -> bool:
    """Say whether the longest message of a plan may be passed exactly."""
    return plan.longest <= EXACT_LIMIT


def run_passes(plan: Plan) -> tuple[PosteriorDraws, int]:
    """Go forward and back as planned.

    Parameters
    ----------
    plan : Plan
        Weights, digits and route.

    Returns
    -------
    draws : PosteriorDraws
        Evidence and marginals of every draw.
    largest : int
        Entries of the largest message of a draw.

    Raises
    ------
    EvidenceError
        If the findings have probability zero under every combination of states.
    """
    weight_des = plan.prepared.weight_des
    reached_e = plan.prepared.digits.reach_ge.any(axis=0)
    log_evidence_d = np.log(weight_des[:, ~reached_e].sum(axis=2)).sum(axis=1)
    log_evidence_d += plan.prepared.log_shift
    meet_des, largest = weight_des, 1
    if reached_e.any():
        chunk = max(1, CHUNK // plan.entries)
        parts = [_run(plan, weight_des[d : d + chunk]) for d in range(0, len(weight_des), chunk)]
        log_z_d, meet_des = (np.concatenate(part) for part in list(zip(*parts, strict=True))[:2])
        log_evidence_d += log_z_d
        largest = parts[0][2]
    if not np.isfinite(log_evidence_d).all():
        raise EvidenceError(IMPOSSIBLE)
    return PosteriorDraws(log_evidence_d, meet_des / meet_des.sum(axis=2, keepdims=True)), largest


def _run(plan: Plan, weight_des: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Run what goes ahead and the pass that suits the route, for some of the draws.

    Returns
    -------
    log_z_d : ndarray of float, shape (draw,)
        Natural log of the total weight of the elements that reach a digit.
    meet_des : ndarray of float, shape (draw, element, state)
        Weight of each state with everything else summed out, up to a factor of each element.
    largest : int
        Entries of the largest message of a draw.
    """
    meet_des = weight_des.copy()
    if not plan.bundles:
        log_z_d, meet_des[:, plan.elements], _, largest = _pass(plan, weight_des, None)
        return log_z_d, meet_des, largest
    with np.errstate(divide="ignore", invalid="ignore"):
        ahead = Ahead.of(plan.prepared.digits, plan.bundles, plan.carried, weight_des)
        start_dl = ahead.vector_dl
        largest = ahead.size
        if plan.elements.size:
            log_z_d, meet_des[:, plan.elements], worth_dl, longer = _pass(
                plan, weight_des, start_dl
            )
            largest = max(largest, longer)
        else:
            log_z_d, worth_dl = np.log(start_dl[:, 0]), np.ones_like(start_dl)
        ahead.hand_down(worth_dl, meet_des)
    return log_z_d + ahead.log_scale_d, meet_des, largest


def _pass(
    plan: Plan, weight_des: FloatArray, start_dl: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Visit the other elements; see `swapinfer.posterior.sweep.Sweep.run`."""
    route = plan.route
    alike = join_alike(replace(plan.rest, weight_des=weight_des[:, plan.elements]))
    joined = alike.joined
    one = Sweep.of(joined.digits, route, joined.weight_des, joined.level_q)
    log_z_d, meet_dpk, worth_dl, largest = one.run(start_dl)
    meet_des = np.empty_like(weight_des[:, plan.elements])
    meet_des[:, list(route.order)] = alike.apart(meet_dpk, list(route.order))
    return log_z_d, meet_des, worth_dl, largest
