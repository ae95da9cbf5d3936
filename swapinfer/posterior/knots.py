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
    """Elements and all digits that they reach, those of most terms first."""

    digits: tuple[int, ...]
    elements: tuple[int, ...]


def tie_knots(digits: Digits, free_e: BoolArray) -> tuple[list[list[Bundle]], list[int]]:
    """Tie the elements that mind no order into one knot, or several if it grew too large.

    Returns the bundles of each knot, and the elements that reach too much to be tied.
    """
    free = np.flatnonzero(free_e)
    every = tuple(np.flatnonzero(digits.reach_ge[:, free].any(axis=1)).tolist())
    if prod(n * (n + 1) // 2 for n in (digits.lengths[g] for g in every)) > CLIMB_LIMIT:
        bundles, left = _bundled(digits, free, KNOT_LIMIT)
        return [[bundle] for bundle in bundles], left
    bundles, left = _bundled(digits, free, BUNDLE_LIMIT)
    bundles += [Bundle(every, (element,)) for element in left]
    return [bundles] if bundles else [], []


def _bundled(digits: Digits, elements: IntArray, most: int) -> tuple[list[Bundle], list[int]]:
    """Put elements into as few bundles as a bound on their joint levels allows.

    Returns the bundles, and the elements that alone reach more.
    """
    lengths = digits.lengths
    alike: dict[tuple[bool, ...], list[int]] = {}
    rows = digits.reach_ge[:, elements].T.tolist()
    for element, row in zip(elements.tolist(), rows, strict=True):
        alike.setdefault(tuple(row), []).append(element)
    reach = {frozenset(np.flatnonzero(row).tolist()): members for row, members in alike.items()}
    size = {own: prod(lengths[g] for g in own) for own in reach}
    left = [element for own in reach if size[own] > most for element in reach[own]]
    tied: list[tuple[frozenset[int], list[int]]] = []
    fitting = (own for own in reach if size[own] <= most)
    for own in sorted(fitting, key=lambda own: (-size[own], sorted(own))):
        covering = next((members for joint, members in tied if own <= joint), None)
        if covering is not None:
            covering.extend(reach[own])
            continue
        growth = [prod(lengths[g] for g in own - joint) for joint, _ in tied]
        fits = [i for i, (joint, _) in enumerate(tied) if growth[i] * size[joint] <= most]
        if fits:
            i = min(fits, key=growth.__getitem__)
            joint = tied[i][0] | own
            size[joint] = growth[i] * size[tied[i][0]]
            tied[i] = joint, tied[i][1] + reach[own]
        else:
            tied.append((own, list(reach[own])))
    return [
        Bundle(tuple(sorted(joint, key=lambda g: (-lengths[g], g))), tuple(members))
        for joint, members in tied
    ], left


class Bundled(msgspec.Struct, frozen=True, eq=False):
    """Bundles of one shape, each multiplied up to its total.

    Axes: ``b`` bundle, ``l`` joint level of the left half of its digits, ``r`` of the right.
    """

    digit_bg: IntArray
    element_be: IntArray  # elements of each bundle, padded with `ABSENT`
    weight_dbes: FloatArray  # prior times factors; padding is good
    # What each state explains of either half of the digits
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
        padded = [one.elements + (ABSENT,) * (width - len(one.elements)) for one in bundles]
        element_be = np.array(padded)
        missing_be = element_be == ABSENT
        weight_dbes = weight_des[:, element_be]
        at = digit_bg[:, :, None], element_be[:, None]
        open_gbes = digits.open_ges[at].swapaxes(0, 1)
        explain_gbes = digits.explain.most_tes[at].swapaxes(0, 1)
        if missing_be.any():
            weight_dbes[:, missing_be] = np.eye(weight_des.shape[2])[0]
            open_gbes[:, missing_be] = 1.0
            explain_gbes[:, missing_be] = 0.0
        starts = [_start(*one) for one in zip(counts, open_gbes, explain_gbes, strict=True)]
        left_lbes = _joint(starts[: lattice.cut], weight_dbes.shape[1:])
        right_rbes = _joint(starts[lattice.cut :], weight_dbes.shape[1:])
        weighted = (weight_dbes[:, None] * left_lbes).transpose(0, 2, 3, 1, 4)
        product = Product.of(lattice, weighted @ right_rbes.transpose(1, 2, 3, 0))
        return cls(digit_bg, element_be, weight_dbes, left_lbes, right_rbes, product)

    def hand_down(self, worth_dblr: FloatArray, meet_des: FloatArray) -> None:
        """Weigh the states of all elements by what each total is worth, as `Knot.hand_down`."""
        worth = self.product.worth_of_each(worth_dblr)
        met = self.left_lbes.transpose(1, 2, 3, 0) @ worth
        met_dbes = (met * self.right_rbes.transpose(1, 2, 3, 0)).sum(axis=-1)
        met_dbes *= self.weight_dbes
        present_be = self.element_be != ABSENT
        meet_des[:, self.element_be[present_be]] = met_dbes[:, present_be]


def _start(count: int, open_bes: FloatArray, explain_bes: FloatArray) -> FloatArray:
    """Return how many of equal terms each state explains alone, given what it does to one."""
    start = np.stack([open_bes, explain_bes])
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


class Knot(msgspec.Struct, frozen=True, eq=False):
    """Bundles multiplied in the lattice of all their digits."""

    # (bundle, level): bundles by shape, and the joint level at which each of their levels lies
    groups: list[tuple[Bundled, IntArray]]
    product: Product  # of all bundles
    log_scale_d: FloatArray  # natural log of what was taken out of it and of them

    @classmethod
    def of(cls, digits: Digits, bundles: list[Bundle], weight_des: FloatArray) -> Knot:
        """Multiply bundles, their digits in order."""
        by_shape: dict[tuple[int, ...], list[Bundle]] = {}
        for bundle in bundles:
            shape = tuple(digits.lengths[g] for g in bundle.digits)
            by_shape.setdefault(shape, []).append(bundle)
        axes = sorted({g for bundle in bundles for g in bundle.digits})
        lattice = Lattice.of(tuple(digits.count_g[axes].tolist()))
        groups, vectors, log_scale_d = [], [], np.zeros(len(weight_des))
        for alike in by_shape.values():
            group = Bundled.of(digits, alike, weight_des)
            total_dbl = group.product.total.reshape(len(weight_des), len(alike), -1)
            place_bl = lattice.places(np.searchsorted(axes, group.digit_bg), group.product.lattice)
            vector_dbl = np.zeros((*total_dbl.shape[:2], lattice.length))
            np.put_along_axis(vector_dbl, place_bl[None], total_dbl, axis=2)
            groups.append((group, place_bl))
            vectors.append(vector_dbl)
            log_scale_d += group.product.log_scale.sum(axis=1)
        vector_dbl = np.concatenate(vectors, axis=1)
        halved = vector_dbl.reshape(*vector_dbl.shape[:2], lattice.left.length, -1)
        product = Product.of(lattice, halved)
        return cls(groups, product, log_scale_d + product.log_scale)

    def hand_down(self, worth_dl: FloatArray, meet_des: FloatArray) -> None:
        """Weigh the states of all elements, given what the knot's levels are worth, (draw, level).

        `meet_des` takes the weight of each state with everything else summed out, up to a factor of
        each (draw, element).
        """
        each = self.product.worth_of_each(worth_dl.reshape(self.product.total.shape))
        each_dbl = each.reshape(*each.shape[:2], -1)
        first = 0
        for group, place_bl in self.groups:
            own_dbl = each_dbl[:, first : first + len(place_bl)]
            worth_dbl = np.take_along_axis(own_dbl, place_bl[None], axis=2)
            group.hand_down(worth_dbl.reshape(group.product.total.shape), meet_des)
            first += len(place_bl)


class KnotSum(msgspec.Struct, frozen=True, eq=False):
    """What a knot does to the message, as one matrix: the sum of its climbs."""

    lattice: Lattice
    # Climbs that are possible where some of the digits open; levels where all of them do
    climb_c: IntArray
    entry_c: IntArray  # entry of the matrix that each of them adds to
    # (level node or 1, climb): closing weight of the digits that close here, where each of them
    # ends
    close_qc: FloatArray
    matrix: FloatArray  # (draw, level node or 1, to, from)

    @classmethod
    def of(cls, knot: Knot, step: Step, digits: Digits) -> KnotSum:
        """Sum the climbs of a knot for a step of the pass."""
        lattice, total = knot.product.lattice, knot.product.total
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
        return cls(lattice, climb_c, entry_c, close_qc, flat.reshape(shape))

    def worth(self, both: FloatArray) -> FloatArray:
        """Weigh each level of the knot, given what each entry of the matrix is worth."""
        flat_dqi = both.reshape(*both.shape[:2], -1)
        if len(self.close_qc) == 1:
            flat_dqi = flat_dqi.sum(axis=1, keepdims=True)
        worth_dc: FloatArray = (flat_dqi[:, :, self.entry_c] * self.close_qc).sum(axis=1)
        lattice = self.lattice
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
