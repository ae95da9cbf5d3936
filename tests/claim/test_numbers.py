"""Numbers as the shop writes them."""

from __future__ import annotations

import pytest
from babel.numbers import format_decimal
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.words import Numbers
from swapinfer.errors import InputError

POINT = Numbers(ClaimSettings())
COMMA = Numbers(ClaimSettings(decimal=",", dates="dmy", pressure="bar", distance="mi"))


@given(st.floats(-1e9, 1e9), st.integers(0, 3))
def test_thousands_and_decimals_as_the_unicode_consortiums_tables_have_them(
    value: float, digits: int
) -> None:
    """CLDR, read by Babel: English and German. The sign here is a minus, not a hyphen."""
    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    for numbers, locale in ((POINT, "en"), (COMMA, "de")):
        wanted = format_decimal(round(value, digits) or 0.0, pattern, locale=locale)
        assert numbers.plain(value, digits).replace("\u2212", "-") == wanted


@pytest.mark.parametrize(
    ("probability", "shown"),
    [
        (0.0, "below 0.01 %"),
        (0.00012, "0.012 %"),
        (0.0099, "0.99 %"),
        (0.9995, "99.950 %"),
        (0.0042, "0.42 %"),
        (0.5, "50.0 %"),
        (0.961, "96.1 %"),
        (0.9951, "99.51 %"),
        (0.99995, "above 99.99 %"),
        (1.0, "above 99.99 %"),
    ],
)
def test_no_probability_is_shown_as_never_or_always(probability: float, shown: str) -> None:
    assert POINT.percent(probability) == shown.replace(" %", "\u00a0%")


def test_units_follow_the_shop() -> None:
    """1 bar is 100 kPa and 14.503774 psi; 1 mile is 1.609344 km: both exact by definition."""
    assert POINT.quantity(145.03774, "psi") == "145\u00a0psi"
    assert COMMA.quantity(145.03774, "psi") == "10,0\u00a0bar"
    assert COMMA.quantity(-20.0, "kPa") == "\u22120,200\u00a0bar"
    assert COMMA.distance(160.9344) == "100\u00a0mi"
    assert POINT.quantity(12300.0, "ohm") == "12.3\u00a0kΩ"
    assert POINT.quantity(None, "ohm") == "OL (over limit)"


def test_dates_and_times_stay_where_they_were_recorded() -> None:
    at = "2031-05-04T23:30:00+09:00"
    assert POINT.moment(at) == "2031-05-04 23:30"
    assert COMMA.moment(at) == "04/05/2031 23:30"
    assert Numbers(ClaimSettings(dates="mdy")).day(at) == "05/04/2031"


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [(6.0, "6 min"), (2.5, "2.5 min"), (119.0, "119 min"), (173.0, "2 h 53 min")],
)
def test_long_times_are_told_in_hours(minutes: float, shown: str) -> None:
    assert POINT.minutes(minutes).replace("\u00a0", " ") == shown


@pytest.mark.parametrize(
    "wrong", [{"dates": "ymd"}, {"paper": "a5"}, {"decimal": "'"}, {"established": 0.4}]
)
def test_settings_that_make_no_write_up_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError):
        ClaimSettings(**wrong)  # type: ignore[arg-type]
