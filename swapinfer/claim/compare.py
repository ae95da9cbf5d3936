"""Where two JSON values differ by more than rounding, or by what was left out."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from swapinfer.claim.redact import LEFT_OUT

CLOSE = 1e-9
"""Relative difference that rounding may make on another machine."""

OF_THE_SHOP = "left_out"
"""Member of the facts that tells what the shop alone knew to leave out."""


def first_difference(stated: object, computed: object, path: str) -> str:
    """Name the first place where two JSON values differ by more than rounding.

    Parameters
    ----------
    stated, computed : JSON
        What the file says, and what was computed.
    path : str
        Name of the value.

    Returns
    -------
    str
        Empty if they are the same.
    """
    if isinstance(stated, dict) and isinstance(computed, dict) and stated.keys() == computed.keys():
        pairs = ((f"{path}.{key}", stated[key], computed[key]) for key in stated)
        return next(filter(None, (first_difference(s, c, p) for p, s, c in pairs)), "")
    if isinstance(stated, list) and isinstance(computed, list) and len(stated) == len(computed):
        items = enumerate(zip(stated, computed, strict=True))
        found = (first_difference(s, c, f"{path}[{n}]") for n, (s, c) in items)
        return next(filter(None, found), "")
    if _alike(stated, computed):
        return ""
    return f"{path}: the file says {_short(stated)}, computed {_short(computed)}"


def _alike(stated: object, computed: object) -> bool:
    if isinstance(stated, float) and isinstance(computed, float):
        return math.isclose(stated, computed, rel_tol=CLOSE, abs_tol=1e-12)
    return type(stated) is type(computed) and stated == computed


def _short(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 60 else text[:57] + "..."


def as_masked(computed: Any, stated: Any) -> Any:  # noqa: ANN401  any JSON
    """Return a value as computed, with texts as stated where those only leave something out.

    Parameters
    ----------
    computed, stated : JSON
        What was computed, and what the file says, which may leave out more.
    """
    if isinstance(computed, dict) and isinstance(stated, dict):
        return {
            name: stated.get(name) if name == OF_THE_SHOP else as_masked(value, stated.get(name))
            for name, value in computed.items()
        }
    if isinstance(computed, list) and isinstance(stated, list) and len(computed) == len(stated):
        return [as_masked(one, other) for one, other in zip(computed, stated, strict=True)]
    if isinstance(computed, str) and isinstance(stated, str) and LEFT_OUT in stated:
        kept = ".+".join(map(re.escape, stated.split(LEFT_OUT)))
        return stated if re.fullmatch(kept, computed, re.DOTALL) else computed
    return computed
