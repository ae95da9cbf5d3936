"""Elements that mind no order, multiplied ahead: to the pass a knot of them is one element.

Those whose digits have few joint levels are bundled and multiplied there, bundles of one shape all
at once, before the bundles meet the other digits in a knot.
"""

from __future__ import annotations

from math import prod

import msgspec
import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.lattice import Lattice, Product
from swapinfer.posterior.order import Step

CLIMB_LIMIT = 4000
"""Most climbs of the lattice in which all order-free elements together are multiplied."""

BUNDLE_LIMIT = 8
"""Most joint levels of a bundle that is multiplied ahead of these."""

KNOT_LIMIT = 144
"""Most joint levels of a knot otherwise."""

ABSENT = -1
"""Stands for "no element" where bundles are of different size."""


class Bundle(msgspec.Struct, frozen=True):
    """Elements and all digits that they reach.

    Attributes
    ----------
    digits : tuple of int
        Digits by falling number of terms.
    elements : tuple of int
        Elements.
    """

    digits: tuple[int, ...]
    elements: tuple[int, ...]


def tie_bundles(digits: Digits, elements: IntArray, most: int) -> tuple[list[Bundle], list[int]]:
    """Put elements into as few bundles as a bound on their joint levels allows.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    elements : ndarray of int, shape (free element,)
        Elements that only order-free digits join.
    most : int
        Most joint levels of a bundle.

    Returns
    -------
    bundles : list of Bundle
        Those that reach most digits first.
    left : list of int
        Elements that alone reach more than the bound.
    """
    lengths = (digits.count_g + 1).tolist()
    alike: dict[tuple[bool, ...], list[int]] = {}
    for element, row in zip(
        elements.tolist(), digits.reach_ge[:, elements].T.tolist(), strict=True
    ):
        alike.setdefault(tuple(row), []).append(element)
    reach = {
        frozenset(g for g, reached in enumerate(row) if reached): members
        for row, members in alike.items()
    }
    size = {own: prod(lengths[g] for g in own) for own in reach}
    left = [element for own in reach if size[own] > most for element in reach[own]]
    tied: list[tuple[frozenset[int], list[int]]] = []
    for own in sorted(
        (own for own in reach if size[own] <= most), key=lambda own: (-size[own], sorted(own))
    ):
        covering = next((i for i, (one, _) in enumerate(tied) if own <= one), None)
        if covering is not None:
            tied[covering][1].extend(reach[own])
            continue
        growth = [prod(lengths[g] for g in own - one) for one, _ in tied]
        fits = [i for i, (one, _) in enumerate(tied) if growth[i] * size[one] <= most]
        if fits:
            i = min(fits, key=growth.__getitem__)
            joint = tied[i][0] | own
            size[joint] = growth[i] * size[tied[i][0]]
            tied[i] = (joint, tied[i][1] + reach[own])
        else:
            tied.append((own, list(reach[own])))
    return [
        Bundle(tuple(sorted(own, key=lambda g: (-lengths[g], g))), tuple(members))
        for own, members in tied
    ], left


