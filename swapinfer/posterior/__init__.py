"""Exact inference over every combination of faults.

Arrays end in their axes: ``d`` draw of the prior, ``e`` element, ``s`` state, ``n`` finding, ``t``
term, ``g`` digit, ``q`` level node, ``h`` fault set. In reading order: `digits` (findings merged),
`order` (who comes when), `lattice` and `knots` (what minds no order, multiplied ahead), `sweep`
(the pass over the others), `passes` (both together), `tree` (fault sets), `bound` (where a pass is
out of reach), `exact` (the answers); on these, `weigh` (why) and `sensitivity` (how sure).
"""

from __future__ import annotations

from swapinfer.posterior.exact import Posterior, fault_sets, infer, level_weights, usual_reading
from swapinfer.posterior.sensitivity import (
    FaultIntervals,
    FlipPoints,
    flip_points,
    intervals_in_reach,
)
from swapinfer.posterior.tree import FaultSets
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
    "Posterior",
    "check_findings",
    "describe_weight",
    "fault_sets",
    "flip_points",
    "infer",
    "intervals_in_reach",
    "level_weights",
    "usual_reading",
    "weigh_findings",
]
