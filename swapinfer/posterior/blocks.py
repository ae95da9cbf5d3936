"""What follows each element while the open digits fit in two blocks: two matrix products each.

The message is a matrix, left block by right block. What an element in one state does to it is a
Kronecker product, ``left @ message @ right.T``; the matrices of all elements and states are
built at once, so that going back is little more than its matrix products (C. Van Loan, "The
ubiquitous Kronecker product", J. Comput. Appl. Math. 123, 2000, section 2).

The axes of a message are (kept state, level node, left, right); the first two are there in the
wide part of the route only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.arrays import FloatArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.kernels import Block, build_blocks
from swapinfer.posterior.route import Route


@dataclass(frozen=True, slots=True)
class Blocks:
    """A route over two blocks, for a single prior.

    Attributes
    ----------
    route : Route
        Order, and where the message is wide.
    left, right : Block
        The two sides, the weights of the states in the right one.
    level_q : ndarray of float, shape (level node,)
        Weight of the level nodes.
    """

    route: Route
    left: Block
    right: Block
    level_q: FloatArray

    @classmethod
    def of(cls, digits: Digits, route: Route, weight_es: FloatArray, level_q: FloatArray) -> Blocks:
        """Build the matrices for a route."""
        left, right = build_blocks(digits, route, weight_es[list(route.order)])
        return cls(route, left, right, level_q)

    def outlook(self) -> list[FloatArray]:
        """Return what each state, and all that follows, weighs for a message before it.

        Returns
        -------
        list of ndarray of float, shape (kept state or 1, level node or 1, state, left, right)
            One a position, each up to a factor of its own; to be met by the message after
            whatever opens at the position has opened.
        """
        shape = (-1, self.left.length, self.left.n_states, self.left.length)
        outlook_p = []
        for p, carried in self._backward():
            back_qsij = self.left.move_p[p].reshape(shape).transpose(0, 2, 3, 1)
            by_state = carried if carried.ndim > 3 else carried[None, None]
            outlook_p.append(back_qsij @ by_state.swapaxes(-2, -3))
        return outlook_p[::-1]

    def _backward(self) -> Iterator[tuple[int, FloatArray]]:
        """Yield what follows each position, last first, with only its right side moved.

        The axes are (kept state, level node, left, state, right).
        """
        message = np.ones((self.left.length, self.right.length))
        for p in reversed(range(len(self.route.order))):
            if p == self.route.wide[1] - 1:
                message = message[None, None]
            by_state = self._right_moved(p, message)
            yield p, by_state
            rows = by_state.reshape(*by_state.shape[:-3], -1, self.right.length)
            message = self._unopened(p, self.left.move_p[p].swapaxes(-1, -2) @ rows)
            message = message / message.max()

    def _right_moved(self, p: int, message: FloatArray) -> FloatArray:
        """Go back across the right side of an element, state by state."""
        move = self.right.move_p[p]
        if p == self.route.kept:
            spread = message @ self.right.apart(move).swapaxes(-1, -2)
            return spread.transpose(1, 2, 0, 3)[None]
        moved: FloatArray = message @ move.swapaxes(-1, -2)
        return moved.reshape(*moved.shape[:-1], self.right.n_states, self.right.length)

    def _unopened(self, p: int, message: FloatArray) -> FloatArray:
        """Go back across what opens before an element."""
        if p in self.right.open_p:
            message = message @ self.right.open_p[p]
        if p in self.left.open_p:
            message = self.left.open_p[p].swapaxes(-1, -2) @ message
        if p == self.route.wide[0] and self.route.is_wide:
            message = (message * self.level_q[:, None, None]).sum(axis=(0, 1))
        return message
