"""The findings of a job as dense arrays, and the two shapes in which a finding acts on them."""

from __future__ import annotations

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


def for_order(values: FloatArray) -> NDArray[np.float32]:
    """Round values for ordering, so that equal ones tie whatever the last digits say.

    Cylinders that nothing tells apart have equal figures but for rounding, which differs between
    machines; a stable sort of the rounded values then keeps to the order given.
    """
    return values.astype(np.float32)


def distinct(index: IntArray) -> IntArray:
    """Return the distinct values among indices, none below 0, in order."""
    return np.flatnonzero(np.bincount(index.ravel()))


class Explain(msgspec.Struct, frozen=True, eq=False):
    """Weights with which the states of elements explain terms, or digits of equal ones.

    Of the few things that states show, only how likely each is depends on the level that readings
    share; so no more than that is held for every level node.
    """

    most_tes: FloatArray  # largest weight over the level nodes
    shown_tes: IntArray  # number of what each state shows
    share_qtp: FloatArray  # share of the largest weight that what is shown leaves at each node

    @classmethod
    def of(cls, own_tes: FloatArray, shown_tes: IntArray, chance_qtp: FloatArray) -> Explain:
        """Multiply what each state weighs by the chance of what it shows."""
        most_tp = chance_qtp.max(axis=0)
        share_qtp = chance_qtp / np.where(most_tp > 0.0, most_tp, 1.0)
        term_t = np.arange(len(own_tes))[:, None, None]
        return cls(own_tes * most_tp[term_t, shown_tes], shown_tes, share_qtp)

    @property
    def varies_t(self) -> BoolArray:
        """Which terms depend on the level."""
        varies_tp = (self.share_qtp[1:] != self.share_qtp[:1]).any(axis=0)
        if not varies_tp.any():
            return np.zeros(len(varies_tp), dtype=np.bool_)
        term_t = np.arange(len(varies_tp))[:, None, None]
        varies_tes = varies_tp[term_t, self.shown_tes] & (self.most_tes != 0.0)
        return np.asarray(varies_tes.any(axis=(1, 2)))

    def at(
        self, term: IntArray, element: IntArray, state: IntArray, nodes: slice = slice(None)
    ) -> FloatArray:
        """Return the weights of some states at some level nodes, shape (level, ...)."""
        at = term, element, state
        weights: FloatArray = self.most_tes[at] * self.share_qtp[nodes, term, self.shown_tes[at]]
        return weights

    def only(self, terms: IntArray | BoolArray | slice) -> Explain:
        """Return the weights of some terms."""
        return Explain(self.most_tes[terms], self.shown_tes[terms], self.share_qtp[:, terms])


