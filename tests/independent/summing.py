"""The sum over all combinations of faults, by writing every bit as a sum of plain products.

A bit is ``open * prod(a) + explained * (what ``b`` and ``c`` make of it)``. Where ``b = c - a`` the
latter is ``prod(a + b) - prod(a)``; else it is the sum, over the element that explains, of ``a``
before it, its ``b``, and ``c`` after it. Multiplied out, a job is a sum of products over elements,
each done element by element. The sum alternates in sign: extended precision carries it, and where
that does not suffice whole numbers of many digits do.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[Any]
"""Extended floats, or whole numbers that count units of ``2**-BINARY_DIGITS``."""

MOST_CANCELLED = 1e-11
"""Share of the sum that rounding may spoil."""

BINARY_DIGITS = 320


@dataclass
class Bit:
    """Weights of leaving open, explaining, leaving explained; closing open and explained."""

    a_s: NDArray[np.float64]
    b_s: NDArray[np.float64]
    c_s: NDArray[np.float64]
    is_open: float
    is_explained: float

    def products(self, first_e: NDArray[np.int64], numbers: Arithmetic) -> tuple[Numbers, Numbers]:
        """Write the bit as a sum: coefficients, and a factor for each state of every element."""
        a_s, b_s, c_s = numbers.of(self.a_s), numbers.of(self.b_s), numbers.of(self.c_s)
        is_open, explained = numbers.of(np.array([self.is_open, self.is_explained]))
        if np.allclose(self.b_s, self.c_s - self.a_s, rtol=1e-12, atol=1e-15):
            both = np.array([is_open - explained, explained]), np.stack([a_s, a_s + b_s])
            return both if explained else (both[0][:1], both[1][:1])
        rows, edges = [a_s], [*first_e.tolist(), len(a_s)]
        for start, end in itertools.pairwise(edges):
            if self.b_s[start:end].any():
                rows.append(np.concatenate([a_s[:start], b_s[start:end], c_s[end:]]))
        return np.array([is_open] + [explained] * (len(rows) - 1)), np.stack(rows)


class Extended:
    """Floats with some digits more."""

    precision = float(np.finfo(np.longdouble).eps)

    @staticmethod
    def of(values: NDArray[np.float64]) -> Numbers:
        return values.astype(np.longdouble)

    @staticmethod
    def times(x: Numbers, y: Numbers) -> Numbers:
        return x * y

    @staticmethod
    def over(x: Numbers, y: Numbers) -> Numbers:
        return np.divide(x, y, where=y > 0, out=0 * (x + y))

    @staticmethod
    def back(x: np.longdouble) -> np.longdouble:
        return x


class Whole:
    """Fixed point of many digits."""

    precision = 2.0**-200

    @staticmethod
    def of(values: NDArray[np.float64]) -> Numbers:
        ratios = (value.as_integer_ratio() for value in values.tolist())
        return np.array([(n << BINARY_DIGITS) // d for n, d in ratios], dtype=object)

    @staticmethod
    def times(x: Numbers, y: Numbers) -> Numbers:
        return (x * y) >> BINARY_DIGITS

    @staticmethod
    def over(x: Numbers, y: Numbers) -> Numbers:
        return (x << BINARY_DIGITS) // np.maximum(y, 1)

    @staticmethod
    def back(x: int) -> np.longdouble:
        return np.ldexp(np.longdouble(x >> (BINARY_DIGITS - 200)), -200)


Arithmetic: TypeAlias = type[Extended] | type[Whole]


def add_up(
    weight_s: NDArray[np.float64], bits: list[Bit], first_e: NDArray[np.int64]
) -> tuple[np.longdouble, NDArray[np.longdouble]]:
    """Weight of all combinations of states together, and of those with each state."""
    for numbers in (Extended, Whole):
        sums = [bit.products(first_e, numbers) for bit in bits]
        total, size, of_state = _multiply_out(numbers.of(weight_s), sums, first_e, numbers)
        if total > 0 and size * len(first_e) * numbers.precision < MOST_CANCELLED * total:
            break
    return numbers.back(total), np.array([numbers.back(mass) for mass in of_state])


def _multiply_out(
    weight_s: Numbers,
    sums: list[tuple[Numbers, Numbers]],
    first_e: NDArray[np.int64],
    num: Arithmetic,
) -> tuple[Any, Any, Numbers]:
    """Total, the sum of absolute values, and the total with each state.

    Every bit is an axis; an element is only spread over the axes of bits on which it acts.
    """
    n = len(sums)
    value = num.of(np.ones((1,) * n).ravel()).reshape((1,) * n)
    for axis, (coefficient_k, _) in enumerate(sums):
        value = num.times(value, _along(axis, n, coefficient_k))
    (one,) = num.of(np.ones(1))
    edges = [*first_e.tolist(), len(weight_s)]
    terms = []
    for start, end in itertools.pairwise(edges):
        term = weight_s[start:end].reshape((1,) * n + (-1,))
        for axis, (_, factor_ks) in enumerate(sums):
            if (factor_ks[:, start:end] != one).any():
                term = num.times(term, _along(axis, n, factor_ks[:, start:end]))
        terms.append((term, term.sum(-1)))
        value = num.times(value, terms[-1][1])
    of_state = []
    for term, of_element in terms:
        idle = tuple(axis for axis in range(n) if of_element.shape[axis] == 1)
        share = num.over(value.sum(idle, keepdims=True), of_element)
        of_state.append(num.times(share[..., None], term).reshape(-1, term.shape[-1]).sum(0))
    return value.sum(), np.abs(value).sum(), np.concatenate(of_state)


def _along(axis: int, n: int, values: Numbers) -> Numbers:
    """Lay the first axis of some values along one of ``n``, before what follows it."""
    return values.reshape((1,) * axis + (-1,) + (1,) * (n - axis - 1) + values.shape[1:])
