"""A document as PDF: tagged, fonts inside, made without any program beside Python's packages."""

from __future__ import annotations

import re
from datetime import datetime
from importlib.resources import files
from typing import Any

from msgspec import json, to_builtins

from swapinfer.claim.document import Document
from swapinfer.claim.settings import PAPERS
from swapinfer.errors import ClaimError

_LONG_WORD = re.compile(r"\S{60,}")

PICTURES = ("svg", "data")
"""Fields that are no text to be read."""

BREAK = "\u200b"
"""Where a long word may be broken, a space of no width."""

ATTEMPTS: tuple[dict[str, Any], ...] = (
    {"ignore_system_fonts": True, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False},
)
"""PDF/UA asks that every letter can be shown: first with the fonts that come with the typesetter,
then with those of the machine; else a letter that no font has is shown as a box."""


def to_pdf(document: Document, *, paper: str = "a4", made_at: datetime | None = None) -> bytes:
    """Typeset a document.

    Parameters
    ----------
    document : Document
        From `swapinfer.claim.compose.compose`.
    paper : str, optional
        ``"a4"`` or ``"letter"``.
    made_at : datetime, optional
        Date inside the file; the same document and date make the same bytes.

    Returns
    -------
    bytes
        The file.

    Raises
    ------
    ClaimError
        If it cannot be typeset.

    Notes
    -----
    All texts reach the typesetter as data, never as markup.
    """
    template = files("swapinfer.claim").joinpath("claim.typ").read_bytes()
    data = _breakable({**to_builtins(document), "paper": PAPERS[paper]})
    return _typeset({"main.typ": template, "data.json": json.encode(data)}, made_at)


def _typeset(sources: dict[str, bytes], made_at: datetime | None) -> bytes:
    import typst

    compile_files: Any = typst.compile  # takes files by name too, which its types do not say
    for attempt in ATTEMPTS:
        try:
            made: bytes = compile_files(sources, format="pdf", timestamp=made_at, **attempt)
        except typst.TypstError as error:
            problem = error
        else:
            return made
    raise ClaimError(f"the write-up cannot be typeset: {problem}") from problem


def _breakable(value: Any) -> Any:  # noqa: ANN401  any tree
    """Let long words break, so that none runs off the page."""
    if isinstance(value, str):
        return _LONG_WORD.sub(lambda word: _with_breaks(word[0]), value)
    if isinstance(value, dict):
        return {key: item if key in PICTURES else _breakable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_breakable(item) for item in value]
    return value


def _with_breaks(word: str) -> str:
    return BREAK.join(word[n : n + 16] for n in range(0, len(word), 16))
