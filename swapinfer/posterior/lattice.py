"""The joint levels of digits that do not mind the order, and how causes add up in them.

To such a digit every element is a vector: how much weight explains how many of its terms. Two
elements together are a product of their vectors, in any order, with weights that are never
negative; for digits of one term it is the union product of set functions (A. Björklund,
T. Husfeldt, P. Kaski, M. Koivisto, "Fourier meets Möbius: fast subset convolution", STOC 2007),
computed here without their subtractions. The digits are divided into two halves, so that every
linear step is two small matrix products.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb, prod

import msgspec
import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray


class Half(msgspec.Struct, frozen=True, eq=False):
    """The joint levels of some of the digits.

    A *climb* is a pair of levels, from one to another that is no lower in any digit. An element
    that alone explains as much as a level makes each climb with weight ``climb_cl``.
    """

    length: int
    from_c: IntArray
    to_c: IntArray
    climb_cl: FloatArray

    @classmethod
    def of(cls, counts: tuple[int, ...]) -> Half:
        """Join digits of so many terms each, the last the fastest."""
        half = cls(1, np.zeros(1, np.int64), np.zeros(1, np.int64), np.ones((1, 1)))
        for one in map(_single, counts):
            half = cls(
                half.length * one.length,
                np.add.outer(half.from_c * one.length, one.from_c).ravel(),
                np.add.outer(half.to_c * one.length, one.to_c).ravel(),
                np.kron(half.climb_cl, one.climb_cl).astype(np.float64),
            )
        return half


def _single(count: int) -> Half:
    """Return the levels of one digit.

    With ``i`` of ``k`` terms explained, an element that explains some ``l`` of them, all choices
    alike, hits just ``j - i`` new ones with chance ``C(k-i, j-i) C(i, l-j+i) / C(k, l)``.
    """
    climbs = [(i, j) for j in range(count + 1) for i in range(j + 1)]
    climb_cl = np.zeros((len(climbs), count + 1))
    for row, (i, j) in enumerate(climbs):
        for level in range(j - i, j + 1):
            ways = comb(count - i, j - i) * comb(i, level - j + i)
            climb_cl[row, level] = ways / comb(count, level)
    from_c, to_c = np.array(climbs).T
    return Half(count + 1, from_c, to_c, climb_cl)


class Lattice(msgspec.Struct, frozen=True, eq=False):
    """The joint levels of digits that do not mind the order, in two halves.

    Vectors have shape (..., left level, right level), climbs (..., left climb, right climb).
    """

    lengths: tuple[int, ...]  # levels of each digit
    cut: int  # number of digits in the left half
    levels_gl: IntArray  # level of each digit at each joint level
    left: Half
    right: Half
    # Joint level at which each joint climb begins and ends
    begin_c: IntArray
    end_c: IntArray
    # Which climbs of each half begin or end where, shape (climb, level)
    begins: tuple[FloatArray, FloatArray]
    ends: tuple[FloatArray, FloatArray]

    @staticmethod
    @lru_cache(maxsize=64)
    def of(counts: tuple[int, ...]) -> Lattice:
        """Return the lattice of digits of so many terms each; small tables, kept for reuse."""
        lengths = tuple(count + 1 for count in counts)
        cut = min(
            range(len(counts) + 1), key=lambda at: max(prod(lengths[:at]), prod(lengths[at:]))
        )
        left, right = Half.of(counts[:cut]), Half.of(counts[cut:])
        return Lattice(
            lengths,
            cut,
            np.indices(lengths).reshape(len(lengths), -1),
            left,
            right,
            np.add.outer(left.from_c * right.length, right.from_c).ravel(),
            np.add.outer(left.to_c * right.length, right.to_c).ravel(),
            (np.eye(left.length)[left.from_c], np.eye(right.length)[right.from_c]),
            (np.eye(left.length)[left.to_c], np.eye(right.length)[right.to_c]),
        )

    @property
    def length(self) -> int:
        """Number of joint levels."""
        return self.left.length * self.right.length

    def places(self, row_bg: IntArray, part: Lattice) -> IntArray:
        """Return where the joint levels of a part lie whose digits stand in these rows.

        Shape (bundle, joint level of the part).
        """
        stride_g = prod(self.lengths) // np.cumprod(self.lengths, dtype=np.int64)
        places: IntArray = stride_g[row_bg] @ part.levels_gl
        return places

    def climbs(self, vector: FloatArray) -> FloatArray:
        """Return the weight of every climb that elements make."""
        rows = vector.reshape(-1, self.right.length) @ self.right.climb_cl.T
        shape = (*vector.shape[:-1], len(self.right.from_c))
        climbs: FloatArray = self.left.climb_cl @ rows.reshape(shape)
        return climbs

    def unclimbed(self, climbs: FloatArray) -> FloatArray:
        """Return what each level of an element is worth, given what its climbs are worth."""
        return _summed(climbs, (self.left.climb_cl, self.right.climb_cl))

    def moved(self, vector: FloatArray, climbs: FloatArray) -> FloatArray:
        """Let the climbs of one element act on the vector of others."""
        return _summed(_at(vector, self.begin_c, climbs.shape) * climbs, self.ends)

    def awaited(self, worth: FloatArray, climbs: FloatArray) -> FloatArray:
        """Return what each level is worth before the climbs, given what it is after them."""
        return _summed(_at(worth, self.end_c, climbs.shape) * climbs, self.begins)


def _at(vector: FloatArray, level_c: IntArray, shape: tuple[int, ...]) -> FloatArray:
    """Read a vector at the end of every climb, shape (..., left climb, right climb)."""
    flat = vector.reshape(-1, vector.shape[-2] * vector.shape[-1])
    return flat.take(level_c, axis=1).reshape(*vector.shape[:-2], *shape[-2:])


def _summed(climbs: FloatArray, onto: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Sum climbs onto levels, right half first."""
    rows = climbs.reshape(-1, climbs.shape[-1]) @ onto[1]
    total: FloatArray = onto[0].T @ rows.reshape(*climbs.shape[:-1], onto[1].shape[1])
    return total


