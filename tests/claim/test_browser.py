"""The write-up in a real browser: quiet, complete and readable, wide and narrow."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest

from swapinfer.claim.document import to_html
from swapinfer.claim.write import Claim
from tests.claim.browser import Page, find_browser
from tests.claim.jobs import claim_of, coil_events
from tests.claim.test_hostile import HOSTILE, hostile_claim
from tests.claim.test_paid_on import papered

pytestmark = pytest.mark.skipif(
    find_browser() is None, reason="no browser is installed (package chromium)"
)

WIDTHS = [1280, 390]


@pytest.fixture(scope="module")
def page() -> Iterator[Page]:
    with Page() as page:
        yield page


def shown(page: Page, html: str, folder: Path, width: int) -> str:
    """Text that a reader sees, having loaded the write-up afresh."""
    page.problems.clear()
    page.requests.clear()
    path = folder / "claim.html"
    path.write_text(html, encoding="utf-8")
    page.show(path, width)
    text = page.run("document.body.innerText")
    return " ".join(str(text).split())


@pytest.mark.parametrize("width", WIDTHS)
def test_quiet_complete_and_nothing_beside_the_page(
    page: Page, coil_claim: Claim, tmp_path: Path, width: int
) -> None:
    text = shown(page, to_html(coil_claim.document), tmp_path, width)
    assert page.problems == []
    assert page.requests == [(tmp_path / "claim.html").as_uri()] + [
        url for url in page.requests if url.startswith("data:image/png")
    ]
    for section in coil_claim.document.sections:
        assert section.title in text
        for block in section.blocks:
            for sentence in [getattr(block, "text", ""), *getattr(block, "items", ())]:
                assert " ".join(sentence.split()) in text
    assert page.run("document.documentElement.scrollWidth") <= width
    assert page.run("document.images[0].naturalWidth") == 24
    assert (
        page.run("Math.min(...[...document.querySelectorAll('svg')].map(s => s.clientWidth))") > 250
    )


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("kind", ["script", "breakout", "quotes", "endless", "emoji", "direction"])
def test_hostile_texts_neither_run_nor_spill(
    page: Page, tmp_path: Path, kind: str, width: int
) -> None:
    shown(page, to_html(hostile_claim(HOSTILE[kind]).document), tmp_path, width)
    assert page.problems == []
    assert [url for url in page.requests if not url.startswith(("file:", "data:image/png"))] == []
    assert page.run("document.documentElement.scrollWidth") <= width
    assert page.run("document.scripts.length") == 0


@pytest.mark.parametrize("width", WIDTHS)
def test_no_figure_is_broken_and_no_label_stands_alone(
    page: Page, tmp_path: Path, width: int
) -> None:
    shown(page, to_html(claim_of(papered()).document), tmp_path, width)
    lines = page.run(
        "[...document.querySelectorAll('td.number')].map(cell => {"
        " const range = document.createRange(); range.selectNodeContents(cell);"
        " return new Set([...range.getClientRects()].map(r => Math.round(r.top))).size; })"
    )
    assert max(lines) == 1
    empty = "[...document.querySelectorAll('table.wide td')].filter(c => !c.textContent)"
    assert page.run(f"{empty}.length") > 0
    heights = page.run(f"{empty}.map(cell => cell.getClientRects().length)")
    assert width > 500 or set(heights) == {0}
    assert page.run("document.documentElement.scrollWidth") <= width


def test_the_harness_sees_scripts_requests_and_errors(page: Page, tmp_path: Path) -> None:
    """What the tests above must not find, found where it is."""
    html = "<p>x<script>console.log(1); nosuch()</script><img src='http://example.invalid/a.png'>"
    shown(page, html, tmp_path, 1280)
    assert any("1" in problem for problem in page.problems)
    assert any("Uncaught" in problem for problem in page.problems)
    assert "http://example.invalid/a.png" in page.requests


def accessibility_engine() -> str:
    """Source of axe-core, as a registry's package ships it."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or found.origin is None:
        pytest.skip("no accessibility engine is installed (package axe-core-python)")
    return Path(found.origin).with_name("axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("state", ["final", "draft", "by its papers"])
def test_an_accessibility_engine_finds_nothing_wrong(
    page: Page, coil_claim: Claim, tmp_path: Path, state: str, width: int
) -> None:
    """All rules of axe-core: contrast by WCAG 2, names of images, headings, tables, landmarks."""
    claims = {"draft": coil_events()[:9], "by its papers": papered()}
    claim = claim_of(claims[state]) if state in claims else coil_claim
    shown(page, to_html(claim.document), tmp_path, width)
    page.run(accessibility_engine() + "; 1")
    found = page.run(
        "axe.run().then(r => ({broken: r.violations.map(v => [v.id, v.nodes[0].html]),"
        " passed: r.passes.map(v => v.id)}))"
    )
    assert found["broken"] == []
    assert {"color-contrast", "svg-img-alt", "html-has-lang"} <= set(found["passed"])


def test_the_engine_finds_poor_contrast_where_it_is(
    page: Page, coil_claim: Claim, tmp_path: Path
) -> None:
    html = to_html(coil_claim.document).replace("color: #1b1f24;", "color: #c8c8c8;", 1)
    shown(page, html, tmp_path, 1280)
    page.run(accessibility_engine() + "; 1")
    broken = page.run("axe.run().then(r => r.violations.map(v => v.id))")
    assert "color-contrast" in broken


@pytest.mark.parametrize("width", WIDTHS)
def test_printed_in_grey_the_lines_still_differ(
    page: Page, coil_claim: Claim, tmp_path: Path, width: int
) -> None:
    """No two lines of the chart share a dash, so none is told by colour alone."""
    shown(page, to_html(coil_claim.document), tmp_path, width)
    dashes = page.run(
        "[...document.querySelector('svg').querySelectorAll('path[stroke-width=\"2\"]')]"
        ".filter(p => p.getAttribute('d').includes('L'))"
        ".map(p => p.getAttribute('stroke-dasharray') || '')"
    )
    assert len(dashes) == len(set(dashes)) == len(coil_claim.facts.causes)
