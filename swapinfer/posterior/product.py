"""The product of many vectors in a lattice, and what each of them is worth to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.posterior.lattice import Lattice


@dataclass(frozen=True, slots=True)
class Product:
    """A product formed pair by pair, pairs of pairs next, each round all at once.

    Attributes
    ----------
    lattice : Lattice
        Joint levels.
    rounds : list of ndarray of float, shape (..., pair, 2, left climb, right climb)
        Climbs of both members of each pair, round by round.
    total : ndarray of float, shape (..., left level, right level)
        The product, the largest entry 1.
    log_scale : ndarray of float, shape (...)
        Natural log of what was taken out of it.
    """

    lattice: Lattice
    rounds: list[FloatArray]
    total: FloatArray
    log_scale: FloatArray

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
        """Hand down what each level of the total is worth.

        Parameters
        ----------
        worth : ndarray of float, shape (..., left level, right level)
            Weight of all that follows, up to a factor of each product.

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
