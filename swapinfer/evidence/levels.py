"""Unknowns that findings share: what a sound one shows on this gauge, or on this engine."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, IntArray, Term, distinct
from swapinfer.evidence.looks import Observation
from swapinfer.ledger.events import Opened
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import GOOD, OVER_LIMIT, Level, Test
from swapinfer.physics import expected_cranking_kpa

WIDTH = 5.0
"""Standard deviations of the prior that the nodes span on either side, and more where readings
lie beyond."""

BEYOND = 7.0
"""Standard deviations of a good reading by which the nodes reach beyond the readings."""

SPACING = 1.2
"""Distance between nodes, in standard deviations of what the readings together leave open."""

WIDER = (1.0, 1.4, 2.0)
"""Factors on it, tried in turn, where several unknowns have too many nodes together. In the jobs
tried the second moved no marginal by more than 0.0002, the last by 0.012."""

MOST_COMBINED = 400
"""Combinations of the nodes of all unknowns from which they are set wider apart, and then gathered
into fewer. In the jobs tried that moved no marginal by more than 0.02."""

FEWEST = 3
"""Nodes that each unknown keeps in any case."""

WIDE_OPEN = 5.0
"""Spreads of sound ones beyond which a level says little of one reading alone; our choice."""

SUSPICION = 0.01
"""Weight given to a reading's being low for a reason of its own when nodes are left out."""

NEGLIGIBLE = 1e-8
"""Nodes whose largest possible weight is below this share of the best are left out."""

KPA = {"kPa": 1.0, "psi": 6.894757293168361, "bar": 100.0}


class Nodes(Struct, frozen=True, eq=False):
    """Nodes of one unknown, with weights that sum to 1."""

    # Offset on the test's scale that readings have in common, infinite where all sound ones are
    # over the meter's limit; the number of the outcome that all sound ones show, counted from 1, or
    # 0 for none, where it is an inspection
    value_q: FloatArray
    weight_q: FloatArray

    def gathered(self, log_best_q: FloatArray, most: int) -> Nodes:
        """Gather nodes into fewer, so that what the readings weigh in all stays what it was.

        Infinite nodes stay, besides `most` others. Given the log of the largest weight that each
        may have, nodes of little weight are gathered with more of their neighbours.
        """
        apart = ~np.isfinite(self.value_q)
        value_q, log_q = self.value_q[~apart], log_best_q[~apart]
        if len(value_q) <= most:
            return self
        best_q = np.exp(log_q - log_q.max())
        reach_q = np.cumsum(np.sqrt(best_q))
        middle_q = (reach_q - 0.5 * np.sqrt(best_q)) / reach_q[-1]
        group_q = np.minimum(most * middle_q, most - 1).astype(np.int64)
        weighed_g = np.bincount(group_q, best_q, most)
        filled = weighed_g > 0.0
        sum_g = np.bincount(group_q, best_q * value_q, most)
        value_g: FloatArray = sum_g[filled] / weighed_g[filled]
        log_read_g = np.interp(value_g, value_q, log_q - np.log(self.weight_q[~apart]))
        weight_g = weighed_g[filled] * np.exp(log_q.max() - log_read_g)
        return Nodes(
            np.append(value_g, self.value_q[apart]), np.append(weight_g, self.weight_q[apart])
        )


NO_NODES = Nodes(np.zeros(1), np.ones(1))
"""Nothing is shared: an offset of 0."""


