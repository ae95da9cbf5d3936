"""What must not be read is in no format, and what was left out is told, but not what it was."""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from swapinfer.claim.document import to_html, to_markdown, to_pdf
from swapinfer.claim.redact import LEFT_OUT, OF_THE_PACK, Mask
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import verify_file
from swapinfer.claim.write import Claim, dump, seal_of, to_json, write_up
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.exchange import document_of, dump_document
from swapinfer.ledger.papers import Labour, OldPart, Part
from swapinfer.ledger.replay import replay
from tests.claim.jobs import base_pack, chain, coil_events, opening, picture

VIN = "1M8GDM9AXKP042788"
PERSON = "Jos\u00e9 Made-Upp"
WORDS = ("jos\u00e9", "jose", "made", "upp", "kp042788", "042788", "2788", "1m8gdm9axkp042788")
OWN = ("sandbank", "white van")


def telling() -> list[Event]:
    """A job in which the person is named wherever anything can be typed."""
    events = coil_events()
    events[0] = opening(
        customer=PERSON, vin=VIN, complaint="Mr Made says it shakes", family="Upp fleet"
    )
    events[2] = ev.Noted(
        "JOSE MADE UPP; josemadeupp@example.org; made_upp.txt; vin 1m8gdm9-axkp 042788, tail "
        "KP042788, key 2788, lives at Sandbank, drives a White  Van; M\u200bade again, Jose\u0301"
    )
    events[3] = ev.Measured("compression", "cylinder3", 171.0, "11.8 bar Upp")
    events[5] = ev.Undone(4, "Made held the gauge")
    events[9] = ev.Replaced(
        "coil1",
        84.0,
        Part("C-9", "Upp-1", "Made Parts"),
        OldPart(kept="bag Upp", showed="a crack, says Jos\u00e9"),
        Labour("IG-Made", 30.0),
    )
    shown = picture("jose_upp_042788.png")
    events[11] = ev.Attached(
        shown.name, shown.digest, shown.media, shown.data, "coil of Made, Sandbank"
    )
    events[-1] = ev.Closed(("coil3",), ("",), verified=True, remark="Upp was told")
    return [*events, ev.Reopened("Made is back"), ev.Undone(len(events), "Upp was wrong")]


@pytest.fixture(scope="module")
def redacted() -> Claim:
    records = chain(telling())
    job = replay(read_events(records), base_pack())
    return write_up(job, records, settings=ClaimSettings(redact=True), words=OWN)


def printed(claim: Claim) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(to_pdf(claim.document)))


FORMATS: dict[str, Callable[[Claim], str]] = {
    "html": lambda claim: to_html(claim.document),
    "markdown": lambda claim: to_markdown(claim.document),
    "json": to_json,
    "pdf": lambda claim: "\n".join(page.extract_text() for page in printed(claim).pages),
    "facts": lambda claim: repr(claim.facts),
}


@pytest.mark.parametrize("form", FORMATS)
def test_no_word_of_the_person_is_in_any_format(redacted: Claim, form: str) -> None:
    text = FORMATS[form](redacted)
    text = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text).lower()
    text = re.sub(r"[0-9a-f]{16,64}", "", text)
    letters = r"[^\W_]"
    for word in (*WORDS, *OWN):
        assert not re.search(rf"(?<!{letters}){re.escape(word)}(?!{letters})", text), word
    assert "[left out]" in text.replace("\\", "")


def test_what_was_left_out_is_listed_by_event_and_the_words_told_to_the_shop_alone(
    redacted: Claim,
) -> None:
    told = {one.kind: one.of for one in redacted.facts.left_out}
    assert set(told) == {"identification number", "customer", "words added", "file name"}
    assert told["file name"] == (11,)
    assert told["words added"] == (2, 11)
    assert set(told["customer"]) >= {0, 2, 3, 5, 9, 11, 13, 14, 15}
    assert "words added, in #2 and #11" in to_markdown(redacted.document).replace("\\", "")
    assert {"Sandbank", "White  Van", "jose_upp_042788.png"} <= set(redacted.masked)
    assert "Sandbank" not in to_json(redacted)


