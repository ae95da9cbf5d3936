"""Bundles multiplied up to knots: to the pass a knot is one element, whatever is tied into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.bundles import Bundle, Bundled
from swapinfer.posterior.digits import IDLE, Digits
from swapinfer.posterior.lattice import Lattice
from swapinfer.posterior.product import Product
from swapinfer.posterior.steps import Step


@dataclass(frozen=True, slots=True)
class Knot:
    """Bundles multiplied in the lattice of all their digits.

    Attributes
    ----------
    digits : tuple of int
        Their digits, in the order of the lattice.
    lattice : Lattice
        Joint levels of the digits.
    members : list of (int, ndarray of int, ndarray of int)
        Group of some bundles, their rows in it, and the joint level at which each of their levels
        lies, shape (bundle, level).
    product : Product
        Of the bundles.
    """

    digits: tuple[int, ...]
    lattice: Lattice
    members: list[tuple[int, IntArray, IntArray]]
    product: Product


@dataclass(frozen=True, slots=True)
class Knots:
    """All knots of a job.

    Attributes
    ----------
    groups : list of Bundled
        All bundles by shape.
    knots : list of Knot
        What is made of them.
    """

    groups: list[Bundled]
    knots: list[Knot]

    @classmethod
    def of(cls, digits: Digits, plan: list[list[Bundle]], weight_des: FloatArray) -> Knots:
        """Multiply bundles, then the bundles of each knot.

        Parameters
        ----------
        digits : Digits
            Merged terms.
        plan : list of list of Bundle
            Bundles of each knot.
        weight_des : ndarray of float, shape (draw, element, state)
            Prior times factors.
        """
        by_shape: dict[tuple[int, ...], list[tuple[int, Bundle]]] = {}
        for knot, bundles in enumerate(plan):
            for bundle in bundles:
                shape = tuple(digits.count_g[list(bundle.digits)].tolist())
                by_shape.setdefault(shape, []).append((knot, bundle))
        groups = [
            Bundled.of(digits, [bundle for _, bundle in group], weight_des)
            for group in by_shape.values()
        ]
        owner_g = [np.array([knot for knot, _ in group]) for group in by_shape.values()]
        return cls(groups, [_tie(digits, groups, owner_g, knot) for knot in range(len(plan))])

    @property
    def log_scale_d(self) -> FloatArray:
        """Natural log of what was taken out of all knots together, shape (draw,)."""
        scales = [group.product.log_scale.sum(axis=1) for group in self.groups]
        total: FloatArray = np.sum(
            [*scales, *(knot.product.log_scale for knot in self.knots)], axis=0
        )
        return total

    def hand_down(self, worth_kdl: list[FloatArray], meet_des: FloatArray) -> None:
        """Weigh the states of all elements that are tied up.

        Parameters
        ----------
        worth_kdl : list of ndarray of float, shape (draw, level)
            What the levels of each knot are worth, up to a factor of each draw.
        meet_des : ndarray of float, shape (draw, element, state)
            Takes the weight of each state with everything else summed out, up to a factor of
            each (draw, element).
        """
        worth_g = [np.empty_like(group.product.total) for group in self.groups]
        for knot, worth_dl in zip(self.knots, worth_kdl, strict=True):
            each = knot.product.worth_of_each(worth_dl.reshape(knot.product.total.shape))
            each = each.reshape(*each.shape[:2], -1)
            first = 0
            for group, rows, place_bl in knot.members:
                at = np.arange(first, first + len(rows))[:, None]
                worth_g[group][:, rows] = each[:, at, place_bl].reshape(
                    len(each), len(rows), *worth_g[group].shape[2:]
                )
                first += len(rows)
        for bundled, worth in zip(self.groups, worth_g, strict=True):
            present_be = bundled.element_be != IDLE
            meet_des[:, bundled.element_be[present_be]] = bundled.meet(worth)[:, present_be]


def _tie(digits: Digits, groups: list[Bundled], owner_g: list[IntArray], knot: int) -> Knot:
    """Multiply what belongs to one knot."""
    members = [(i, np.flatnonzero(owner_b == knot)) for i, owner_b in enumerate(owner_g)]
    members = [(i, rows) for i, rows in members if rows.size]
    axes = sorted({g for i, rows in members for g in groups[i].digit_bg[rows].ravel().tolist()})
    lattice = Lattice.of(tuple(digits.count_g[axes].tolist()))
    placed = []
    for i, rows in members:
        rank_bg = np.searchsorted(axes, groups[i].digit_bg[rows])
        placed.append((i, rows, lattice.places(rank_bg, groups[i].product.lattice)))
    n_draws = len(groups[0].weight_dbes)
    vectors = np.zeros((n_draws, sum(len(rows) for _, rows in members), lattice.length))
    first = 0
    for i, rows, place_bl in placed:
        at = np.arange(first, first + len(rows))[:, None]
        vectors[:, at, place_bl] = (
            groups[i].product.total[:, rows].reshape(n_draws, *place_bl.shape)
        )
        first += len(rows)
    product = Product.of(lattice, vectors.reshape(*vectors.shape[:2], lattice.left.length, -1))
    return Knot(tuple(axes), lattice, placed, product)


@dataclass(frozen=True, slots=True)
class KnotSum:
    """What a knot does to the message, as one matrix.

    Attributes
    ----------
    knot : Knot
        The knot.
    climb_c : ndarray of int, shape (climb,)
        Climbs that are possible where some of the digits open; levels where all of them do.
    entry_c : ndarray of int, shape (climb,)
        Entry of the matrix that each of them adds to.
    close_qc : ndarray of float, shape (level or 1, climb)
        Closing weight of the digits that close here, where each of them ends.
    matrix : ndarray of float, shape (draw, 1, level or 1, to, from)
        The sum.
    """

    knot: Knot
    climb_c: IntArray
    entry_c: IntArray
    close_qc: FloatArray
    matrix: FloatArray

    @classmethod
    def of(cls, knot: Knot, step: Step, digits: Digits) -> KnotSum:
        """Sum the climbs of a knot for a step of the pass."""
        lattice, total = knot.lattice, knot.product.total
        opened = np.array([g in step.before for g in step.group])
        staying = np.array([g in step.after for g in step.group])
        levels_gl = lattice.levels_gl
        if opened.any():
            climb_c = np.flatnonzero((levels_gl[~opened][:, lattice.begin_c] == 0).all(axis=0))
            from_c, to_c = lattice.begin_c[climb_c], lattice.end_c[climb_c]
            weight_dc = lattice.climbs(total).reshape(len(total), -1)[:, climb_c]
        else:
            climb_c = to_c = np.arange(lattice.length)
            from_c = np.zeros_like(to_c)
            weight_dc = total.reshape(len(total), -1)
        close_qc = np.ones((1, climb_c.size))
        for row in np.flatnonzero(~staying).tolist():
            close_qc = close_qc * digits.closing(step.group[row])[levels_gl[row, to_c]].T
        lengths = np.array(lattice.lengths)
        from_c = _flat(levels_gl[opened], lengths[opened])[from_c]
        to_c = _flat(levels_gl[staying], lengths[staying])[to_c]
        entry_c = to_c * step.from_length + from_c
        size = step.to_length * step.from_length
        weight_dqc = weight_dc[:, None] * close_qc
        flat: FloatArray = np.stack(
            [np.bincount(entry_c, one_c, size) for one_qc in weight_dqc for one_c in one_qc]
        )
        shape = (len(weight_dc), 1, len(close_qc), step.to_length, step.from_length)
        return cls(knot, climb_c, entry_c, close_qc, flat.reshape(shape))

    def worth(self, both: FloatArray) -> FloatArray:
        """Say what each level of the knot is worth, shape (draw, level).

        Parameters
        ----------
        both : ndarray of float, shape (draw, kept or 1, level or 1, to, from)
            What each entry of the matrix is worth.
        """
        flat_dqi = both.sum(axis=1).reshape(*both.shape[:1], both.shape[2], -1)
        if len(self.close_qc) == 1:
            flat_dqi = flat_dqi.sum(axis=1, keepdims=True)
        worth_dc: FloatArray = (flat_dqi[:, :, self.entry_c] * self.close_qc).sum(axis=1)
        lattice = self.knot.lattice
        if self.climb_c.size == lattice.length:
            return worth_dc
        climbs = np.zeros((len(both), lattice.begin_c.size))
        climbs[:, self.climb_c] = worth_dc
        shape = (len(lattice.left.from_c), len(lattice.right.from_c))
        worth = lattice.unclimbed(climbs.reshape(-1, *shape))
        return worth.reshape(len(worth), -1)


def _flat(levels_gl: IntArray, lengths: IntArray) -> IntArray:
    """Return the joint level of some digits."""
    strides = np.cumprod(lengths[::-1])[::-1] // lengths
    flat: IntArray = strides @ levels_gl
    return flat
