"""A document as one HTML file: no script, no request, everything inside."""

from __future__ import annotations

import base64
from functools import singledispatch
from html import escape
from importlib.resources import files

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

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Content security policy: were anything to slip in, a browser would neither run nor load it."""

_TAGS = {
    "plain": ("p", ""),
    "lead": ("p", ' class="lead"'),
    "quote": ("blockquote", ""),
    "small": ("p", ' class="small"'),
    "code": ("pre", ""),
    "heading": ("h3", ""),
}


def to_html(document: Document) -> str:
    """Write a document as HTML.

    Parameters
    ----------
    document : Document
        From `swapinfer.claim.compose.compose`.

    Returns
    -------
    str
        A whole HTML5 file.
    """
    style = files("swapinfer.claim").joinpath("claim.css").read_text(encoding="utf-8")
    title = escape(" ".join(filter(None, [document.title, document.shop])))
    body = "\n".join([_head(document), *map(_section, document.sections)])
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{title}</title>
<style>
{style}</style>
</head>
<body>
<main>
{body}
</main>
<footer><p>{escape(document.footer)}</p></footer>
</body>
</html>
"""


def _head(document: Document) -> str:
    shop = f'<p class="shop">{escape(document.shop)}</p>\n' if document.shop else ""
    kind = "draft" if document.is_draft else "final"
    warnings = "".join(f"<li>{escape(warning)}</li>" for warning in document.warnings)
    why = f"\n<ul>{warnings}</ul>" if warnings else ""
    return (
        f"<header>\n{shop}<h1>{escape(document.title)}</h1>\n"
        f'<p class="subtitle">{escape(document.subtitle)}</p>\n'
        f'<div class="stamp {kind}"><strong>{escape(document.stamp)}</strong>{why}</div>\n</header>'
    )


def _section(section: Section) -> str:
    kind = ' class="major"' if section.major else ""
    blocks = "\n".join(_block(block) for block in section.blocks)
    return (
        f'<section id="{section.id}"{kind}>\n<h2>{escape(section.title)}</h2>\n{blocks}\n</section>'
    )


@singledispatch
def _block(block: Block) -> str:
    raise TypeError(f"no HTML for a {type(block).__name__}")


@_block.register
def _(block: Paragraph) -> str:
    tag, attributes = _TAGS[block.style]
    text = escape(block.text)
    if block.style == "quote":
        text = f"<p>{text}</p>"
    return f"<{tag}{attributes}>{text}</{tag}>"


@_block.register
def _(block: Pairs) -> str:
    rows = "".join(
        f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in block.rows
    )
    return f"<dl>{rows}</dl>"


@_block.register
def _(block: Table) -> str:
    widths = block.widths or (1,) * len(block.head)
    columns = "".join(f'<col style="width:{100 * w / sum(widths):.1f}%">' for w in widths)
    head = "".join(
        f'<th scope="col"{_aligned(block, c)}>{escape(name)}</th>'
        for c, name in enumerate(block.head)
    )
    rows = "\n".join(f"<tr>{_cells(block, row)}</tr>" for row in block.rows)
    kind = "wide" if len(block.head) > 3 and not block.right else "narrow"
    return (
        f'<table class="{kind}"><caption>{escape(block.title)}</caption>'
        f"<colgroup>{columns}</colgroup>\n<thead><tr>{head}</tr></thead>\n"
        f"<tbody>\n{rows}\n</tbody></table>"
    )


def _cells(block: Table, row: tuple[str, ...]) -> str:
    return "".join(
        f'<td data-head="{escape(block.head[c])}"{_aligned(block, c)}>{escape(cell)}</td>'
        for c, cell in enumerate(row)
    )


def _aligned(block: Table, column: int) -> str:
    return ' class="number"' if column in block.right else ""


@_block.register
def _(block: Items) -> str:
    items = "\n".join(f"<li>{escape(item)}</li>" for item in block.items)
    return f"<ul>\n{items}\n</ul>"


@_block.register
def _(block: Figure) -> str:
    return f"<figure>{block.svg}<figcaption>{escape(block.caption)}</figcaption></figure>"


@_block.register
def _(block: Image) -> str:
    data = base64.b64encode(block.data).decode()
    return (
        f'<figure><img alt="{escape(block.caption)}" src="data:{escape(block.media)};base64,'
        f'{data}"><figcaption>{escape(block.caption)}</figcaption></figure>'
    )