def test_words_of_the_trade_stay_although_the_customer_is_called_so() -> None:
    """Only what people typed is searched, not what the priors say."""
    events = coil_events()
    events[0] = opening(customer="Case Load", complaint="shakes under load")
    records = chain(events)
    job = replay(read_events(records), base_pack())
    claim = write_up(job, records, settings=ClaimSettings(redact=True))
    text = to_markdown(claim.document).replace("\\", "")
    assert "breaks down under load" in text
    assert "> shakes under [left out]" in text


TYPED = {
    "ro", "complaint", "vin", "family", "customer", "typed", "text", "name", "caption", "reason",
    "remark",
}  # fmt: skip
"""Fields of events in which people write what they like."""


def test_of_every_field_with_words_it_is_known_whether_people_wrote_them() -> None:
    """What is of the pack must stay for a job to be replayed; all else is searched."""
    with_words = {
        field.name
        for event in ev.TYPES.values()
        for field in structs.fields(event)
        if "str" in str(field.type)
    }
    assert with_words <= TYPED | OF_THE_PACK
    assert not TYPED & OF_THE_PACK


def test_nothing_is_left_out_where_nothing_is_asked() -> None:
    mask = Mask(opening(customer="", vin=""))
    assert mask.hide(2, "as it was, 2788") == "as it was, 2788"
    assert mask.tell() == ()


@given(st.text(), st.sampled_from(["Ida Invented", "Ida", "invented"]), st.text())
def test_a_name_between_any_two_texts_is_found(before: str, name: str, after: str) -> None:
    hidden = Mask(opening()).hide(1, f"{before} {name} {after}")
    assert LEFT_OUT in hidden


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("H\u00f6he", "hoehe"), ("Hoehe", "H\u00f6he"), ("H\u00f6he", "hohe"),
        ("Gro\u00df", "gross"), ("Gross", "Gro\u00df"), ("S\u00f8ren", "soeren"),
        ("Soren", "S\u00f3ren"), ("M\u00e6rsk", "Maersk"), ("\u00c5berg", "aaberg"),
        ("Zo\u00eb", "ZOE"), ("O'Neill", "oneill"), ("van Dam", "vandam"), ("\u0130lker", "ilker"),
        ("\u0391\u03bd\u03bd\u03b1", "\u0391\u039d\u039d\u0391"),
    ],
)  # fmt: skip
def test_a_name_is_found_however_its_letters_are_written(name: str, text: str) -> None:
    assert Mask(opening(customer=name)).hide(1, f"({text})") == f"({LEFT_OUT})"


@pytest.mark.parametrize("text", ["Idaho stays", "prevented", "invents", "1111", "11 111"])
def test_other_words_stay(text: str) -> None:
    mask = Mask(opening(vin=VIN))
    assert mask.hide(1, text) == text


def test_it_still_verifies_beside_the_exported_job(redacted: Claim, tmp_path: Path) -> None:
    """Also where the shop left out words that only it knows."""
    job, path = tmp_path / "job.json", tmp_path / "claim.json"
    job.write_text(dump_document(document_of(redacted.records, redacted.packs)), encoding="utf-8")
    path.write_text(to_json(redacted), encoding="utf-8")
    found = verify_file(path, job=job)
    assert (found.same, found.difference) == (True, "")
    assert found.facts is not None
    said = " ".join(value for _, value in found.summary)
    assert "Made" not in said
    assert VIN not in said
    other = json.loads(to_json(redacted))
    other["facts"]["notes"][0]["text"] = "connector of [left out] looks clean"
    path.write_text(dump({**other, "seal": seal_of(other)}), encoding="utf-8")
    assert verify_file(path, job=job).difference.startswith("facts.notes[0].text")


def test_pixels_go_in_as_they_are(redacted: Claim) -> None:
    """A name in a picture is not seen by this: the page says which pictures there are."""
    shown = next(e for e in telling() if isinstance(e, ev.Attached))
    assert shown.data in to_html(redacted.document).replace("\n", "")
    assert base64.b64decode(shown.data)
