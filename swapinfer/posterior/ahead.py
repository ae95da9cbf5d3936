"""What the elements do that go ahead of the pass: their bundles multiplied in one lattice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.posterior.bundles import Bundle, Bundled
from swapinfer.posterior.digits import IDLE, Digits
from swapinfer.posterior.lattice import Lattice
from swapinfer.posterior.product import Product


@dataclass(frozen=True, slots=True)
class Ahead:
    """Bundled elements, multiplied up to one vector.

    Attributes
    ----------
    groups : list of Bundled
        Bundles by shape.
    place_g : list of ndarray of int, shape (bundle, level)
        Joint level of all digits at which each level of the bundles of each group lies.
    product : Product
        Of all bundles, in the lattice of all their digits.
    settled_l : ndarray of float, shape (level,)
        Closing weight of the digits that no other element reaches.
    """

    groups: list[Bundled]
    place_g: list[IntArray]
    product: Product
    settled_l: FloatArray

    @classmethod
    def of(
        cls, digits: Digits, bundles: list[Bundle], carried: list[int], weight_des: FloatArray
    ) -> Ahead:
        """Multiply bundles.

        Parameters
        ----------
        digits : Digits
            Merged terms.
        bundles : list of Bundle
            Elements and their digits.
        carried : list of int
            Those of their digits that other elements reach too.
        weight_des : ndarray of float, shape (draw, element, state)
            Prior times factors.
        """
        settled = sorted({g for bundle in bundles for g in bundle.digits} - set(carried))
        axes = [*carried, *settled]
        lattice = Lattice.of(tuple(digits.count_g[axes].tolist()))
        by_shape: dict[tuple[int, ...], list[Bundle]] = {}
        for bundle in bundles:
            shape = tuple(digits.count_g[list(bundle.digits)].tolist())
            by_shape.setdefault(shape, []).append(bundle)
        groups = [Bundled.of(digits, group, weight_des) for group in by_shape.values()]
        place_g = [_places(digits, axes, group) for group in by_shape.values()]
        vectors = np.zeros(
            (len(weight_des), len(bundles), lattice.left.length * lattice.right.length)
        )
        row = 0
        for group, place_bl in zip(groups, place_g, strict=True):
            rows = np.arange(row, row + len(place_bl))[:, None]
            vectors[:, rows, place_bl] = group.product.total.reshape(-1, *place_bl.shape)
            row += len(place_bl)
        settled_l = np.ones(1)
        for g in settled:
            settled_l = np.outer(settled_l, digits.closing(g)).ravel()
        product = Product.of(lattice, vectors.reshape(*vectors.shape[:2], lattice.left.length, -1))
        return cls(groups, place_g, product, settled_l)

    @property
    def log_scale_d(self) -> FloatArray:
        """Natural log of what was taken out of `vector_dl`, shape (draw,)."""
        scales = (group.product.log_scale.sum(axis=1) for group in self.groups)
        return sum(scales, self.product.log_scale)

    @property
    def vector_dl(self) -> FloatArray:
        """Weight of the joint levels of the carried digits, shape (draw, level)."""
        total = self.product.total
        vector: FloatArray = total.reshape(len(total), -1, self.settled_l.size) @ self.settled_l
        return vector

    @property
    def size(self) -> int:
        """Joint levels of all digits."""
        return int(self.product.total[0].size)

    def hand_down(self, worth_dl: FloatArray, meet_des: FloatArray) -> None:
        """Weigh the states of the bundled elements.

        Parameters
        ----------
        worth_dl : ndarray of float, shape (draw, level)
            Weight of all that follows, up to a factor of each draw.
        meet_des : ndarray of float, shape (draw, element, state)
            Takes the weight of each state with everything else summed out, up to a factor of
            each (draw, element).
        """
        full = worth_dl[..., None] * self.settled_l
        worth = self.product.worth_of_each(full.reshape(self.product.total.shape))
        worth_dbl = worth.reshape(*worth.shape[:2], -1)
        row = 0
        for group, place_bl in zip(self.groups, self.place_g, strict=True):
            own = worth_dbl[:, np.arange(row, row + len(place_bl))[:, None], place_bl]
            present_be = group.element_be != IDLE
            met_dbes = group.meet(own.reshape(group.product.total.shape))
            meet_des[:, group.element_be[present_be]] = met_dbes[:, present_be]
            row += len(place_bl)


def _places(digits: Digits, axes: list[int], bundles: list[Bundle]) -> IntArray:
    """Return where the joint levels of bundles of one shape lie among those of all digits."""
    stride_g = np.zeros(len(digits), dtype=np.int64)
    stride_g[axes] = np.cumprod([1, *(digits.count_g[axes[:0:-1]] + 1)])[::-1]
    axes_bg = np.array([bundle.digits for bundle in bundles])
    levels_gl = np.indices(digits.count_g[axes_bg[0]] + 1).reshape(axes_bg.shape[1], -1)
    places: IntArray = stride_g[axes_bg] @ levels_gl
    return places
