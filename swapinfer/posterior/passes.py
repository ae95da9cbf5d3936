"""Choosing and running the pass that a prepared problem needs."""

from __future__ import annotations

import numpy as np

from swapinfer.errors import EvidenceError
from swapinfer.evidence.problem import FloatArray
from swapinfer.posterior.alike import join_alike
from swapinfer.posterior.belief import PosteriorDraws
from swapinfer.posterior.blocks import BlockPass
from swapinfer.posterior.prepare import IMPOSSIBLE, Prepared
from swapinfer.posterior.route import BLOCK_LIMIT, Route, plan_route
from swapinfer.posterior.sweep import Sweep

EXACT_LIMIT = 2**19
"""Entries of the longest message that is still passed exactly."""

CHUNK = 2**21
"""Entries of all messages of a pass together; prior draws are taken in chunks that fit."""


def route_of(prepared: Prepared, *, keep: bool = True) -> Route:
    """Plan the pass of a prepared problem."""
    n_states_e = (prepared.weight_des > 0).any(axis=0).sum(axis=1)
    return plan_route(prepared.digits, n_states_e, keep=keep)


def is_within_bound(prepared: Prepared, route: Route) -> bool:
    """Say whether the route's longest message may be passed exactly."""
    levels = prepared.level_q.size if route.is_wide else 1
    return route.peak(prepared.digits) * levels <= EXACT_LIMIT


def run_passes(prepared: Prepared, route: Route) -> tuple[PosteriorDraws, int]:
    """Go forward and back along a route.

    Parameters
    ----------
    prepared : Prepared
        Weights and digits.
    route : Route
        As planned.

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
    weight_des = prepared.weight_des
    passed = list(route.order)
    total_de = weight_des.sum(axis=2)
    marginal_des = weight_des / total_de[:, :, None]
    total_de[:, passed] = 1.0
    log_evidence_d = np.log(total_de).sum(axis=1) + prepared.log_shift
    largest = 1
    if passed:
        alike = join_alike(prepared)
        log_z_d, meet_dpk, largest = _run(alike.joined, route)
        log_evidence_d += log_z_d
        meet_dps = alike.apart(meet_dpk, passed)
        marginal_des[:, passed] = meet_dps / meet_dps.sum(axis=2, keepdims=True)
    if not np.isfinite(log_evidence_d).all():
        raise EvidenceError(IMPOSSIBLE)
    return PosteriorDraws(log_evidence_d, marginal_des), largest


def _run(prepared: Prepared, route: Route) -> tuple[FloatArray, FloatArray, int]:
    """Run the pass that suits the route, draws in chunks that fit in memory."""
    passes = BlockPass if route.size(prepared.digits) <= BLOCK_LIMIT else Sweep
    by_state = route.peak(prepared.digits) * prepared.weight_des.shape[2]
    chunk = max(1, CHUNK // (by_state * len(route.order)))
    parts = []
    for start in range(0, len(prepared.weight_des), chunk):
        weight_des = prepared.weight_des[start : start + chunk]
        one = passes.of(prepared.digits, route, weight_des, prepared.level_q)
        parts.append(one.run())
    log_z_d, meet_dps = (np.concatenate(part) for part in zip(*parts, strict=True))
    return log_z_d, meet_dps, one.largest
