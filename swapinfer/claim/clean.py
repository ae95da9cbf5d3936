"""One gate for all that people typed: nothing that is not seen but changes how a text is read."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from typing import Any, TypeVar

from msgspec import Struct
from msgspec.structs import asdict

_Any = TypeVar("_Any")

_JOINERS = "\u200d\ufe0f"
"""Invisible, but what emoji are made with."""


def clean_text(text: str) -> str:
    r"""Take out what is not seen but changes how a text is read.

    Parameters
    ----------
    text : str
        As typed.

    Returns
    -------
    str
        Without control characters (line ends become ``\n``, at most two
        in a row, tabs a space), marks of direction
        and other format characters, and code points that are no characters.

    Notes
    -----
    General categories of the Unicode Standard: Cc, Cf, Cs, Cn, and the separators Zl and Zp.
    """
    lines = re.sub("\r\n|[\r\x0b\x0c\x85\u2028\u2029]", "\n", text).replace("\t", " ")
    seen = "".join(letter for letter in lines if _is_seen(letter))
    return re.sub("\n{3,}", "\n\n", seen)


def _is_seen(letter: str) -> bool:
    if letter in _JOINERS or letter == "\n":
        return True
    return unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Cn"}


def map_texts(value: _Any, change: Callable[[str], str]) -> _Any:
    """Return a copy of a tree of structs and tuples with every text changed."""
    return _map(value, change)  # type: ignore[no-any-return]


def _map(value: Any, change: Callable[[str], str]) -> Any:  # noqa: ANN401  any tree
    if isinstance(value, str):
        return change(value)
    if isinstance(value, tuple):
        return tuple(_map(item, change) for item in value)
    if isinstance(value, Struct):
        fields = {name: _map(item, change) for name, item in asdict(value).items()}
        return type(value)(**fields)
    return value
