"""A document: its parts, and what they are in HTML, Markdown and PDF."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Sequence
from datetime import datetime
from html import escape
from importlib.resources import files
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, TypeAlias

from msgspec import Struct, json, to_builtins

from swapinfer.claim.pictures import Picture
from swapinfer.claim.settings import PAPERS
from swapinfer.errors import ClaimError, InputError

if TYPE_CHECKING:
    from pypdf import PdfReader

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Content security policy: were anything to slip in, a browser would neither run nor load it."""

_MARKS = re.compile(r"[\\`*_\[\]<>|~&$]|:(?=//)|(?<=www)\.", re.IGNORECASE)
"""What is markup in Markdown, or made a link, wherever it stands."""

_LINE_START = re.compile(r"^(?:[#+=:-]|\d+(?=[.)]))")  # what is markup where a line begins
_LONG_WORD = re.compile(r"\S{60,}")
BREAK = "\u200b"  # where a long word may be broken, a space of no width
PDF = b"%PDF-"  # how such a file begins

ATTEMPTS: tuple[dict[str, Any], ...] = (
    {"ignore_system_fonts": True, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False, "pdf_standards": "ua-1"},
    {"ignore_system_fonts": False},
)
"""PDF/UA asks that every letter can be shown: first with the fonts that come with the typesetter,
then with those of the machine; else a letter that no font has is shown as a box."""


class Paragraph(Struct, frozen=True, tag=True, tag_field="kind"):
    """Running text: plain, a lead, quote, code, heading, signature (a line for it), or small."""

    text: str
    style: str = "plain"


class Pairs(Struct, frozen=True, tag=True, tag_field="kind"):
    """Names and values."""

    rows: tuple[tuple[str, str], ...]


class Table(Struct, frozen=True, tag=True, tag_field="kind"):
    """Rows under a head; columns have shares of the width, those of numbers are to the right."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    right: tuple[int, ...] = ()


class Items(Struct, frozen=True, tag=True, tag_field="kind"):
    """A list without order."""

    items: tuple[str, ...]


class Figure(Struct, frozen=True, tag=True, tag_field="kind"):
    """A drawing, safe as it stands, since every text in it is escaped; told to who sees none."""

    svg: str
    caption: str
    description: str


class Image(Struct, frozen=True, tag=True, tag_field="kind"):
    """A photograph; `digest` is that of the file as it was attached."""

    picture: Picture
    caption: str
    digest: str


Block: TypeAlias = Paragraph | Pairs | Table | Items | Figure | Image


class Section(Struct, frozen=True):
    """A heading and what stands under it; `major` ones are the trade's three."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    major: bool = False


class Document(Struct, frozen=True):
    """A write-up, in order; the stamp says in what state it is, the warnings why it is a draft."""

    title: str
    shop: str
    subtitle: str
    stamp: str
    is_draft: bool
    warnings: tuple[str, ...]
    sections: tuple[Section, ...]
    footer: str


