"""The pass when the open digits fit in two blocks: two matrix products an element each way.

The message is a matrix, left block by right block. What an element in one state does to it is a
Kronecker product, ``left @ message @ right.T``; the matrices of all elements and states are
built at once, so that the pass itself is little more than its matrix products (C. Van Loan,
"The ubiquitous Kronecker product", J. Comput. Appl. Math. 123, 2000, section 2).

The axes of a message are (draw, kept state, level node, left, right). Kept state and level node
are there in the wide part of the route only, and the draw is left out when there is only one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.kernels import Block, build_blocks
from swapinfer.posterior.route import Route

STRIDE = 4
"""Positions between two rescalings of the message."""

SMALL = 1e-100
"""A message that shrinks below it within a stride is passed again, rescaled at every position."""


@dataclass(frozen=True, slots=True)
class BlockPass:
    """A planned pass over two blocks.

    Attributes
    ----------
    route : Route
        Order, and where the message is wide.
    left, right : Block
        The two sides.
    weight_dps : ndarray of float, shape (draw, position, state), or None
        Prior times factors; None for a single draw, whose weights are in the right block already.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    """

    route: Route
    left: Block
    right: Block
    weight_dps: FloatArray | None
    level_q: FloatArray

    @classmethod
    def of(
        cls, digits: Digits, route: Route, weight_des: FloatArray, level_q: FloatArray
    ) -> BlockPass:
        """Build the matrices for a route."""
        weight_dps = weight_des[:, list(route.order)]
        single = len(weight_dps) == 1
        left, right = build_blocks(digits, route, weight_dps[0] if single else None)
        return cls(route, left, right, None if single else weight_dps, level_q)

    @property
    def largest(self) -> int:
        """Entries of the largest message of a draw."""
        first, stop = self.route.wide
        kept = self.left.n_states if self.route.kept >= 0 else 1
        wide = kept * self.level_q.size if stop > first else 1
        return self.left.length * self.right.length * wide

    def run(self, stride: int = STRIDE) -> tuple[FloatArray, FloatArray]:
        """Go forward and back.

        Parameters
        ----------
        stride : int, optional
            Positions between two rescalings.

        Returns
        -------
        log_z_d : ndarray of float, shape (draw,)
            Natural log of the total weight.
        meet_dps : ndarray of float, shape (draw, position, state)
            Weight of each state with everything else summed out, up to a factor that each
            (draw, position) has for itself.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            partial, scales = self._forward(stride)
            if stride > 1 and not scales.min() > SMALL:
                return self.run(stride=1)
            return np.log(scales).sum(axis=0), _meet(partial, self._backward(stride))

    @property
    def _outer(self) -> tuple[int, ...]:
        return () if self.weight_dps is None else (len(self.weight_dps),)

    def _forward(self, stride: int) -> tuple[_ByState, FloatArray]:
        """Return each position's message with only its left side moved, and all scales."""
        message = np.zeros((*self._outer, self.left.length, self.right.length))
        message[..., 0, 0] = 1.0
        partial = _ByState.empty(self)
        scales: list[FloatArray] = []
        for p in range(len(self.route.order)):
            message = self._opened(p, message)
            by_state = partial.product(p, self.left.move_p[p], message)
            message = self._merged(p, self._weighted(p, by_state))
            if p == self.route.wide[1] - 1:
                message = self._closed_up(message)
            if p % stride == stride - 1:
                message, scale = self._rescaled(message)
                scales.append(scale.reshape(-1))
        scales.append(message[..., 0, 0].reshape(-1))
        return partial, np.array(scales)

    def _opened(self, p: int, message: FloatArray) -> FloatArray:
        if p == self.route.wide[0] and self.route.is_wide:
            message = self._widened(message) * self.level_q[:, None, None]
        if p in self.left.open_p:
            message = self.left.open_p[p] @ message
        if p in self.right.open_p:
            message = message @ self.right.open_p[p].swapaxes(-1, -2)
        return message

    def _widened(self, message: FloatArray) -> FloatArray:
        """Give the kept state and the level node axes of their own."""
        outer = message if self.weight_dps is not None else message[None]
        return outer[:, None, None]

    def _closed_up(self, message: FloatArray) -> FloatArray:
        if not self.route.is_wide:
            return message
        total: FloatArray = message.sum(axis=(1, 2))
        return total[0] if self.weight_dps is None else total

    def _rescaled(self, message: FloatArray) -> tuple[FloatArray, FloatArray]:
        first = 0 if self.weight_dps is None else 1
        scale = message.max(axis=tuple(range(first, message.ndim)), keepdims=True)
        return message / scale, scale

    def _weighted(self, p: int, by_state: FloatArray) -> FloatArray:
        if self.weight_dps is None:
            return by_state
        weight_ds = self.weight_dps[:, p]
        ones = (1,) * (by_state.ndim - 3)
        weighted: FloatArray = by_state * weight_ds.reshape(len(weight_ds), *ones, -1, 1)
        return weighted

    def _merged(self, p: int, by_state: FloatArray) -> FloatArray:
        """Move the right side and sum over the states, or keep them as an axis."""
        move = self.right.move_p[p]
        merged: FloatArray
        if p == self.route.kept:
            merged = by_state[:, 0].transpose(0, 3, 1, 2, 4) @ self.right.apart(move)
        else:
            merged = by_state.reshape(*by_state.shape[:-2], -1) @ move
        return merged

    def _backward(self, stride: int) -> _ByState:
        """Return what comes from behind at each position, with only its right side moved."""
        message = np.ones((*self._outer, self.left.length, self.right.length))
        carried = _ByState.empty(self)
        for p in reversed(range(len(self.route.order))):
            if p == self.route.wide[1] - 1:
                message = self._widened(message)
            back = self.right.move_p[p].swapaxes(-1, -2)
            by_state = (
                self._spread_kept(p, message)
                if p == self.route.kept
                else (carried.product(p, message, back))
            )
            by_state = carried.keep(p, self._weighted(p, by_state))
            rows = by_state.reshape(*by_state.shape[:-3], -1, self.right.length)
            message = self._unopened(p, self.left.move_p[p].swapaxes(-1, -2) @ rows)
            if p % stride == 0:
                message, _ = self._rescaled(message)
        return carried

    def _spread_kept(self, p: int, message: FloatArray) -> FloatArray:
        """Undo `_merged` at the kept element."""
        spread: FloatArray = message @ self.right.apart(self.right.move_p[p]).swapaxes(-1, -2)
        return np.expand_dims(spread.transpose(0, 2, 3, 1, 4), 1)

    def outlook(self) -> list[FloatArray]:
        """Return what each state, and all that follows, weighs for a message before it.

        For a single draw only.

        Returns
        -------
        list of ndarray of float, shape (kept state or 1, level node or 1, state, left, right)
            One a position, each up to a factor of its own; to be met by the message after
            whatever opens at the position has opened.
        """
        outlook_p = []
        backward = self._backward(1)
        for p, move in enumerate(self.left.move_p):
            carried = backward.at(p)
            shape = (-1, self.left.length, self.left.n_states, self.left.length)
            back_qsij = move.reshape(shape).transpose(0, 2, 3, 1)
            by_state = carried[0] if carried.ndim > 3 else carried[None, None]
            outlook_p.append(back_qsij @ by_state.swapaxes(-2, -3))
        return outlook_p

    def _unopened(self, p: int, message: FloatArray) -> FloatArray:
        """Undo `_opened`, for a message that comes from behind."""
        if p in self.right.open_p:
            message = message @ self.right.open_p[p]
        if p in self.left.open_p:
            message = self.left.open_p[p].swapaxes(-1, -2) @ message
        if p == self.route.wide[0] and self.route.is_wide:
            message = self._closed_up(message * self.level_q[:, None, None])
        return message


