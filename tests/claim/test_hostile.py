"""Texts that try to break or inject, in every field that people type, in every format."""

from __future__ import annotations

import io
import json
import re

import html5lib
import pypdf
import pytest
from markdown_it import MarkdownIt

from swapinfer.claim.document import to_html, to_markdown, to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim, to_json, write_up
from swapinfer.ledger import events as ev
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import replay
from tests.claim.jobs import base_pack, chain, opening, picture

HOSTILE = {
    "script": "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "breakout": "</title></style></svg></main><svg onload=alert(3)>",
    "quotes": '" onmouseover="alert(4)" x=\'',
    "entities": "&lt;b&gt; &#x3c;script&#x3e; &amp;",
    "comment": "--><!-- ]]> <![CDATA[ <?php",
    "typesetter": '#panic("x") #import "/etc/passwd" *b* _i_ $x$ @ref <label> // \\ #{',
    "braces": "{ro} {0} {facts.ledger} {{}} %s %(x)s",
    "links": "[x](javascript:alert(5)) ![y](http://example.invalid/z) <http://example.invalid>",
    "autolink": "http://example.invalid/a www.example.invalid",
    "blocks": "# head\n- item\n> quote\n1. one\n| a | b |\n|---|---|\n```\ncode\n```\n***",
    "direction": "abc\u202egpj.exe\u2066\u200f\u061c",
    "controls": "a\x00b\x07c\x1b[31md\x7f\x85e\ufffe",
    "emoji": "\U0001f697\U0001f525 \U0001f468\u200d\U0001f527 \u2764\ufe0f",
    "scripts": "محرك מנוע エンジン двигатель",
    "long": "misfire " * 12_500,
    "endless": "x" * 100_000,
    "lines": "\n" * 5_000 + "end",
}


def hostile_claim(text: str) -> Claim:
    """The text in every field that people type."""
    events = [
        opening(ro=f"RO {text}", complaint=text, customer=text, vin=text, family=text),
        ev.Ran(10, (), ("P0303",)),
        ev.Measured("compression", "cylinder3", 170.0, text),
        ev.Noted(text),
        ev.Undone(3),
        ev.Noted(text),
        picture(text, "image/png"),
        ev.Attached(text, "0" * 64, 'image/svg+xml"><script>', "PHN2Zy8+"),
        ev.Closed(("coil3",), ("",), remark=text),
        ev.Reopened(text),
    ]
    who = "".join(letter for letter in text if ord(letter) >= 32)[:100]
    records = chain(events, (f"W {who}",))
    settings = ClaimSettings(shop=f"Shop {text}")
    return write_up(replay(read_events(records), base_pack()), records, settings=settings)


@pytest.fixture(scope="module", params=list(HOSTILE), ids=list(HOSTILE))
def hostile(request: pytest.FixtureRequest) -> tuple[str, Claim]:
    return HOSTILE[request.param], hostile_claim(HOSTILE[request.param])


TAGS = {
    "html", "head", "meta", "title", "style", "body", "main", "header", "footer", "section",
    "h1", "h2", "h3", "p", "div", "strong", "ul", "li", "dl", "dt", "dd", "blockquote", "pre",
    "table", "caption", "colgroup", "col", "thead", "tbody", "tr", "th", "td",
    "figure", "figcaption", "img", "svg", "desc", "path", "text", "rect", "circle", "polygon",
}  # fmt: skip
ATTRIBUTES = {
    "lang", "charset", "http-equiv", "content", "name", "class", "id", "scope", "style",
    "data-head", "alt", "src", "xmlns", "role", "viewBox", "x", "y", "text-anchor", "font-size",
    "fill", "font-weight", "d", "stroke", "stroke-width", "stroke-dasharray", "cx", "cy", "r",
    "points", "width", "height", "rx",
}  # fmt: skip


def test_html_stays_valid_and_holds_only_its_own_elements(hostile: tuple[str, Claim]) -> None:
    text, claim = hostile
    html = to_html(claim.document)
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    tree = parser.parse(html)
    for node in tree.iter():
        assert str(node.tag).rpartition("}")[2] in TAGS
        assert {name.rpartition("}")[2] for name in node.attrib} <= ATTRIBUTES
        assert node.get("src", "data:image/png;").startswith("data:image/png;")
    shown = " ".join("".join(tree.itertext()).split())
    first = claim.facts.complaint.split()[0][:40]
    assert first in shown
    assert (
        re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\u200e\u200f]", html) is None
    )
    assert len(html) < 200_000 or text == HOSTILE["long"]


def test_markdown_makes_no_markup_of_it(hostile: tuple[str, Claim]) -> None:
    """Read by a CommonMark parser with tables, raw HTML and links recognised."""
    _, claim = hostile
    reader = MarkdownIt("commonmark", {"html": True}).enable("table")
    tokens = [
        inner for token in reader.parse(to_markdown(claim.document))
        for inner in (token, *(token.children or ()))
    ]  # fmt: skip
    kinds = {token.type for token in tokens}
    assert not kinds & {
        "html_inline", "html_block", "link_open", "image", "fence", "ordered_list_open",
    }  # fmt: skip
    own = {"title", *(section.title for section in claim.document.sections)}
    assert sum(token.type == "heading_open" for token in tokens) <= len(own) + 2
    assert sum(token.type == "code_block" for token in tokens) == 2
    assert not {"em_open", "s_open"} & kinds


def test_pdf_is_made_and_reads_it_as_text(hostile: tuple[str, Claim]) -> None:
    _, claim = hostile
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(claim.document)))
    shown = re.sub(r"\s", "", "".join(page.extract_text() for page in reader.pages))
    word = next(iter(re.findall(r"[A-Za-z]{2,16}", claim.facts.complaint)), "RO")
    assert word in shown
    assert len(reader.pages) < 40
    for page in reader.pages:
        assert "/Annots" not in page


def test_json_holds_it_whole_and_in_plain_letters(hostile: tuple[str, Claim]) -> None:
    text, claim = hostile
    written = to_json(claim)
    assert written.isascii()
    assert json.loads(written)["job"]["records"][0]["payload"]["complaint"] == text


def test_long_texts_are_cut_where_read_and_whole_where_kept(hostile: tuple[str, Claim]) -> None:
    text, claim = hostile
    if len(text) < 10_000:
        return
    assert "shortened: 100,000 characters" in to_markdown(claim.document).replace("\\", "")
