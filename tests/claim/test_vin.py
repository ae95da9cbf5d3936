"""Check digits of identification numbers, against the tables of the standard."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.claim.gather import check_digit, check_vin, normal_vin

# 49 CFR 565.15(c), table III and table IV, typed from the regulation: from memory.
TABLE_III = {
    1: "AJ", 2: "BKS", 3: "CLT", 4: "DMU", 5: "ENV", 6: "FW", 7: "GPX", 8: "HY", 9: "RZ",
}  # fmt: skip
TABLE_IV = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]

PERMITTED = "".join(sorted(set(string.ascii_uppercase + string.digits) - set("IOQ")))
numbers = st.text(PERMITTED, min_size=17, max_size=17)


def value(letter: str) -> int:
    if letter.isdigit():
        return int(letter)
    return next(number for number, letters in TABLE_III.items() if letter in letters)


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        (
            "11111111111111111",
            "1",
        ),  # the usual example, 1 * (sum of weights 89) mod 11; from memory
        ("1M8GDM9AXKP042788", "X"),  # the usual worked example with remainder 10; from memory
        ("5GZCZ43D13S812715", "1"),  # a usual example; from memory
    ],
)
def test_check_digits_of_examples_in_common_use(vin: str, digit: str) -> None:
    assert check_digit(vin) == digit
    assert check_vin(vin) == "valid"


@given(numbers)
def test_check_digit_follows_the_tables(vin: str) -> None:
    remainder = sum(value(c) * w for c, w in zip(vin, TABLE_IV, strict=True)) % 11
    assert check_digit(vin) == ("X" if remainder == 10 else str(remainder))


@given(numbers, st.integers(0, 16), st.sampled_from(PERMITTED))
def test_one_wrong_character_of_another_value_is_always_caught(
    vin: str, place: int, letter: str
) -> None:
    """11 is prime: no weight (2 to 10) times a difference of values (1 to 8) is 0 modulo it."""
    right = "1" + vin[1:8] + check_digit("1" + vin[1:]) + vin[9:]
    wrong = right[:place] + letter + right[place + 1 :]
    if place == 8 or value(letter) == value(right[place]) or wrong[0] not in "12345":
        return
    assert check_vin(right) == "valid"
    assert check_vin(wrong) == "wrong"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", ""),
        ("1m8-gdm9axkp 042788", "valid"),
        ("1M8GDM9A1KP042788", "wrong"),
        ("WXXZZZ00Z00000000", "not required"),
        ("1M8GDM9AXKP04278", "malformed"),
        ("1M8GDM9AXKPO42788", "malformed"),
    ],
)
def test_what_is_said_of_a_number(typed: str, said: str) -> None:
    assert check_vin(normal_vin(typed)) == said
