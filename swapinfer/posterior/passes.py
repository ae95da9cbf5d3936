"""Choosing and running the pass that prepared arrays need."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import prod

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.posterior.alike import Alike, join_alike
from swapinfer.posterior.belief import PosteriorDraws
from swapinfer.posterior.bundles import Bundle, tie_bundles
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.knots import Knots
from swapinfer.posterior.prepare import IMPOSSIBLE, Prepared
from swapinfer.posterior.route import NONE, Route, minds_order, plan_route
from swapinfer.posterior.sweep import Sweep

CLIMB_LIMIT = 4000
"""Most climbs of the lattice in which all order-free elements together are multiplied."""

BUNDLE_LIMIT = 8
"""Most joint levels of a bundle that is multiplied ahead of these."""

KNOT_LIMIT = 144
"""Most joint levels of a knot otherwise."""

JOIN_FROM = 2048
"""Entries of a message from which it pays to join states that move every digit alike."""

EXACT_LIMIT = 2**20
"""Entries of the longest message that is still passed exactly."""

CHUNK = 2**21
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Which elements are tied into knots, and the route of these and the others.

    Attributes
    ----------
    prepared : Prepared
        What is planned for.
    knots : list of list of Bundle
        Elements that mind no order, bundle by bundle.
    elements : ndarray of int, shape (other element,)
        The other elements that reach any digit.
    rest : Prepared
        The knots as elements, and after them the others.
    route : Route
        Of the rest.
    longest : int
        Entries of the longest message of the pass.
    """

    prepared: Prepared
    knots: list[list[Bundle]]
    elements: IntArray
    rest: Prepared
    route: Route
    longest: int

    @classmethod
    def of(cls, prepared: Prepared) -> Plan:
        """Tie the elements that mind no order, and plan a route."""
        digits = prepared.digits
        mind_g = minds_order(digits)
        reaching_e = np.asarray(digits.reach_ge.any(axis=0))
        free_e = np.asarray(reaching_e & ~digits.reach_ge[mind_g].any(axis=0))
        knots, left = tie_knots(digits, free_e)
        others_e = reaching_e & ~free_e
        others_e[left] = True
        elements = np.flatnonzero(others_e)
        rest = prepared.tied(
            [sorted({g for one in knot for g in one.digits}) for knot in knots], elements
        )
        route = plan_route(rest.digits, rest.n_states_e, mind_g)
        n_kept = 1 if route.kept == NONE else int(rest.n_states_e[route.order[route.kept]])
        lengths = route.lengths(rest.digits, n_kept, rest.level_q.size)
        return cls(prepared, knots, elements, rest, route, max(lengths, default=1))

    @property
    def entries(self) -> int:
        """Entries of all messages and moves of a draw together, roughly."""
        by_state = self.longest * self.prepared.weight_des.shape[2] * (self.elements.size + 1)
        return int(by_state) + CLIMB_LIMIT * sum(len(knot) for knot in self.knots)


def tie_knots(digits: Digits, free_e: BoolArray) -> tuple[list[list[Bundle]], list[int]]:
    """Tie all order-free elements into one knot, or several if it grew too large.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    free_e : ndarray of bool, shape (element,)
        Which elements mind no order.

    Returns
    -------
    knots : list of list of Bundle
        Bundles of each knot.
    left : list of int
        Elements that reach too much to be tied.
    """
    free = np.flatnonzero(free_e)
    reached = np.flatnonzero(digits.reach_ge[:, free].any(axis=1))
    counts = digits.count_g[reached].tolist()
    if prod((count + 1) * (count + 2) // 2 for count in counts) > CLIMB_LIMIT:
        bundles, left = tie_bundles(digits, free, KNOT_LIMIT)
        return [[bundle] for bundle in bundles], left
    bundles, left = tie_bundles(digits, free, BUNDLE_LIMIT)
    every = tuple(reached.tolist())
    bundles += [Bundle(every, (element,)) for element in left]
    return [bundles] if bundles else [], []


def route_of(prepared: Prepared, *, keep: bool = True) -> Route:
    """Plan a pass that visits all elements one by one."""
    mind_g = minds_order(prepared.digits)
    return plan_route(prepared.digits, prepared.n_states_e, mind_g, keep=keep)


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
        parts = [_run(plan, slice(d, d + chunk)) for d in range(0, len(weight_des), chunk)]
        log_z_d, meet_des = (np.concatenate(part) for part in list(zip(*parts, strict=True))[:2])
        log_evidence_d += log_z_d
        largest = parts[0][2]
    if not np.isfinite(log_evidence_d).all():
        raise EvidenceError(IMPOSSIBLE)
    return PosteriorDraws(log_evidence_d, meet_des / meet_des.sum(axis=2, keepdims=True)), largest


def _run(plan: Plan, draws: slice) -> tuple[FloatArray, FloatArray, int]:
    """Run the pass for some of the draws.

    Returns
    -------
    log_z_d : ndarray of float, shape (draw,)
        Natural log of the total weight of the elements that reach a digit.
    meet_des : ndarray of float, shape (draw, element, state)
        Weight of each state with everything else summed out, up to a factor of each element.
    largest : int
        Entries of the largest message or knot of a draw.
    """
    weight_des, n_knots = plan.prepared.weight_des[draws], len(plan.knots)
    rest = replace(plan.rest, weight_des=plan.rest.weight_des[draws])
    alike = join_alike(rest) if plan.longest >= JOIN_FROM else Alike.untouched(rest)
    meet_des = weight_des.copy()
    with np.errstate(divide="ignore", invalid="ignore"):
        knots = Knots.of(plan.prepared.digits, plan.knots, weight_des)
        sweep = Sweep.of(
            alike.joined.digits,
            plan.route,
            alike.joined.weight_des,
            alike.joined.level_q,
            knots.knots,
        )
        log_z_d, meet_p, largest = sweep.run()
        worth_k = {e: meet for e, meet in zip(plan.route.order, meet_p, strict=True) if e < n_knots}
        if knots.knots:
            log_z_d += knots.log_scale_d
            largest = max(largest, *(knot.lattice.length for knot in knots.knots))
            knots.hand_down([worth_k[k] for k in range(n_knots)], meet_des)
    class_dek = np.zeros_like(alike.joined.weight_des)
    for e, meet_dk in zip(plan.route.order, meet_p, strict=True):
        if e >= n_knots:
            class_dek[:, e, : meet_dk.shape[1]] = meet_dk
    meet_des[:, plan.elements] = alike.apart(class_dek)[:, n_knots:]
    return log_z_d, meet_des, largest
