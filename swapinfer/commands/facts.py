"""What commands return: plain facts with a versioned JSON shape."""

from __future__ import annotations

import math
from typing import Any, ClassVar

from msgspec import Struct, to_builtins


class Facts(Struct, frozen=True):
    """Base of everything a command can print; `shape` names its JSON."""

    shape: ClassVar[str]

    @property
    def exit_code(self) -> int:
        """Exit code of a command that found this; 0 unless it is worse than nothing."""
        return 0

    def to_json(self) -> dict[str, Any]:
        """Plain JSON with the shape's name first; infinities become ``"OL"``."""
        return {"shape": f"swapinfer.{self.shape}", **_plain(to_builtins(self, enc_hook=_number))}


def _number(scalar: Any) -> object:  # noqa: ANN401  a scalar of numpy's
    return scalar.item()


def _plain(value: Any) -> Any:  # noqa: ANN401  JSON holds anything
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "OL"
    return value