class Arrays(msgspec.Struct, frozen=True, eq=False):
    """Independent elements, the factors on each, and the bits that join them.

    Every element is one categorical variable; state 0 is *good*. A finding acts in one of two
    ways. As a *factor* it multiplies the weight of each state of each element. As a *term* it is
    one bit, "explained yet, or not": going through the elements in order, an element in state
    ``s`` leaves an open bit open with weight ``open_tes``, explains it with ``explain`` and
    leaves an explained bit explained with ``explained_tes``; at the end an open bit weighs
    ``close_qt2[..., 0]`` and an explained one ``close_qt2[..., 1]``. All weights are
    non-negative. The unknown level that some readings share is the outer axis ``q``.

    Parts of one lot fail together more often than independence says: each lot may be better or
    worse than usual, and at every node ``z`` of these unknowns the prior has another factor.

    Axes: ``q`` level node, ``n`` finding, ``t`` term, ``e`` element, ``s`` state, ``z`` lot node.

    Attributes
    ----------
    elements : tuple of str
        Element ids, in the order of the pass.
    states : tuple of tuple of str
        State names of each element, ``"good"`` first; shorter than the ``s`` axis where unused.
    prior_es : ndarray of float, shape (element, state)
        Rows sum to 1 within 1e-12; unused states are 0.
    log_factor_nes : ndarray of float, shape (finding, element, state)
        Natural log of each finding's factors; 0 where it says nothing.
    finding_t : ndarray of int, shape (term,)
        Index of the finding that each term belongs to.
    open_tes, explained_tes : ndarray of float, shape (term, element, state)
        Elements that a term does not reach have ``open = explained = 1`` and ``explain = 0``.
    explain : Explain
        As above.
    close_qt2 : ndarray of float, shape (level, term, 2)
        Closing weight of an open and of an explained bit.
    level_q : ndarray of float, shape (level,)
        Quadrature weights, summing to 1; a single 1 when no reading shares an unknown.
    lot_z : ndarray of float, shape (lot node,)
        Weights, summing to 1; a single 1 when no lot matters.
    lot_zes : ndarray of float, shape (lot node, element, state)
        Factor on the prior; its mean over the nodes is 1.
    """

    elements: tuple[str, ...]
    states: tuple[tuple[str, ...], ...]
    prior_es: FloatArray
    log_factor_nes: FloatArray
    finding_t: IntArray
    open_tes: FloatArray
    explain: Explain
    explained_tes: FloatArray
    close_qt2: FloatArray
    level_q: FloatArray
    lot_z: FloatArray = msgspec.field(default_factory=lambda: np.ones(1))
    lot_zes: FloatArray = msgspec.field(default_factory=lambda: np.ones((1, 1, 1)))

    @property
    def prior_zes(self) -> FloatArray:
        """Prior at every lot node, shape (lot node, element, state)."""
        prior_zes: FloatArray = self.prior_es * self.lot_zes
        return prior_zes

    @property
    def n_findings(self) -> int:
        """Number of findings, those without any effect included."""
        return int(self.log_factor_nes.shape[0])

    def with_prior(self, prior_es: FloatArray) -> Arrays:
        """Return the same findings under another prior, shape (element, state)."""
        return replace(self, prior_es=prior_es)

    def at_nodes(self, kept_q: BoolArray) -> Arrays:
        """Return the arrays with the shared levels known to be at one of some nodes."""
        own = self.explain
        return replace(
            self,
            explain=Explain.of(own.most_tes, own.shown_tes, own.share_qtp[kept_q]),
            close_qt2=self.close_qt2[kept_q],
            level_q=self.level_q[kept_q] / self.level_q[kept_q].sum(),
        )


class Factor(msgspec.Struct, frozen=True, eq=False):
    """Independent weights on the states of every element, as natural logs.

    ``log_constant`` is what the finding weighs when no element says anything.
    """

    log_es: FloatArray
    log_constant: float = 0.0


class Term(msgspec.Struct, frozen=True, eq=False):
    """One bit, "explained yet, or not"; see `Arrays`."""

    open_es: FloatArray  # weights of leaving an open bit open
    explain_es: FloatArray  # weights of explaining it, but for the chance of what is shown
    explained_es: FloatArray  # weights of leaving an explained bit as it is
    close_q2: FloatArray  # closing weights of an open and of an explained bit, at 1 or all nodes
    shown_es: IntArray | None = None  # number of what each state shows; None if all show the same
    # Chance of what is shown, at 1 or all nodes of the level
    chance_qp: FloatArray = msgspec.field(default_factory=lambda: np.ones((1, 1)))

    def averaged(self, weight_q: FloatArray) -> Term:
        """Sum a level out that no other term depends on, given the weights of its nodes.

        Either what is shown depends on it or how the bit closes when explained, never both.
        """
        every_qp = np.broadcast_to(self.chance_qp, (len(weight_q), self.chance_qp.shape[1]))
        chance_qp = weight_q[None] @ every_qp / weight_q.sum()
        return replace(self, close_q2=weight_q[None] @ self.close_q2, chance_qp=chance_qp)
