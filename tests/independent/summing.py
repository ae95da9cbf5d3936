"""The sum over all combinations of faults, by writing every bit as a sum of plain products.

A bit is ``open * prod(a) + explained * (what ``b`` and ``c`` make of it)``. Where ``b = c - a`` the
latter is ``prod(c) - prod(a)``; else it is the sum, over the element that explains, of ``a`` before
it, its ``b``, and ``c`` after it. Multiplied out, a job is a sum of products over elements, each
done element by element. Written the first way the sum alternates in sign: extended precision
carries that, and where it does not suffice bits that few elements explain are written the other way.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Wide = NDArray[np.longdouble]
AT_ONCE = 1024
"""Products that are computed together."""

MOST_CANCELLED = 1e-11
"""Share of the sum that rounding may spoil."""


@dataclass
class Bit:
    """Weights of leaving open, explaining, leaving explained; closing open and explained."""

    a_s: NDArray[np.float64]
    b_s: NDArray[np.float64]
    c_s: NDArray[np.float64]
    is_open: float
    is_explained: float

    @property
    def is_free(self) -> bool:
        """Whether the order of the elements does not matter."""
        return np.allclose(self.b_s, self.c_s - self.a_s, rtol=1e-12, atol=1e-15)

    def products(self, first_e: NDArray[np.int64], *, signed: bool) -> tuple[Wide, Wide]:
        """Write the bit as a sum: coefficients, and a factor for each state of every element."""
        a_s, c_s = self.a_s.astype(np.longdouble), self.c_s.astype(np.longdouble)
        if signed:
            explained = np.longdouble(self.is_explained)
            coefficients = [self.is_open - explained, explained]
            rows = [a_s, a_s + self.b_s]
        else:
            rows, edges = [a_s], [*first_e.tolist(), len(a_s)]
            for start, end in itertools.pairwise(edges):
                if self.b_s[start:end].any():
                    rows.append(np.concatenate([a_s[:start], self.b_s[start:end], c_s[end:]]))
            coefficients = [self.is_open] + [self.is_explained] * (len(rows) - 1)
        return np.array(coefficients, dtype=np.longdouble), np.stack(rows)


def add_up(
    weight_s: Wide, bits: list[Bit], first_e: NDArray[np.int64]
) -> tuple[np.longdouble, Wide]:
    """Weight of all combinations of states together, and of those with each state."""
    explaining = [np.add.reduceat(bit.b_s, first_e).astype(bool).sum() for bit in bits]
    free = [b for b in np.argsort(explaining, kind="stable").tolist() if bits[b].is_free]
    for kept in range(len(free) + 1):
        signed = set(free[kept:])
        sums = [bit.products(first_e, signed=b in signed) for b, bit in enumerate(bits)]
        total, of_state, cancelled = _multiply_out(weight_s, sums, first_e)
        if cancelled < MOST_CANCELLED:
            return total, of_state
    raise ArithmeticError("the sum cancels too many digits")


def _multiply_out(
    weight_s: Wide, sums: list[tuple[Wide, Wide]], first_e: NDArray[np.int64]
) -> tuple[np.longdouble, Wide, float]:
    rounding = float(np.finfo(np.longdouble).eps * len(first_e) * len(sums))
    sums = sorted(sums, key=lambda one: len(one[0]))
    together: list[tuple[Wide, Wide]] = []
    while sums and len(sums[0][0]) * np.prod([len(c) for c, _ in together]) <= AT_ONCE:
        together.append(sums.pop(0))
    inner_c, inner_cs = np.ones(1, dtype=np.longdouble), weight_s[None]
    for coefficient_k, factor_ks in together:
        inner_c = np.outer(inner_c, coefficient_k).ravel()
        inner_cs = (inner_cs[:, None] * factor_ks[None]).reshape(-1, len(weight_s))
    total, size = np.longdouble(0), np.longdouble(0)
    of_state = np.zeros(len(weight_s), dtype=np.longdouble)
    count_e = np.diff([*first_e.tolist(), len(weight_s)])
    for choice in itertools.product(*(range(len(c)) for c, _ in sums)):
        outer = [(c[k], f[k]) for k, (c, f) in zip(choice, sums, strict=True)]
        outer_s = np.prod([f for _, f in outer], axis=0) if outer else np.longdouble(1)
        term_cs = inner_cs * outer_s
        of_element_ce = np.add.reduceat(term_cs, first_e, axis=1)
        value_c = inner_c * of_element_ce.prod(axis=1)
        for coefficient, _ in outer:
            value_c = value_c * coefficient
        total += value_c.sum()
        size += np.abs(value_c).sum()
        per_element_ce = np.divide(
            value_c[:, None], of_element_ce, where=of_element_ce > 0, out=0 * of_element_ce
        )
        of_state += np.einsum("cs,cs->s", np.repeat(per_element_ce, count_e, axis=1), term_cs)
    return total, of_state, rounding * float(size / total)