class Bundled(msgspec.Struct, frozen=True, eq=False):
    """Bundles of one shape, each multiplied up to its total.

    Attributes
    ----------
    digit_bg : ndarray of int, shape (bundle, digit)
        Digits of each bundle.
    element_be : ndarray of int, shape (bundle, element)
        Elements of each bundle, padded with `ABSENT`.
    weight_dbes : ndarray of float, shape (draw, bundle, element, state)
        Prior times factors; padding is good.
    left_lbes, right_rbes : ndarray of float, shape (level, bundle, element, state)
        What each state explains of either half of the digits.
    product : Product
        Of the vectors of the elements of each bundle.
    """

    digit_bg: IntArray
    element_be: IntArray
    weight_dbes: FloatArray
    left_lbes: FloatArray
    right_rbes: FloatArray
    product: Product

    @classmethod
    def of(cls, digits: Digits, bundles: list[Bundle], weight_des: FloatArray) -> Bundled:
        """Multiply up bundles whose digits have equally many terms."""
        digit_bg = np.array([bundle.digits for bundle in bundles])
        counts = digits.count_g[digit_bg[0]].tolist()
        lattice = Lattice.of(tuple(counts))
        width = max(len(bundle.elements) for bundle in bundles)
        element_be = np.array(
            [bundle.elements + (ABSENT,) * (width - len(bundle.elements)) for bundle in bundles]
        )
        missing_be = element_be == ABSENT
        weight_dbes = weight_des[:, element_be]
        at = digit_bg[:, :, None], element_be[:, None]
        open_gbes = digits.open_ges[at].swapaxes(0, 1)
        explain_gbes = digits.explain.most_tes[at].swapaxes(0, 1)
        if missing_be.any():
            weight_dbes[:, missing_be] = np.eye(weight_des.shape[2])[0]
            open_gbes[:, missing_be] = 1.0
            explain_gbes[:, missing_be] = 0.0
        single_glbes = np.stack([open_gbes, explain_gbes], axis=1)
        starts = [_start(*one) for one in zip(counts, single_glbes, strict=True)]
        left_lbes = _joint(starts[: lattice.cut], weight_dbes.shape[1:])
        right_rbes = _joint(starts[lattice.cut :], weight_dbes.shape[1:])
        weighted = (weight_dbes[:, None] * left_lbes).transpose(0, 2, 3, 1, 4)
        vectors = weighted @ right_rbes.transpose(1, 2, 3, 0)
        return cls(
            digit_bg, element_be, weight_dbes, left_lbes, right_rbes, Product.of(lattice, vectors)
        )

    def meet(self, worth_dblr: FloatArray) -> FloatArray:
        """Hand down what each total is worth.

        Parameters
        ----------
        worth_dblr : ndarray of float, shape (draw, bundle, left level, right level)
            Weight of all that follows, up to a factor of each draw and bundle.

        Returns
        -------
        ndarray of float, shape (draw, bundle, element, state)
            Weight of each state with everything else summed out, up to a factor that each
            (draw, bundle, element) has for itself.
        """
        worth = self.product.worth_of_each(worth_dblr)
        met = self.left_lbes.transpose(1, 2, 3, 0) @ worth
        met_dbes: FloatArray = (met * self.right_rbes.transpose(1, 2, 3, 0)).sum(axis=-1)
        met_dbes *= self.weight_dbes
        return met_dbes


def _start(count: int, single_lbes: FloatArray) -> FloatArray:
    """Return how many of equal terms each state explains alone, given what it does to one."""
    open_bes, explain_bes = start = single_lbes
    for _ in range(count - 1):
        longer = np.zeros((len(start) + 1, *start.shape[1:]))
        longer[:-1] = start * open_bes
        longer[1:] += start * explain_bes
        start = longer
    return start


def _joint(starts: list[FloatArray], shape: tuple[int, ...]) -> FloatArray:
    """Join digits, shape (joint level, ...)."""
    joint = np.ones((1, *shape))
    for start in starts:
        joint = (joint[:, None] * start).reshape(-1, *shape)
    return joint


def tie_knots(digits: Digits, free_e: BoolArray) -> tuple[list[list[Bundle]], list[int]]:
    """Tie all order-free elements into one knot, or several if it grew too large.

    Parameters
    ----------
    digits : Digits
        Merged terms.
    free_e : ndarray of bool, shape (element,)
        Which elements mind no order.

    Returns
    -------
    knots : list of list of Bundle
        Bundles of each knot.
    left : list of int
        Elements that reach too much to be tied.
    """
    free = np.flatnonzero(free_e)
    reached = np.flatnonzero(digits.reach_ge[:, free].any(axis=1))
    counts = digits.count_g[reached].tolist()
    if prod((count + 1) * (count + 2) // 2 for count in counts) > CLIMB_LIMIT:
        bundles, left = tie_bundles(digits, free, KNOT_LIMIT)
        return [[bundle] for bundle in bundles], left
    bundles, left = tie_bundles(digits, free, BUNDLE_LIMIT)
    every = tuple(reached.tolist())
    bundles += [Bundle(every, (element,)) for element in left]
    return [bundles] if bundles else [], []


class Knot(msgspec.Struct, frozen=True, eq=False):
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


class Knots(msgspec.Struct, frozen=True, eq=False):
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
            present_be = bundled.element_be != ABSENT
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


class KnotSum(msgspec.Struct, frozen=True, eq=False):
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
    matrix : ndarray of float, shape (draw, level node or 1, to, from)
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
        shape = (len(weight_dc), len(close_qc), step.to_length, step.from_length)
        return cls(knot, climb_c, entry_c, close_qc, flat.reshape(shape))

    def worth(self, both: FloatArray) -> FloatArray:
        """Say what each level of the knot is worth, shape (draw, level).

        Parameters
        ----------
        both : ndarray of float, shape (draw, level node or 1, to, from)
            What each entry of the matrix is worth.
        """
        flat_dqi = both.reshape(*both.shape[:2], -1)
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
