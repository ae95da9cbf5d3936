"""Texts that people typed, made fit to be shown."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from swapinfer.claim.redact import clean_text


@given(st.text())
def test_nothing_unseen_is_left(text: str) -> None:
    """Unicode: Cc, Cf, Cs and Cn are not seen, Zl and Zp break lines; emoji keep their joiners."""
    for letter in clean_text(text):
        if letter not in "\n\u200d":
            assert unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"}


@given(st.text(st.characters(categories=["L", "N", "P", "S"])))
def test_what_is_seen_stays(text: str) -> None:
    assert clean_text(text) == text


@given(st.text())
def test_cleaning_twice_changes_nothing(text: str) -> None:
    assert clean_text(clean_text(text)) == clean_text(text)


def test_marks_of_direction_and_controls_go() -> None:
    bidi = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"
    assert clean_text(f"a{bidi}b\x00\x07\x1b[31mc\r\nd\te") == "ab[31mc\nd e"
