"""A document as one HTML file: no script, no request, everything inside."""

from __future__ import annotations

import base64
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
    blocks = "\n".join(map(_block, section.blocks))
    return (
        f'<section id="{section.id}"{kind}>\n<h2>{escape(section.title)}</h2>\n{blocks}\n</section>'
    )


def _block(block: Block) -> str:
    match block:
        case Paragraph():
            return _paragraph(escape(block.text), block.style)
        case Pairs():
            rows = "".join(
                f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
                for name, value in block.rows
            )
            return f"<dl>{rows}</dl>"
        case Table():
            return _table(block)
        case Items():
            items = "\n".join(f"<li>{escape(item)}</li>" for item in block.items)
            return f"<ul>\n{items}\n</ul>"
        case Figure():
            return _figure(block.svg, block.caption)
        case Image():
            data = base64.b64encode(block.picture.data).decode()
            source = f"data:{block.picture.media};base64,{data}"
            return _figure(f'<img alt="{escape(block.caption)}" src="{source}">', block.caption)


def _paragraph(text: str, style: str) -> str:
    match style:
        case "quote":
            return f"<blockquote><p>{text}</p></blockquote>"
        case "code":
            return f"<pre>{text}</pre>"
        case "heading":
            return f"<h3>{text}</h3>"
        case "plain":
            return f"<p>{text}</p>"
        case _:
            return f'<p class="{style}">{text}</p>'


def _figure(content: str, caption: str) -> str:
    return f"<figure>{content}<figcaption>{escape(caption)}</figcaption></figure>"


def _table(table: Table) -> str:
    head = [escape(name) for name in table.head]
    aligned = [' class="number"' if c in table.right else "" for c in range(len(head))]
    columns = "".join(
        f'<col style="width:{100 * width / sum(table.widths):.1f}%">' for width in table.widths
    )
    heads = "".join(
        f'<th scope="col"{kind}>{name}</th>' for name, kind in zip(head, aligned, strict=True)
    )
    rows = "\n".join(
        "<tr>"
        + "".join(
            f'<td data-head="{name}"{kind}>{escape(cell)}</td>'
            for name, kind, cell in zip(head, aligned, row, strict=True)
        )
        + "</tr>"
        for row in table.rows
    )
    kind = "wide" if len(head) > 3 and not table.right else "narrow"
    return (
        f'<table class="{kind}"><caption>{escape(table.title)}</caption>'
        f"<colgroup>{columns}</colgroup>\n<thead><tr>{heads}</tr></thead>\n"
        f"<tbody>\n{rows}\n</tbody></table>"
    )
