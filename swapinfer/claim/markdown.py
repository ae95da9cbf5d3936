"""A document as CommonMark with tables."""

from __future__ import annotations

import re
from functools import singledispatch

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
    shop = [f"**{_escape(document.shop)}**"] if document.shop else []
    head = [
        *shop,
        f"# {_escape(document.title)}",
        _escape(document.subtitle),
        f"**{_escape(document.stamp)}**",
        *([_list(document.warnings)] if document.warnings else []),
    ]
    parts = [*head, *map(_section, document.sections), "---", _escape(document.footer)]
    return "\n\n".join(parts) + "\n"


def _section(section: Section) -> str:
    blocks = [_block(block) for block in section.blocks]
    return "\n\n".join([f"## {_escape(section.title)}", *blocks])


def _escape(text: str) -> str:
    """Text that no reader of Markdown takes for markup; line ends become spaces."""
    line = _MARKS.sub(r"\\\g<0>", " ".join(text.split()))
    return _LINE_START.sub(_escape_start, line)


def _escape_start(found: re.Match[str]) -> str:
    start = found[0]
    return f"{start}\\" if start[0].isdigit() else f"\\{start}"


def _list(items: tuple[str, ...]) -> str:
    return "\n".join(f"- {_escape(item)}" for item in items)


@singledispatch
def _block(block: Block) -> str:
    raise TypeError(f"no Markdown for a {type(block).__name__}")


@_block.register
def _(block: Paragraph) -> str:
    match block.style:
        case "quote":
            return "\n>\n".join(f"> {_escape(line)}" for line in block.text.split("\n") if line)
        case "code":
            return f"    {' '.join(block.text.split())}"
        case "heading":
            return f"### {_escape(block.text)}"
        case "lead":
            return f"**{_escape(block.text)}**"
        case _:
            return _escape(block.text)


@_block.register
def _(block: Pairs) -> str:
    return "\n".join(f"- {_escape(name)}: {_escape(value)}" for name, value in block.rows)


@_block.register
def _(block: Table) -> str:
    rules = ("---:" if c in block.right else "---" for c in range(len(block.head)))
    lines = [_row(block.head), "| " + " | ".join(rules) + " |", *map(_row, block.rows)]
    return f"**{_escape(block.title)}**\n\n" + "\n".join(lines)


def _row(cells: tuple[str, ...]) -> str:
    return "| " + " | ".join(_escape(cell) for cell in cells) + " |"


@_block.register
def _(block: Items) -> str:
    return _list(block.items)


@_block.register
def _(block: Figure) -> str:
    return _escape(block.description)


@_block.register
def _(block: Image) -> str:
    return f"{_escape(block.caption)} ({block.media}, SHA-256 {block.digest})"
