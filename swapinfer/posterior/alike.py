"""States of an element that move every digit alike go through the pass as one.

Most modes of an element differ in what a meter shows, not in how they make an engine misfire.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.posterior.digits import Digits
from swapinfer.posterior.prepare import Prepared

ODD = np.uint64(0x9E3779B97F4A7C15)
"""Base of the hash: 2^64 over the golden ratio, an odd number with well mixed bits."""


@dataclass(frozen=True, slots=True)
class Alike:
    """Prepared arrays with alike states joined.

    Attributes
    ----------
    joined : Prepared
        States are classes of states.
    class_es : ndarray of int, shape (element, state)
        Class of each state.
    share_des : ndarray of float, shape (draw, element, state)
        Share of each state in the weight of its class.
    """

    joined: Prepared
    class_es: IntArray
    share_des: FloatArray

    @classmethod
    def untouched(cls, prepared: Prepared) -> Alike:
        """Leave every state a class of its own."""
        used_des = prepared.weight_des > 0
        numbers = np.arange(used_des.shape[2])
        return cls(prepared, np.where(used_des.any(axis=0), numbers, 0), used_des.astype(float))

    def apart(self, class_dek: FloatArray) -> FloatArray:
        """Divide what the classes have among their states, shape (draw, element, state)."""
        elements = np.arange(len(self.class_es))[:, None]
        divided: FloatArray = class_dek[:, elements, self.class_es] * self.share_des
        return divided


def join_alike(prepared: Prepared) -> Alike:
    """Join the states that have equal weights on every digit.

    Parameters
    ----------
    prepared : Prepared
        Weights and digits.

    Returns
    -------
    Alike
        Its posterior, taken apart again, is that of `prepared`.
    """
    digits, weight_des = prepared.digits, prepared.weight_des
    class_es, first_ek = _classes(digits, np.asarray((weight_des > 0).any(axis=0)))
    n_classes = first_ek.shape[1]
    member_esk = class_es[:, :, None] == np.arange(n_classes)
    weight_dek = np.einsum("des,esk->dek", weight_des, member_esk.astype(float))
    elements = np.arange(len(class_es))[:, None]
    total_des = weight_dek[:, elements, class_es]
    joined = replace(
        digits,
        open_ges=digits.open_ges[:, elements, first_ek],
        explain_qges=digits.explain_qges[:, :, elements, first_ek],
        explained_ges=digits.explained_ges[:, elements, first_ek],
    )
    return Alike(
        joined=replace(prepared, weight_des=weight_dek, digits=joined),
        class_es=class_es,
        share_des=np.divide(
            weight_des, total_des, out=np.zeros_like(weight_des), where=total_des > 0
        ),
    )


def _classes(digits: Digits, used_es: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the class of each state, and the first state of each class, padded with 0.

    States are compared by a hash of the bits of their weights, and that verdict is checked weight
    by weight; should it ever be wrong, every state is a class of its own.
    """
    n_states = used_es.shape[1]
    acts_xes = np.concatenate([digits.open_ges, *digits.explain_qges, digits.explained_ges])
    power_x = np.cumprod(np.full(len(acts_xes), ODD))
    mark_es = (acts_xes.view(np.uint64) * power_x[:, None, None]).sum(axis=0)
    mark_es = np.where(used_es, mark_es, mark_es[:, :1])
    first_es = (mark_es[:, :, None] == mark_es[:, None, :]).argmax(axis=2)
    elements = np.arange(len(used_es))[:, None]
    if not ((acts_xes == acts_xes[:, elements, first_es]) | ~used_es).all():
        first_es = np.broadcast_to(np.arange(n_states), used_es.shape)
    class_es = np.cumsum(first_es == np.arange(n_states), axis=1)[elements, first_es] - 1
    first_ek = np.zeros((len(used_es), int(class_es.max()) + 1), dtype=np.int64)
    first_ek[elements, class_es] = first_es
    return class_es, first_ek