class Levels(Struct, frozen=True, eq=False):
    """All unknowns of a job: every combination of the nodes of those that are told apart."""

    values: Mapping[str, FloatArray]  # name of each unknown to its node in every combination
    weight_q: FloatArray  # product of the weights
    alone: Mapping[str, Nodes]  # unknowns of a single observation, which are summed out of its term

    @classmethod
    def of_job(
        cls, job: Job, seen: Sequence[Observation], supposed: dict[str, Nodes], told: str = ""
    ) -> Levels:
        """Combine the nodes of independent unknowns: of what was seen, and of what is supposed.

        A meter over its limit tells nothing of a level, unless all sound ones may show that. One
        unknown may be `told` apart, be it of a single observation.
        """
        sharing: dict[str, list[Observation]] = {}
        for one in seen:
            name = level_name(one.view.test)
            if name and (one.view.test.alike or not math.isinf(one.seen.value)):
                sharing.setdefault(name, []).append(one)
        single = {name for name, some in sharing.items() if len(some) == 1 and name != told}
        alone = {name: _nodes(job, sharing.pop(name), WIDER[0])[0] for name in single}
        others = math.prod(len(one.value_q) for one in supposed.values())
        weight_q, values = np.ones(1), dict[str, FloatArray]()
        for name, nodes in (_gathered(job, sharing, others) | supposed).items():
            n = len(nodes.value_q)
            values = {other: np.repeat(value_q, n) for other, value_q in values.items()}
            values[name] = np.tile(nodes.value_q, len(weight_q))
            weight_q = np.outer(weight_q, nodes.weight_q).ravel()
        return cls(values, weight_q, alone)

    def term(self, one: Observation) -> Term:
        """Return the term of what was seen."""
        name = level_name(one.view.test)
        if name in self.alone:
            nodes = self.alone[name]
            return one.term(nodes.value_q).averaged(nodes.weight_q)
        return one.term(self.values.get(name))

    def reading(self, test: Test, weight_q: FloatArray) -> float | None:
        """Say what a sound one is expected to show, in the test's unit.

        Given the posterior weights of the combinations; None where no reading has told anything of
        it.
        """
        value_q = self.values.get(level_name(test))
        if value_q is None:
            return None
        shown_q = np.exp(value_q) if test.scale == "log" else value_q
        return float(shown_q @ weight_q) if np.isfinite(shown_q).all() else None


def level_name(test: Test) -> str:
    """Name of the unknown that a test is relative to; empty if it is to none."""
    return test.level.name if test.level else test.id if test.alike else ""


def expected_level(test: Test, opening: Opened) -> float | None:
    """Say what a sound one is expected to show on this vehicle before any is read.

    Median of the test's level, in its unit; None if it has none.
    """
    return _median(test, test.level, opening) if test.level else None


def _median(test: Test, level: Level, opening: Opened) -> float:
    if level.formula == "fixed":
        return level.median
    ratio = opening.compression_ratio or level.compression_ratio
    kpa = expected_cranking_kpa(ratio, level.exponent, level.fill, opening.altitude_m or 0.0)
    return kpa / KPA[test.unit]


def level_prior(test: Test, level: Level, opening: Opened) -> tuple[float, float]:
    """Mean and standard deviation of a level on the test's scale.

    The deviation is what sound ones and meters vary by, together.
    """
    apart = math.hypot(test.on_scale(level.spread), test.on_scale(level.gauge_spread))
    return test.on_scale(_median(test, level, opening)), apart


def tells_little(test: Test, opening: Opened) -> bool:
    """Say whether a level lies so wide open beforehand that one reading alone cannot be judged.

    That is, whether the prior's spread exceeds `WIDE_OPEN` times that of good readings.
    """
    if test.level is None:
        return False
    _, _, good_sd = test.curves[GOOD].heaviest
    return level_prior(test, test.level, opening)[1] > WIDE_OPEN * good_sd


def level_nodes(
    test: Test, opening: Opened, readings: Sequence[float], wider: float = 1.0
) -> Nodes:
    """Nodes and weights of the normal prior of a test's level; a single 0 where it has none.

    Equally spaced on the test's scale, and reaching beyond all readings that share the level: for
    smooth integrands that vanish at both ends the trapezoid rule converges faster than any power of
    the spacing, on which `wider` is a factor.

    References
    ----------
    Trefethen, L. N. & Weideman, J. A. C. (2014), SIAM Review 56(3), 385-458.
    """
    if test.level is None:
        return NO_NODES
    good = test.curves[GOOD]
    middle, sd = level_prior(test, test.level, opening)
    _, good_at, good_sd = good.heaviest
    implied = [value - test.on_scale(good_at) for value in readings]
    low = min([middle - WIDTH * sd, *(x - BEYOND * good_sd for x in implied)])
    high = max([middle + WIDTH * sd, *(x + BEYOND * good_sd for x in implied)])
    finest = min(lobe_sd for _, _, lobe_sd in good.lobes) / math.sqrt(max(len(readings), 1))
    count = 1 + math.ceil((high - low) / (wider * SPACING * finest))
    value_q = np.linspace(low, high, count)
    log_q = -0.5 * ((value_q - middle) / sd) ** 2
    over = test.alike.get(OVER_LIMIT, 0.0)
    weight_q = (1.0 - over) * np.exp(log_q - np.logaddexp.reduce(log_q))
    if not over:
        return Nodes(value_q, weight_q)
    return Nodes(np.append(value_q, np.inf), np.append(weight_q, over))


