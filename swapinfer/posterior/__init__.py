"""Exact inference over every combination of faults."""

from __future__ import annotations

from swapinfer.posterior.belief import FaultSets, PassStats, Posterior, PosteriorDraws
from swapinfer.posterior.exact import infer, infer_draws, level_weights, usual_reading
from swapinfer.posterior.faultsets import fault_sets
from swapinfer.posterior.joint import log_joint
from swapinfer.posterior.sensitivity import (
    FaultIntervals,
    FlipPoints,
    draws_in_reach,
    fault_intervals,
    flip_points,
    intervals_in_reach,
)
from swapinfer.posterior.weigh import (
    FindingChecks,
    FindingWeights,
    check_findings,
    describe_weight,
    weigh_findings,
)

__all__ = [
    "FaultIntervals",
    "FaultSets",
    "FindingChecks",
    "FindingWeights",
    "FlipPoints",
    "PassStats",
    "Posterior",
    "PosteriorDraws",
    "check_findings",
    "describe_weight",
    "draws_in_reach",
    "fault_intervals",
    "fault_sets",
    "flip_points",
    "infer",
    "infer_draws",
    "intervals_in_reach",
    "level_weights",
    "log_joint",
    "usual_reading",
    "weigh_findings",
]
