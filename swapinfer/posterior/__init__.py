"""Exact inference over every combination of faults."""

from __future__ import annotations

from swapinfer.posterior.belief import PassStats, Posterior, PosteriorDraws
from swapinfer.posterior.exact import infer, infer_draws
from swapinfer.posterior.faultsets import FaultSets, fault_sets
from swapinfer.posterior.joint import log_joint
from swapinfer.posterior.uncertain import FaultIntervals, FlipPoints, fault_intervals, flip_points
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
    "fault_intervals",
    "fault_sets",
    "flip_points",
    "infer",
    "infer_draws",
    "log_joint",
    "weigh_findings",
]