@dataclass(frozen=True, slots=True)
class _ByState:
    """One array a position, of shape (..., left, state, right).

    Outside the wide part of the route all have one shape and lie in one array.

    Attributes
    ----------
    plain : ndarray of float, shape (position, draw if many, left, state, right)
        Arrays outside the wide part.
    wide : dict of int to ndarray of float, shape (draw, kept state, level node, left, state, right)
        Arrays of positions in the wide part.
    span : range
        The wide part.
    """

    plain: FloatArray
    wide: dict[int, FloatArray]
    span: range

    @classmethod
    def empty(cls, one: BlockPass) -> _ByState:
        outer = () if one.weight_dps is None else (len(one.weight_dps),)
        shape = (one.left.length, one.left.n_states, one.right.length)
        plain = np.empty((len(one.route.order), *outer, *shape))
        return cls(plain, {}, range(*one.route.wide))

    def product(self, p: int, one: FloatArray, other: FloatArray) -> FloatArray:
        """Multiply two matrices, keep and return the result with its states apart."""
        shape = self.plain.shape[-3:]
        if p not in self.span:
            out: FloatArray = self.plain[p]
            np.matmul(one, other, out=out.reshape(*out.shape[:-3], one.shape[-2], other.shape[-1]))
            return out
        moved: FloatArray = one @ other
        return self.keep(p, moved.reshape(*moved.shape[:-2], *shape))

    def keep(self, p: int, by_state: FloatArray) -> FloatArray:
        """Keep an array that may have been made elsewhere."""
        if p in self.span:
            self.wide[p] = by_state
        elif by_state.base is not self.plain:
            self.plain[p] = by_state
        return by_state

    def at(self, p: int) -> FloatArray:
        """Return the array of a position."""
        return self.wide[p] if p in self.span else self.plain[p]


def _meet(forward: _ByState, backward: _ByState) -> FloatArray:
    """Sum forward times backward over all but draw and state, shape (draw, position, state)."""
    n_positions, n_states = forward.plain.shape[0], forward.plain.shape[-2]
    n_draws = forward.plain[0].size // int(np.prod(forward.plain.shape[-3:]))
    meet_pds = np.empty((n_positions, n_draws, n_states))
    for part in (slice(0, forward.span.start), slice(forward.span.stop, None)):
        product = np.einsum("...lsr,...lsr->...s", forward.plain[part], backward.plain[part])
        meet_pds[part] = product.reshape(-1, n_draws, n_states)
    for p in forward.span:
        meet_pds[p] = (forward.wide[p] * backward.wide[p]).sum(axis=(1, 2, -3, -1))
    return meet_pds.swapaxes(0, 1)
