"""The same numbers in every format, and each format as its standard has it."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import html5lib
import jsonschema
import pypdf
import pytest
from markdown_it import MarkdownIt

from swapinfer.claim.document import to_html, to_markdown, to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.words import Numbers
from swapinfer.claim.write import SHAPE, Claim, to_json
from swapinfer.ledger import events as ev
from tests.claim.jobs import claim_of, coil_events, opening, picture
from tests.claim.schema import SHIPPED, claim_schema


def squeeze(text: str) -> str:
    """Text without spaces, so that line ends and breaks of long words do not matter."""
    return re.sub(r"[\s\u00ad\u200b]", "", text)


def read_html(claim: Claim) -> str:
    """Parse strictly: any error of the HTML standard fails the test."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    tree = parser.parse(to_html(claim.document))
    return squeeze("".join(tree.find("body").itertext()))


def read_pdf(claim: Claim, paper: str = "a4") -> str:
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(claim.document, paper=paper)))
    return squeeze("".join(page.extract_text() for page in reader.pages))


def read_markdown(claim: Claim) -> str:
    html = MarkdownIt("commonmark").enable("table").render(to_markdown(claim.document))
    return squeeze("".join(html5lib.parse(html, namespaceHTMLElements=False).itertext()))


def numbers_of(claim: Claim) -> list[str]:
    """Every number of the JSON that a reader is shown, as the shop writes it."""
    facts, numbers = json.loads(to_json(claim))["facts"], Numbers(claim.settings)
    shown = [numbers.percent(facts["standing"]["joint"])]
    shown += [numbers.percent(facts["verification"]["residual_risk"])]
    for cause in facts["causes"]:
        shown.append(numbers.percent(cause["before"]))
    for finding in facts["findings"]:
        shown.append(numbers.moment(finding["at"]))
        shown += map(numbers.percent, finding["probability_c"])
        shown += map(numbers.decibans, finding["decibans_c"][: facts["subjects"]])
        if finding["reading"]:
            reading = finding["reading"]
            shown += [numbers.quantity(reading["value"], reading["unit"], 4)]
            shown += [numbers.quantity(bound, reading["unit"]) for bound in reading["good"]]
    for rival in facts["rivals"]:
        shown += [numbers.percent(rival["probability"]), numbers.factor(rival["factor"])]
        shown += [numbers.decibans(one["decibans"]) for one in rival["against"]]
    for line in facts["spent"]["lines"]:
        shown.append(numbers.money(line["money"], facts["spent"]["currency"]))
    shown.append(numbers.money(facts["spent"]["total"], facts["spent"]["currency"]))
    shown += [facts["ledger"]["head"], facts["provenance"]["digest"]]
    return [squeeze(text) for text in shown]


GERMAN = ClaimSettings(
    decimal=",", dates="dmy", pressure="bar", distance="mi", currency="EUR", paper="letter"
)


@pytest.mark.parametrize("settings", [ClaimSettings(), GERMAN], ids=["point", "comma"])
def test_the_numbers_of_the_json_stand_in_every_format(settings: ClaimSettings) -> None:
    claim = claim_of(coil_events(), settings)
    wanted = numbers_of(claim)
    assert len(wanted) > 60
    for read in (read_html, read_markdown, read_pdf):
        text = read(claim)
        assert [number for number in wanted if number not in text] == []


def test_every_sentence_of_the_html_stands_in_the_pdf(coil_claim: Claim) -> None:
    html, pdf = read_html(coil_claim), read_pdf(coil_claim)
    for section in coil_claim.document.sections:
        for block in section.blocks:
            for text in [getattr(block, "text", ""), *getattr(block, "items", ())]:
                assert squeeze(text) in html
                assert squeeze(text) in pdf


def test_the_html_asks_for_nothing_and_runs_nothing(coil_claim: Claim) -> None:
    tree = html5lib.parse(to_html(coil_claim.document), namespaceHTMLElements=False)
    tags = {str(node.tag).rpartition("}")[2] for node in tree.iter() if isinstance(node.tag, str)}
    assert not tags & {"script", "link", "iframe", "object", "embed", "form", "a", "base"}
    for node in tree.iter():
        for name, value in node.attrib.items():
            assert not name.lower().startswith("on")
            assert name not in {"href", "action"}
            assert name != "src" or value.startswith("data:image/")
    assert "url(" not in to_html(coil_claim.document)
    assert "@import" not in to_html(coil_claim.document)


def test_the_json_is_as_its_schema_says(coil_claim: Claim) -> None:
    schema = json.loads(SHIPPED.read_text(encoding="utf-8"))
    assert schema == claim_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    redacted = claim_of([opening(), picture()], ClaimSettings(redact=True))
    for claim in (coil_claim, redacted):
        document = json.loads(to_json(claim))
        assert document["shape"] == SHAPE
        jsonschema.validate(document, schema)
        document["facts"]["causes"][0]["probability"] = "high"
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(document, schema)


@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_pdf_is_tagged_has_its_fonts_inside_and_the_right_paper(
    coil_claim: Claim, paper: str, size: tuple[int, int]
) -> None:
    """ISO 32000: MarkInfo says that it is tagged; a font is inside where its file is."""
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(coil_claim.document, paper=paper)))
    root = reader.trailer["/Root"].get_object()
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712  a PDF boolean
    assert root["/Lang"] == "en"
    assert "/StructTreeRoot" in root
    assert tuple(round(float(side)) for side in reader.pages[0].mediabox[2:]) == size
    fonts = [
        font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()
    ]
    assert fonts
    assert all({"/FontFile2", "/FontFile3"} & set(font) for font in fonts)
    assert "/JavaScript" not in str(root)


def test_pictures_are_in_html_and_pdf_and_named_by_digest_in_markdown(coil_claim: Claim) -> None:
    (photo,) = coil_claim.facts.photos
    html = to_html(coil_claim.document)
    assert 'src="data:image/png;base64,' in html
    assert photo.digest in to_markdown(coil_claim.document)
    reader = pypdf.PdfReader(io.BytesIO(to_pdf(coil_claim.document)))
    assert sum(len(page.images) for page in reader.pages) == 1


def test_a_picture_that_cannot_be_read_does_not_stop_the_write_up() -> None:
    broken = ev.Attached("half a picture", "0" * 64, "image/png", "not base64!")
    claim = claim_of([opening(), broken])
    assert "cannotbeshown" in read_html(claim)
    assert "cannotbeshown" in read_pdf(claim)


def test_no_format_says_anything_of_this_machine(coil_claim: Claim) -> None:
    made = [
        to_html(coil_claim.document).encode(), to_markdown(coil_claim.document).encode(),
        to_json(coil_claim).encode(), to_pdf(coil_claim.document),
    ]  # fmt: skip
    here = str(Path(__file__).parents[2]).encode()
    for data in made:
        assert here not in data
        assert not re.search(rb"/(home|root|tmp)/|/usr/lib|[A-Z]:\\\\Users", data)


def test_the_same_job_makes_the_same_bytes(coil_claim: Claim) -> None:
    from datetime import UTC, datetime

    again = claim_of(coil_events(), coil_claim.settings)
    assert to_json(again) == to_json(coil_claim)
    assert to_html(again.document) == to_html(coil_claim.document)
    at = datetime(2031, 5, 4, tzinfo=UTC)
    assert to_pdf(again.document, made_at=at) == to_pdf(coil_claim.document, made_at=at)
