"""Texts that people typed, made fit to be shown."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from swapinfer.claim.clean import LEFT_OUT, clean_text, leave_out


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


def test_words_are_left_out_however_they_are_spaced_or_cased() -> None:
    hide = leave_out(["1M8GDM9AXKP042788", "Ida Invented", ""])
    said = "vin 1m8gd-m9axk p042788 of IDA  INVENTED; Idaho stays"
    assert hide(said) == f"vin {LEFT_OUT} of {LEFT_OUT}; Idaho stays"


def test_nothing_is_left_out_when_nothing_is_secret() -> None:
    assert leave_out(["", "  "])("as it was") == "as it was"


def test_a_short_name_does_not_blank_other_words() -> None:
    assert leave_out(["Al"])("Al always") == f"{LEFT_OUT} always"
