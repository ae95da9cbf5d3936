"""A document as PDF: tagged, fonts inside, made without any program beside Python's packages."""

from __future__ import annotations

import base64
import json
import re
from datetime import datetime
from importlib.resources import files
from typing import Any

from msgspec.structs import asdict

from swapinfer.claim.document import Block, Document, Figure, Image, Paragraph, Section, Table
from swapinfer.claim.settings import PAPERS
from swapinfer.errors import ClaimError

_LONG_WORD = re.compile(r"\S{60,}")

BREAK = "\u200b"
"""Where a long word may be broken, a space of no width."""


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
    parts: dict[str, bytes] = {}
    data = {
        "title": document.title,
        "shop": document.shop,
        "subtitle": document.subtitle,
        "stamp": document.stamp,
        "draft": document.is_draft,
        "warnings": document.warnings,
        "footer": document.footer,
        "paper": PAPERS[paper],
        "sections": [_section(section, parts) for section in document.sections],
    }
    template = files("swapinfer.claim").joinpath("claim.typ").read_bytes()
    sources = {"main.typ": template, "data.json": json.dumps(_breakable(data)).encode(), **parts}
    return _typeset(sources, made_at)


ATTEMPTS: tuple[dict[str, Any], ...] = (
    {"ignore_system_fonts": True, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False},
)
"""PDF/UA asks that every letter can be shown: first with the fonts that come with the typesetter,
then with those of the machine; else a letter that no font has is shown as a box."""


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


def _section(section: Section, parts: dict[str, bytes]) -> dict[str, Any]:
    return {
        "title": section.title,
        "major": section.major,
        "blocks": [_block(block, parts) for block in section.blocks],
    }


def _block(block: Block, parts: dict[str, bytes]) -> dict[str, Any]:
    kind = {"kind": type(block).__name__}
    if isinstance(block, Figure):
        name = f"figure{len(parts)}.svg"
        parts[name] = block.svg.encode()
        return {
            **kind, "file": name, "caption": block.caption, "description": block.description,
        }  # fmt: skip
    if isinstance(block, Image):
        name = f"photo{len(parts)}.svg"
        parts[name] = _wrapped(block).encode()
        return {**kind, "file": name, "caption": block.caption}
    if isinstance(block, Table):
        widths = block.widths or (1,) * len(block.head)
        return {**kind, **asdict(block), "widths": widths, "right": list(block.right)}
    if isinstance(block, Paragraph):
        return {**kind, "text": block.text, "style": block.style}
    return {**kind, **asdict(block)}


def _wrapped(image: Image) -> str:
    """Picture inside a drawing, since the typesetter takes its files as text."""
    data = base64.b64encode(image.data).decode()
    size = f'width="{image.width}" height="{image.height}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {image.width} {image.height}">'
        f'<image {size} href="data:{image.media};base64,{data}"/></svg>'
    )


def _breakable(value: Any) -> Any:  # noqa: ANN401  any tree
    """Let long words break, so that none runs off the page."""
    if isinstance(value, str):
        return _LONG_WORD.sub(lambda word: _with_breaks(word[0]), value)
    if isinstance(value, dict):
        return {key: _breakable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_breakable(item) for item in value]
    return value


def _with_breaks(word: str) -> str:
    return BREAK.join(word[n : n + 16] for n in range(0, len(word), 16))