class Product(msgspec.Struct, frozen=True, eq=False):
    """A product formed pair by pair, pairs of pairs next, each round all at once."""

    lattice: Lattice
    # (..., pair, 2, left climb, right climb): climbs of both members of each pair, round by round
    rounds: list[FloatArray]
    total: FloatArray  # (..., left level, right level): the product, the largest entry 1
    log_scale: FloatArray  # (...): natural log of what was taken out of it

    @classmethod
    def of(cls, lattice: Lattice, vectors: FloatArray) -> Product:
        """Multiply vectors of shape (..., vector, left level, right level).

        A product of vectors whose largest entry is 1 has one that is hardly smaller and never
        larger than the number of levels for each vector, so it is rescaled at the end only.
        """
        node, scales = _rescaled(vectors)
        rounds: list[FloatArray] = []
        while node.shape[-3] > 1:
            even = node.shape[-3] // 2 * 2
            pairs = node[..., :even, :, :].reshape(*node.shape[:-3], -1, 2, *node.shape[-2:])
            climbs = lattice.climbs(pairs)
            product = lattice.moved(pairs[..., 0, :, :], climbs[..., 1, :, :])
            rounds.append(climbs)
            node = _followed(product, node[..., even:, :, :])
        total, scale = _rescaled(node)
        log_scale = np.log(scales).sum(axis=-1) + np.log(scale[..., 0])
        return cls(lattice, rounds, total[..., 0, :, :], log_scale)

    def worth_of_each(self, worth: FloatArray) -> FloatArray:
        """Hand down what each level of the total is worth, (..., left level, right level).

        Returns
        -------
        ndarray of float, shape (..., vector, left level, right level)
            Weight of all other vectors and all that follows, each up to a factor of its own.
        """
        node = worth[..., None, :, :]
        for climbs in reversed(self.rounds):
            n_pairs = climbs.shape[-4]
            pair_worth = node[..., :n_pairs, None, :, :]
            each = self.lattice.awaited(pair_worth, climbs[..., ::-1, :, :])
            each = each.reshape(*node.shape[:-3], -1, *node.shape[-2:])
            node = _followed(each, node[..., n_pairs:, :, :])
        return _rescaled(node)[0]


def _followed(node: FloatArray, odd: FloatArray) -> FloatArray:
    """Append the vector that had no partner, if there is one."""
    return np.concatenate([node, odd], axis=-3) if odd.shape[-3] else node


def _rescaled(node: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Divide each vector by its largest entry, and return these, shape (..., vector)."""
    scale = node.reshape(*node.shape[:-2], -1).max(axis=-1)
    return node / scale[..., None, None], scale
