"""A document as CommonMark with tables."""

from __future__ import annotations

import re
from collections.abc import Sequence

from swapinfer.claim.document import (
    Block,
    Document,
    Figure,
    Image,
    Items,
    Pairs,
    Paragraph,
    Section,
    Table,
)

_MARKS = re.compile(r"[\\`*_\[\]<>|~&$]|:(?=//)|(?<=www)\.", re.IGNORECASE)
"""What is markup, or made a link, wherever it stands."""

_LINE_START = re.compile(r"^(?:[#+=:-]|\d+(?=[.)]))")
"""What is markup where a line begins."""

SIGN_HERE = r"\_" * 30


def to_markdown(document: Document) -> str:
    """Write a document as Markdown.

    Parameters
    ----------
    document : Document
        From `swapinfer.claim.compose.compose`.

    Returns
    -------
    str
        CommonMark and the common form of tables. Drawings are told in words, photographs by
        their digests.
    """
    parts = [
        f"**{_escape(document.shop)}**" if document.shop else "",
        f"# {_escape(document.title)}",
        _escape(document.subtitle),
        f"**{_escape(document.stamp)}**",
        _list(document.warnings),
        *map(_section, document.sections),
        "---",
        _escape(document.footer),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def _section(section: Section) -> str:
    return "\n\n".join([f"## {_escape(section.title)}", *map(_block, section.blocks)])


def _block(block: Block) -> str:
    match block:
        case Paragraph():
            return _paragraph(block.text, block.style)
        case Pairs():
            return "\n".join(f"- {_escape(name)}: {_escape(value)}" for name, value in block.rows)
        case Table():
            rules = ["---:" if c in block.right else "---" for c in range(len(block.head))]
            cells = [list(map(_escape, row)) for row in (block.head, *block.rows)]
            lines = [f"| {' | '.join(row)} |" for row in (cells[0], rules, *cells[1:])]
            return f"**{_escape(block.title)}**\n\n" + "\n".join(lines)
        case Items():
            return _list(block.items)
        case Figure():
            return _escape(block.description)
        case Image():
            return f"{_escape(block.caption)} ({block.picture.media}, SHA-256 {block.digest})"


def _paragraph(text: str, style: str) -> str:
    match style:
        case "quote":
            return "\n>\n".join(f"> {_escape(line)}" for line in text.split("\n") if line)
        case "code":
            return f"    {' '.join(text.split())}"
        case "heading":
            return f"### {_escape(text)}"
        case "lead":
            return f"**{_escape(text)}**"
        case "signature":
            return f"{_escape(text)} {SIGN_HERE}"
        case _:
            return _escape(text)


def _list(items: Sequence[str]) -> str:
    return "\n".join(f"- {_escape(item)}" for item in items)


def _escape(text: str) -> str:
    """Text that no reader of Markdown takes for markup; line ends become spaces."""
    line = _MARKS.sub(r"\\\g<0>", " ".join(text.split()))
    return _LINE_START.sub(_escape_start, line)


def _escape_start(found: re.Match[str]) -> str:
    start = found[0]
    return f"{start}\\" if start[0].isdigit() else f"\\{start}"
