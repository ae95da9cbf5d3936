"""Products in a lattice are products of the matrices by which elements move levels."""

from __future__ import annotations

from functools import reduce

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from swapinfer.posterior.lattice import Lattice, Product

Array = NDArray[np.float64]

counts_of_digits = st.lists(st.integers(1, 3), min_size=1, max_size=4).map(tuple)


def binomial_move(count: int, chance: float) -> Array:
    """Return move[to, from] by adding up which of `count` numbered terms get explained."""
    one = np.array([[1.0 - chance, 0.0], [chance, 1.0]])
    every = reduce(np.kron, [one] * count)
    explained = np.array([term_set.bit_count() for term_set in range(2**count)])
    move = np.zeros((count + 1, count + 1))
    for start in range(count + 1):
        first = int(np.flatnonzero(explained == start)[0])
        np.add.at(move[:, start], explained, every[:, first])
    return move


@given(counts_of_digits, st.integers(1, 7), st.integers(0, 10**6))
def test_product_and_worths(counts: tuple[int, ...], n_elements: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    chances = rng.uniform(size=(n_elements, len(counts)))
    moves = [
        reduce(np.kron, [binomial_move(*one) for one in zip(counts, row, strict=True)])
        for row in chances.tolist()
    ]
    lattice = Lattice.of(counts)
    shape = (lattice.left.length, lattice.right.length)
    product = Product.of(lattice, np.stack([move[:, 0].reshape(shape) for move in moves]))
    total = reduce(np.matmul, moves)[:, 0]
    found = product.total.ravel() * np.exp(product.log_scale)
    np.testing.assert_allclose(found, total, rtol=1e-12)
    worth = rng.uniform(size=total.size)
    each = product.worth_of_each(worth.reshape(shape)).reshape(n_elements, -1)
    for element, of_element in enumerate(each):
        others = [move for number, move in enumerate(moves) if number != element]
        back = worth @ reduce(np.matmul, others, np.eye(total.size))
        ratios = of_element / back
        np.testing.assert_allclose(ratios, ratios[0], rtol=1e-10)


def test_half_of_bits_is_the_union_of_sets() -> None:
    lattice = Lattice.of((1, 1, 1))
    rng = np.random.default_rng(3)
    one, other = rng.uniform(size=(2, 8))
    union = np.zeros(8)
    for a in range(8):
        for b in range(8):
            union[a | b] += one[a] * other[b]
    shape = (lattice.left.length, lattice.right.length)
    climbs = lattice.climbs(other.reshape(shape))
    np.testing.assert_allclose(lattice.moved(one.reshape(shape), climbs).ravel(), union)
