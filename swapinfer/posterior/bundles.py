"""Elements that join the same few order-free digits, taken together.

Such elements may be visited in any order. Those whose digits have few joint levels are bundled
and multiplied there, bundles of one shape all at once, before they meet the other digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.posterior.digits import IDLE, Digits
from swapinfer.posterior.lattice import Lattice
from swapinfer.posterior.product import Product


@dataclass(frozen=True, slots=True)
class Bundle:
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


@dataclass(frozen=True, slots=True)
class Bundled:
    """Bundles of one shape, each multiplied up to its total.

    Attributes
    ----------
    digit_bg : ndarray of int, shape (bundle, digit)
        Digits of each bundle.
    element_be : ndarray of int, shape (bundle, element)
        Elements of each bundle, padded with `IDLE`.
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
            [bundle.elements + (IDLE,) * (width - len(bundle.elements)) for bundle in bundles]
        )
        missing_be = element_be == IDLE
        weight_dbes = weight_des[:, element_be]
        at = digit_bg[:, :, None], element_be[:, None]
        open_gbes = digits.open_ges[at].swapaxes(0, 1)
        explain_gbes = digits.explain_qges[0][at].swapaxes(0, 1)
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
