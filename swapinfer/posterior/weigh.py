"""Why: what each finding weighs for and against each element, in decibans.

The weight of evidence is ten times the common logarithm of a Bayes factor (I. J. Good,
*Probability and the Weighing of Evidence*, Griffin, 1950, chapter 6). Findings are weighed one
after another, each given those before it, so that the weights of an element add up exactly to
the change of its log odds. A finding's own weight therefore depends on its place: of two that say
the same, the first takes the credit. Leaving out one finding at a time does not depend on order.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import numpy as np

from swapinfer.evidence.arrays import Arrays, BoolArray, FloatArray, IntArray
from swapinfer.posterior.belief import Posterior
from swapinfer.posterior.exact import infer

DECIBANS_PER_NAT = 10.0 / np.log(10.0)

PLAUSIBLE = 0.01
"""Posterior probability from which a state counts as an explanation."""

WORDS = (
    (2.0, "not worth more than a bare mention"),
    (6.0, "positive"),
    (10.0, "strong"),
    (np.inf, "very strong"),
)
"""Upper bounds of twice the natural log of the Bayes factor, and the word below each."""


class FindingWeights(msgspec.Struct, frozen=True, eq=False):
    """Weight of every finding, given those before it.

    Attributes
    ----------
    prior_db_e : ndarray of float, shape (element,)
        Log odds of "faulty in any way" against "good" before the first finding, in decibans.
    fault_ne : ndarray of float, shape (finding, element)
        Change of these log odds by each finding.
    rival_e : ndarray of int, shape (element,)
        For each element the other one that is most probably faulty in the end.
    prior_rival_db_e : ndarray of float, shape (element,)
        Log ratio of the fault probabilities of element and rival before the first finding.
    against_rival_ne : ndarray of float, shape (finding, element)
        Change of this log ratio by each finding.
    """

    prior_db_e: FloatArray
    fault_ne: FloatArray
    rival_e: IntArray
    prior_rival_db_e: FloatArray
    against_rival_ne: FloatArray


Keeping = Callable[[BoolArray], Arrays]
"""Makes the arrays as if only some findings had been made: what repeats itself counts together."""


def weigh_findings(arrays: Arrays, keeping: Keeping | None = None) -> FindingWeights:
    """Weigh the findings of a job one after another.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    keeping : callable, optional
        Makes the arrays of some of the findings; by default their terms and factors are taken.

    Returns
    -------
    FindingWeights
        Columns add up to the change of the log odds from prior to posterior.
    """
    keep, number_n = keeping or arrays.keeping, np.arange(arrays.n_findings)
    prefixes = [infer(keep(number_n < count)) for count in range(arrays.n_findings + 1)]
    with np.errstate(divide="ignore"):
        log_fault_ne = np.log([posterior.fault_e for posterior in prefixes])
        log_good_ne = np.log([posterior.marginal_es[:, 0] for posterior in prefixes])
    rival_e = _rivals(prefixes[-1].fault_e)
    odds_db_ne = DECIBANS_PER_NAT * _less(log_fault_ne, log_good_ne)
    rival_db_ne = DECIBANS_PER_NAT * _less(log_fault_ne, log_fault_ne[:, rival_e])
    return FindingWeights(
        prior_db_e=odds_db_ne[0],
        fault_ne=_less(odds_db_ne[1:], odds_db_ne[:-1]),
        rival_e=rival_e,
        prior_rival_db_e=rival_db_ne[0],
        against_rival_ne=_less(rival_db_ne[1:], rival_db_ne[:-1]),
    )


def _less(log_a: FloatArray, log_b: FloatArray) -> FloatArray:
    """Difference of logs; 0 of two equal ones, even of what cannot be at all.

    What was fitted new may have no way to fail: its odds are nothing before and after.
    """
    out: FloatArray = np.subtract(log_a, log_b, out=np.zeros_like(log_a), where=log_a != log_b)
    return out


def _rivals(fault_e: FloatArray) -> IntArray:
    if fault_e.size == 1:
        return np.zeros(1, dtype=np.int64)
    first, second = np.argsort(-fault_e, kind="stable")[:2].tolist()
    rival_e: IntArray = np.where(np.arange(fault_e.size) == first, second, first)
    return rival_e


class FindingChecks(msgspec.Struct, frozen=True, eq=False):
    """What each finding does to the conclusion, and how it agrees with all the others.

    Attributes
    ----------
    fault_ne : ndarray of float, shape (finding, element)
        Fault probability of each element without that finding.
    leader_n : ndarray of int, shape (finding,)
        Most probably faulty element without that finding.
    decides_n : ndarray of bool, shape (finding,)
        Whether removing the finding changes the leader.
    log_given_others_n : ndarray of float, shape (finding,)
        Natural log of the finding's probability (density) given all the others.
    log_alone_n : ndarray of float, shape (finding,)
        The same before any other finding.
    log_best_n : ndarray of float, shape (finding,)
        The same given the others and whichever plausible state makes the finding likeliest.
    check_again_n : ndarray of bool, shape (finding,)
        Whether even that is far less than before any finding: very strong evidence, on the scale
        of `describe_weight`, that something is wrong with the finding.
    """

    fault_ne: FloatArray
    leader_n: IntArray
    decides_n: BoolArray
    log_given_others_n: FloatArray
    log_alone_n: FloatArray
    log_best_n: FloatArray
    check_again_n: BoolArray

    @property
    def conflict_db_n(self) -> FloatArray:
        """Decibans by which the others make each finding less likely than it was alone."""
        conflict: FloatArray = DECIBANS_PER_NAT * (self.log_alone_n - self.log_given_others_n)
        return conflict


def check_findings(
    arrays: Arrays, posterior: Posterior, keeping: Keeping | None = None
) -> FindingChecks:
    """Leave out each finding in turn.

    Parameters
    ----------
    arrays : Arrays
        Findings as arrays.
    posterior : Posterior
        Its posterior.
    keeping : callable, optional
        As for `weigh_findings`.

    Returns
    -------
    FindingChecks
        One entry a finding.
    """
    keep, number_n = keeping or arrays.keeping, np.arange(arrays.n_findings)
    others = [infer(keep(number_n != n)) for n in range(arrays.n_findings)]
    fault_ne = np.array([one.fault_e for one in others]).reshape(-1, len(arrays.elements))
    leader_n = fault_ne.argmax(axis=1)
    log_given_others_n = posterior.log_evidence - np.array([one.log_evidence for one in others])
    log_alone_n = np.array([infer(keep(number_n == n)).log_evidence for n in number_n])
    log_best_n = log_given_others_n + [_log_best_gain(posterior, one) for one in others]
    very_strong = WORDS[-2][0] / 2.0
    return FindingChecks(
        fault_ne=fault_ne,
        leader_n=leader_n,
        decides_n=leader_n != posterior.fault_e.argmax(),
        log_given_others_n=log_given_others_n,
        log_alone_n=log_alone_n,
        log_best_n=log_best_n,
        check_again_n=log_alone_n - log_best_n > very_strong,
    )


def _log_best_gain(posterior: Posterior, without: Posterior) -> float:
    """Return log of max over plausible states of p(finding | others, state) / p(finding | others).

    By Bayes' rule that ratio is the state's posterior with the finding over that without.
    """
    plausible = without.marginal_es >= PLAUSIBLE
    gain: FloatArray = posterior.marginal_es[plausible] / without.marginal_es[plausible]
    return float(np.log(gain.max()))


def describe_weight(decibans: float) -> str:
    """Put a weight of evidence into words.

    Parameters
    ----------
    decibans : float
        Ten times the common log of a Bayes factor; negative is evidence against.

    Returns
    -------
    str
        ``"strong evidence for"`` and the like.

    References
    ----------
    Kass, R. E. & Raftery, A. E. (1995), "Bayes factors", J. Am. Stat. Assoc. 90, 773-795,
    section 3.2. Of its two columns, which do not quite agree, twice the natural log is used.

    Examples
    --------
    >>> describe_weight(13.1)
    'strong evidence for'
    >>> describe_weight(-3.0)
    'not worth more than a bare mention'
    """
    twice_log = 2.0 * abs(decibans) / DECIBANS_PER_NAT
    word = next(word for bound, word in WORDS if twice_log <= bound)
    if word == WORDS[0][1]:
        return word
    return f"{word} evidence {'for' if decibans > 0 else 'against'}"