def alike_nodes(test: Test) -> Nodes:
    """Nodes of what all sound ones of an engine show alike in an inspection.

    0 for nothing in common, then the number of each such outcome, counted from 1.
    """
    weights = [1.0 - math.fsum(test.alike.values()), *test.alike.values()]
    return Nodes(np.arange(len(weights), dtype=float), np.array(weights))


def _gathered(
    job: Job, sharing: Mapping[str, Sequence[Observation]], others: int
) -> dict[str, Nodes]:
    """Nodes of every unknown, without those that cannot matter.

    `others` is how many combinations of other nodes each of these is to be combined with besides.
    """
    for wider in WIDER:
        nodes = {name: _nodes(job, some, wider) for name, some in sharing.items()}
        if others * math.prod(len(one.value_q) for one, _ in nodes.values()) <= MOST_COMBINED:
            break
    count = {name: len(one.value_q) for name, (one, _) in nodes.items()}
    while others * math.prod(count.values()) > MOST_COMBINED and max(count.values()) > FEWEST:
        count[max(count, key=count.__getitem__)] -= 1
    return {name: one.gathered(best_q, count[name]) for name, (one, best_q) in nodes.items()}


def _nodes(job: Job, seen: Sequence[Observation], wider: float) -> tuple[Nodes, FloatArray]:
    """Nodes of one unknown, and the log of the largest weight that each may have."""
    test = seen[0].view.test
    if not test.level:
        alike = alike_nodes(test)
        return alike, np.log(alike.weight_q)
    values = [test.on_scale(one.seen.value) for one in seen if math.isfinite(one.seen.value)]
    nodes = level_nodes(test, job.opening, values, wider)
    common_e = np.all([one.view.seen_e for one in seen], axis=0)
    readings = [
        (one.chances(nodes.value_q).exact_qp, distinct(one.view.profile_es[common_e]))
        for one in seen
    ]
    log_best_q = _largest_weights(nodes.weight_q, readings)
    keep_q = log_best_q >= log_best_q.max() + math.log(NEGLIGIBLE)
    return Nodes(nodes.value_q[keep_q], nodes.weight_q[keep_q]), log_best_q[keep_q]


def _largest_weights(
    weight_q: FloatArray, readings: Sequence[tuple[FloatArray, IntArray]]
) -> FloatArray:
    """Say how much weight each node may have at most, roughly, as natural logs.

    That is much if the readings are near what good cylinders show there, but for a few that have a
    reason of their own, or near what a cause common to all of them makes them show. Of each reading
    its likelihood under each profile is given, shape (level, profile), and the profiles that a
    cause common to all readings may show.
    """
    with np.errstate(divide="ignore"):
        log_own_q, log_common_q = np.log(weight_q), np.log(weight_q * SUSPICION)
    for likelihood_qp, common_p in readings:
        best_q = SUSPICION * likelihood_qp.max(axis=1)
        log_own_q = log_own_q + np.log(np.maximum(likelihood_qp[:, 0], best_q))
        common_q = likelihood_qp[:, common_p].max(axis=1, initial=0.0)
        log_common_q = log_common_q + np.log(np.maximum(common_q, best_q))
    log_best_q: FloatArray = np.maximum(log_own_q, log_common_q)
    return log_best_q
