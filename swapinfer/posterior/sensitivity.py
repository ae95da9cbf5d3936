"""How far the conclusion depends on the priors: intervals over draws, and flip points."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import numpy as np

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray, IntArray
from swapinfer.posterior.exact import Posterior, infer, infer_draws

DRAWS = ((1_024, 200), (8_192, 60), (131_072, 20))
"""Largest message of a pass, and how often it is repeated under other priors."""

NEGLIGIBLE = 1e-4
"""Nodes below this posterior weight are passed over where many passes are made."""

SEED = 1
"""Of the draws of the priors: always the same ones, so that an interval can be repeated."""


class FaultIntervals(msgspec.Struct, frozen=True, eq=False):
    """Spread of each element's fault probability over draws of the priors.

    Attributes
    ----------
    low_e, median_e, high_e : ndarray of float, shape (element,)
        Quantiles over the draws.
    fault_de : ndarray of float, shape (draw, element)
        Fault probability under each draw.
    """

    low_e: FloatArray
    median_e: FloatArray
    high_e: FloatArray
    fault_de: FloatArray


def intervals_in_reach(
    arrays: Arrays,
    posterior: Posterior,
    level_weight_q: FloatArray,
    draw: Callable[[int, int], FloatArray],
) -> FaultIntervals | None:
    """Compute a job's intervals over as many draws of the priors as are in reach.

    How many are goes by the size of the pass, not by time, so that every machine says the same;
    None where no draw is.

    Parameters
    ----------
    arrays, posterior : Arrays, Posterior
        Findings as arrays, and their posterior.
    level_weight_q : ndarray of float, shape (level node,)
        From `level_weights`; nodes of next to no weight are passed over.
    draw : callable
        Number of draws and seed to priors, shape (draw, element, state).
    """
    kept_q = level_weight_q >= NEGLIGIBLE
    size = posterior.stats.largest * float(kept_q.mean())
    count = next((draws for largest, draws in DRAWS if size <= largest), 0)
    if not posterior.exact or not count:
        return None
    return fault_intervals(arrays.at_nodes(kept_q), draw(count, SEED))


def fault_intervals(arrays: Arrays, prior_des: FloatArray, level: float = 0.9) -> FaultIntervals:
    """Compute central intervals of the fault probabilities over draws of the priors.

    The priors have shape (draw, element, state), and rows that sum to 1; that of the arrays is not
    used. Each interval holds a share `level` of the draws, its ends by linear interpolation.
    """
    fault_de = infer_draws(arrays, prior_des).marginal_des[:, :, 1:].sum(axis=2)
    tail = (1.0 - level) / 2.0
    low_e, median_e, high_e = np.quantile(fault_de, [tail, 0.5, 1.0 - tail], axis=0)
    return FaultIntervals(low_e, median_e, high_e, fault_de)


class FlipPoints(msgspec.Struct, frozen=True, eq=False):
    """How much less likely the leader must have been beforehand to fall behind each rival.

    Attributes
    ----------
    leader : int
        Most probably faulty element.
    rival_r : ndarray of int, shape (rival,)
        All other elements, the closest rival first.
    factor_r : ndarray of float, shape (rival,)
        The leader stays in front of the rival unless its prior odds are multiplied by less than
        this; equally, unless the rival's are multiplied by more than its inverse. At most 1.
    """

    leader: int
    rival_r: IntArray
    factor_r: FloatArray


def flip_points(arrays: Arrays, posterior: Posterior) -> FlipPoints:
    """Compute the flip point of the leader against every rival.

    Notes
    -----
    Multiplying the leader's prior odds by ``x``, the mix of its faults unchanged, multiplies
    the weight of every combination in which it is faulty by ``x``. Leader and rival are then
    equally probable if ``x (both + leader only) = x both + rival only``, that is at ::

        x = P(rival faulty, leader good) / P(leader faulty, rival good)

    whatever else is faulty besides. The two pair probabilities come from two more passes, with
    the leader clamped to good and to faulty.
    """
    leader = int(posterior.fault_e.argmax())
    is_good_s = np.arange(arrays.prior_es.shape[1]) == 0
    leader_good = posterior.marginal_es[leader, 0]
    rival_only_e = np.zeros(len(arrays.elements))
    if leader_good > 0:
        rival_only_e = leader_good * _given(arrays, leader, is_good_s).fault_e
    given_faulty = _given(arrays, leader, ~is_good_s)
    leader_only_e = posterior.fault_e[leader] * given_faulty.marginal_es[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        factor_e = rival_only_e / leader_only_e
    rivals = np.delete(np.arange(len(arrays.elements)), leader)
    rival_r = rivals[np.argsort(-factor_e[rivals], kind="stable")]
    return FlipPoints(leader, rival_r, factor_e[rival_r])


def _given(arrays: Arrays, element: int, keep_s: BoolArray) -> Posterior:
    """Infer with one element known to be in one of some states."""
    prior_es = arrays.prior_es.copy()
    prior_es[element] *= keep_s
    prior_es[element] /= prior_es[element].sum()
    return infer(arrays.with_prior(prior_es))
