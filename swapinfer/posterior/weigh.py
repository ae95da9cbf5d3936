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
from swapinfer.posterior.exact import Posterior, infer

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
    """Weight of every finding, given those before it, in decibans.

    Attributes
    ----------
    prior_db_e
        Log odds of "faulty in any way" against "good" before the first finding.
    fault_ne
        Change of these log odds by each finding; columns add up to that from prior to posterior.
    rival_e
        For each element the other one that is most probably faulty in the end.
    against_rival_ne
        Change of the log ratio of the fault probabilities of element and rival by each finding.
    """

    prior_db_e: FloatArray
    fault_ne: FloatArray
    rival_e: IntArray
    against_rival_ne: FloatArray


Keeping = Callable[[BoolArray], Arrays]
"""Makes the arrays as if only some findings had been made: what repeats itself counts together."""


def weigh_findings(arrays: Arrays, keeping: Keeping) -> FindingWeights:
    """Weigh the findings of a job one after another, each given those before it."""
    number_n = np.arange(arrays.n_findings)
    prefixes = [infer(keeping(number_n < count)) for count in range(arrays.n_findings + 1)]
    with np.errstate(divide="ignore"):
        log_fault_ne = np.log([posterior.fault_e for posterior in prefixes])
        log_good_ne = np.log([posterior.marginal_es[:, 0] for posterior in prefixes])
    fault_e = prefixes[-1].fault_e
    first, *others = np.argsort(-fault_e, kind="stable")[:2].tolist()
    rival_e = np.full(fault_e.size, first)
    rival_e[first] = others[0] if others else first
    odds_db_ne = DECIBANS_PER_NAT * _less(log_fault_ne, log_good_ne)
    rival_db_ne = DECIBANS_PER_NAT * _less(log_fault_ne, log_fault_ne[:, rival_e])
    return FindingWeights(
        prior_db_e=odds_db_ne[0],
        fault_ne=_less(odds_db_ne[1:], odds_db_ne[:-1]),
        rival_e=rival_e,
        against_rival_ne=_less(rival_db_ne[1:], rival_db_ne[:-1]),
    )


def _less(log_a: FloatArray, log_b: FloatArray) -> FloatArray:
    """Difference of logs; 0 of two equal ones, even of what cannot be at all.

    What was fitted new may have no way to fail: its odds are nothing before and after.
    """
    out: FloatArray = np.subtract(log_a, log_b, out=np.zeros_like(log_a), where=log_a != log_b)
    return out


class FindingChecks(msgspec.Struct, frozen=True, eq=False):
    """What each finding does to the conclusion, and how it agrees with all the others.

    Attributes
    ----------
    decides_n : ndarray of bool, shape (finding,)
        Whether another element would lead without the finding.
    log_given_others_n, log_alone_n : ndarray of float, shape (finding,)
        Natural log of the finding's probability (density) given all the others, and before them.
    log_best_n : ndarray of float, shape (finding,)
        The same given the others and whichever plausible state makes the finding likeliest.
    """

    decides_n: BoolArray
    log_given_others_n: FloatArray
    log_alone_n: FloatArray
    log_best_n: FloatArray

    @property
    def conflict_db_n(self) -> FloatArray:
        """Decibans by which the others make each finding less likely than it was alone."""
        conflict: FloatArray = DECIBANS_PER_NAT * (self.log_alone_n - self.log_given_others_n)
        return conflict

    @property
    def check_again_n(self) -> BoolArray:
        """Whether even what expects a finding most makes it far less likely than it was alone.

        Very strong evidence, on the scale of `describe_weight`, that the finding is wrong.
        """
        return self.log_alone_n - self.log_best_n > WORDS[-2][0] / 2.0


def check_findings(arrays: Arrays, posterior: Posterior, keeping: Keeping) -> FindingChecks:
    """Leave out each finding of a job in turn, given its posterior."""
    number_n = np.arange(arrays.n_findings)
    others = [infer(keeping(number_n != n)) for n in number_n]
    leader = posterior.fault_e.argmax()
    log_given_others_n = posterior.log_evidence - np.array([one.log_evidence for one in others])
    return FindingChecks(
        decides_n=np.array([one.fault_e.argmax() != leader for one in others], dtype=np.bool_),
        log_given_others_n=log_given_others_n,
        log_alone_n=np.array([infer(keeping(number_n == n)).log_evidence for n in number_n]),
        log_best_n=log_given_others_n + [_log_best_gain(posterior, one) for one in others],
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