def to_html(document: Document) -> str:
    """Write a document as one HTML5 file: no script, no request, everything inside."""
    style = files("swapinfer.claim").joinpath("claim.css").read_text(encoding="utf-8")
    title = escape(" ".join(filter(None, [document.title, document.shop])))
    shop = f'<p class="shop">{escape(document.shop)}</p>\n' if document.shop else ""
    kind = "draft" if document.is_draft else "final"
    warnings = "".join(f"<li>{escape(warning)}</li>" for warning in document.warnings)
    why = f"\n<ul>{warnings}</ul>" if warnings else ""
    body = "\n".join(map(_html_section, document.sections))
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
<header>
{shop}<h1>{escape(document.title)}</h1>
<p class="subtitle">{escape(document.subtitle)}</p>
<div class="stamp {kind}"><strong>{escape(document.stamp)}</strong>{why}</div>
</header>
{body}
</main>
<footer><p>{escape(document.footer)}</p></footer>
</body>
</html>
"""


def _html_section(section: Section) -> str:
    kind = ' class="major"' if section.major else ""
    blocks = "\n".join(map(_html_block, section.blocks))
    return (
        f'<section id="{section.id}"{kind}>\n<h2>{escape(section.title)}</h2>\n{blocks}\n</section>'
    )


def _html_block(block: Block) -> str:
    match block:
        case Paragraph():
            text = escape(block.text)
            forms = {
                "quote": f"<blockquote><p>{text}</p></blockquote>",
                "code": f"<pre>{text}</pre>",
                "heading": f"<h3>{text}</h3>",
                "plain": f"<p>{text}</p>",
            }
            return forms.get(block.style, f'<p class="{block.style}">{text}</p>')
        case Pairs():
            rows = "".join(
                f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>"
                for name, value in block.rows
            )
            return f"<dl>{rows}</dl>"
        case Table():
            return _html_table(block)
        case Items():
            items = "\n".join(f"<li>{escape(item)}</li>" for item in block.items)
            return f"<ul>\n{items}\n</ul>"
        case Figure():
            content = block.svg
        case Image():
            data = base64.b64encode(block.picture.data).decode()
            source = f"data:{block.picture.media};base64,{data}"
            content = f'<img alt="{escape(block.caption)}" src="{source}">'
    return f"<figure>{content}<figcaption>{escape(block.caption)}</figcaption></figure>"


def _html_table(table: Table) -> str:
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


def to_markdown(document: Document) -> str:
    """Write a document as CommonMark and tables, drawings in words, photographs by digest."""
    sections = (
        "\n\n".join([f"## {_plain(section.title)}", *map(_markdown_block, section.blocks)])
        for section in document.sections
    )
    parts = [
        f"**{_plain(document.shop)}**" if document.shop else "",
        f"# {_plain(document.title)}",
        _plain(document.subtitle),
        f"**{_plain(document.stamp)}**",
        _list(document.warnings),
        *sections,
        "---",
        _plain(document.footer),
    ]
    return "\n\n".join(filter(None, parts)) + "\n"


def _markdown_block(block: Block) -> str:
    match block:
        case Paragraph():
            plain = _plain(block.text)
            lines = [f"> {_plain(line)}" for line in block.text.split("\n") if line]
            forms = {
                "quote": "\n>\n".join(lines),
                "code": f"    {' '.join(block.text.split())}",
                "heading": f"### {plain}",
                "lead": f"**{plain}**",
                "signature": f"{plain} " + r"\_" * 30,
            }
            return forms.get(block.style, plain)
        case Pairs():
            return "\n".join(f"- {_plain(name)}: {_plain(value)}" for name, value in block.rows)
        case Table():
            rules = ["---:" if c in block.right else "---" for c in range(len(block.head))]
            cells = [list(map(_plain, row)) for row in (block.head, *block.rows)]
            lines = [f"| {' | '.join(row)} |" for row in (cells[0], rules, *cells[1:])]
            return f"**{_plain(block.title)}**\n\n" + "\n".join(lines)
        case Items():
            return _list(block.items)
        case Figure():
            return _plain(block.description)
        case Image():
            return f"{_plain(block.caption)} ({block.picture.media}, SHA-256 {block.digest})"


def _list(items: Sequence[str]) -> str:
    return "\n".join(f"- {_plain(item)}" for item in items)


def _plain(text: str) -> str:
    """Text that no reader of Markdown takes for markup; line ends become spaces."""
    line = _MARKS.sub(r"\\\g<0>", " ".join(text.split()))
    return _LINE_START.sub(lambda m: f"{m[0]}\\" if m[0].isdigit() else f"\\{m[0]}", line)


def to_pdf(document: Document, *, paper: str = "a4", made_at: datetime | None = None) -> bytes:
    """Typeset a document as PDF: tagged, fonts inside, the same bytes for the same date.

    All texts reach the typesetter as data, never as markup.
    """
    import typst

    template = files("swapinfer.claim").joinpath("claim.typ").read_bytes()
    data = _breakable({**to_builtins(document), "paper": PAPERS[paper]})
    sources = {"main.typ": template, "data.json": json.encode(data)}
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
        return _LONG_WORD.sub(lambda word: BREAK.join(re.findall(".{1,16}", word[0])), value)
    if isinstance(value, dict):
        return {k: v if k in ("svg", "data") else _breakable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_breakable(item) for item in value]
    return value


def first_printed_difference(raw: bytes, document: Document, *, paper: str) -> str:
    """Name the first place where text or pictures of a PDF are not those that a document makes."""
    given, made = _read(raw), _read(to_pdf(document, paper=paper))
    stated, computed = _words(given), _words(made)
    for n, (is_, was) in enumerate(zip_longest(stated, computed, fillvalue="(nothing more)")):
        if is_ != was:
            before = " ".join(computed[max(0, n - 4) : n])
            return f"after \u201c{before}\u201d it is printed {is_}, where the file makes {was}"
    if _pixels(given) != _pixels(made):
        return "a picture in it is not the one that the file makes"
    if any(page.get("/Annots") for page in given.pages):
        return "something was laid over a page"
    return ""


def _read(raw: bytes) -> PdfReader:
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        reader = PdfReader(io.BytesIO(raw))
        for page in reader.pages:
            page.extract_text()
    except (PyPdfError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise InputError(f"the PDF is damaged, or locked: {error}") from error
    return reader


def _words(reader: PdfReader) -> list[str]:
    """Words in order; where a line or a long word is broken does not matter."""
    text = "\n".join(page.extract_text() for page in reader.pages)
    return re.sub(f"{BREAK}\\s*", "", text).split()


def _pixels(reader: PdfReader) -> list[tuple[tuple[int, int], bytes]]:
    """Pixels of all pictures, however they are packed."""
    shown = [image.image for page in reader.pages for image in page.images]
    return [(image.size, image.convert("RGB").tobytes()) for image in shown if image]
