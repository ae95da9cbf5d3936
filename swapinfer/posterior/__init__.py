"""Exact inference over every combination of faults."""

from __future__ import annotations

from swapinfer.posterior.exact import (
    PassStats,
    Posterior,
    PosteriorDraws,
    infer,
    infer_draws,
)
from swapinfer.posterior.faultsets import FaultSets, fault_sets, log_joint

__all__ = [
    "FaultSets",
    "PassStats",
    "Posterior",
    "PosteriorDraws",
    "fault_sets",
    "infer",
    "infer_draws",
    "log_joint",
]
