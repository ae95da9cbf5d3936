"""Large noisy-OR jobs against inclusion and exclusion at eighty digits.

For noisy-OR terms the evidence is an alternating sum over the sets of terms taken as *not*
observed (D. Heckerman, "A tractable inference algorithm for diagnosing multiple diseases", UAI
1989); in floating point it loses all its digits, at eighty it is an independent yardstick.
"""

from __future__ import annotations

from itertools import combinations

import mpmath
import numpy as np
import pytest
from numpy.typing import NDArray

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import infer
from tests.posterior.engines import Job, make_engine

mpmath.mp.dps = 80
Objects = NDArray[np.object_]


def twelve_cylinders(seed: int) -> Arrays:
    """Five misfiring at once in two equal runs, one in a third; readings: sixty findings."""
    rng = np.random.default_rng(seed)
    job = Job.opened(make_engine(12, rng))
    first = set(rng.choice(12, 5, replace=False).tolist())
    for _ in range(2):
        job.run(20.0, first)
    job.swap("coil", 0, 6)
    job.run(10.0, {min(first)})
    for _ in range(57):
        job.reading(int(rng.integers(len(job.engine.kind_e))), rng)
    return job.arrays()


def exactly(values: NDArray[np.float64]) -> Objects:
    """Doubles as high-precision numbers, without rounding."""
    return np.vectorize(mpmath.mpf, otypes=[object])(values)


def inclusion_exclusion(arrays: Arrays, watched: int) -> tuple[mpmath.mpf, mpmath.mpf]:
    """Evidence, and evidence with the watched element good.

    A term weighs ``1 - (1 - leak) * product(open)``. Equal terms are expanded together:
    ``(1 - x)^k`` is a sum of powers of x with binomial signs.
    """
    groups: dict[bytes, list[int]] = {}
    for term in range(arrays.finding_t.size):
        groups.setdefault(arrays.open_tes[term].tobytes(), []).append(term)
    used = arrays.prior_es > 0
    first_e = np.concatenate([[0], np.cumsum(used.sum(axis=1))[:-1]])
    weight_s = exactly(arrays.prior_es[used]) * np.vectorize(mpmath.exp, otypes=[object])(
        arrays.log_factor_nes.sum(axis=0)[used]
    )
    steps = [
        (
            len(members),
            exactly(arrays.open_tes[members[0]][used]),
            mpmath.mpf(float(arrays.close_qt2[0, members[0], 0])) - 1,
        )
        for members in groups.values()
    ]

    def total(depth: int, product_s: Objects, sign: mpmath.mpf) -> tuple[mpmath.mpf, mpmath.mpf]:
        if depth == len(steps):
            sum_e = np.add.reduceat(product_s, first_e)
            whole = sign * mpmath.fprod(sum_e)
            return whole, whole / sum_e[watched] * product_s[first_e[watched]]
        count, open_s, minus_quiet = steps[depth]
        evidence = with_good = mpmath.mpf(0)
        for power in range(count + 1):
            ways = mpmath.binomial(count, power) * minus_quiet**power
            part, good_part = total(depth + 1, product_s, sign * ways)
            evidence, with_good = evidence + part, with_good + good_part
            product_s = product_s * open_s
        return evidence, with_good

    return total(0, weight_s, mpmath.mpf(1))


def test_five_cylinders_at_once_on_twelve() -> None:
    arrays = twelve_cylinders(seed=1)
    assert len(arrays.elements) > 90
    assert arrays.n_findings == 60
    posterior = infer(arrays)
    assert posterior.stats.digits < posterior.stats.terms
    watched = int(np.argmin(np.abs(posterior.fault_e - 0.5)))
    evidence, with_good = inclusion_exclusion(arrays, watched)
    assert evidence < 1e-30
    assert posterior.log_evidence == pytest.approx(float(mpmath.log(evidence)), rel=1e-12)
    good = float(with_good / evidence)
    assert posterior.marginal_es[watched, 0] == pytest.approx(good, rel=1e-9)


def test_the_yardstick_against_plain_enumeration_of_two_terms() -> None:
    """Check of the check: with two terms, four signs written out."""
    rng = np.random.default_rng(2)
    job = Job.opened(make_engine(3, rng))
    job.run(20.0, {0, 2})
    arrays = job.arrays()
    weight_es = arrays.prior_es * np.exp(arrays.log_factor_nes.sum(axis=0))
    quiet_t = 1 - arrays.close_qt2[0, :, 0]
    total = 0.0
    for size in range(3):
        for chosen in combinations(range(2), size):
            open_es = arrays.open_tes[list(chosen)].prod(axis=0)
            total += (
                (-1) ** size
                * quiet_t[list(chosen)].prod()
                * (weight_es * open_es).sum(axis=1).prod()
            )
    evidence, _ = inclusion_exclusion(arrays, 0)
    assert float(evidence) == pytest.approx(total, rel=1e-9)
