"""Quantities as people write them, against SciPy's constants and pint."""

from __future__ import annotations

import math
import subprocess
import sys

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from swapinfer.errors import InputError
from swapinfer.units import UNITS, convert, format_quantity, to_unit

REGISTRY = pint.UnitRegistry()

WRITTEN = [
    ("12.4", "V", 12.4),
    ("12.4V", "V", 12.4),
    (" 12,4 volts ", "V", 12.4),
    ("250 mV", "V", 0.25),
    ("8 kV", "V", 8000),
    ("9.5 kohm", "ohm", 9500),
    ("9,5 k\u03a9", "ohm", 9500),
    ("9.5k", "ohm", 9500),
    ("12 \u2126", "ohm", 12),
    ("1.2 Mohm", "ohm", 1_200_000),
    ("1.2 M\u2126", "ohm", 1_200_000),
    ("800 mohm", "ohm", 0.8),
    ("150 psi", "kPa", 150 * constants.psi / 1000),
    ("10 bar", "kPa", 10 * constants.bar / 1000),
    ("10 bar", "psi", 10 * constants.bar / constants.psi),
    ("1.2 MPa", "kPa", 1200),
    ("1013.25 hPa", "kPa", 101.325),
    ("93,000 mi", "km", 93_000 * constants.mile / 1000),
    ("150,000", "km", 150_000),
    ("0,125", "V", 0.125),
    ("150 000 km", "km", 150_000),
    ("148_000 km", "km", 148_000),
    ("1,234,567.5 km", "km", 1_234_567.5),
    ("8,200 ft", "m", 8200 * constants.foot),
    ("2 h", "min", 120),
    ("90 s", "min", 1.5),
    ("1.5 hours", "min", 90),
    ("68 F", "degC", 20),
    ("194 degF", "degC", 90),
    ("-4 \u00b0F", "degC", -20),
    ("90 \u00b0C", "degC", 90),
    ("0.044 inch", "mm", 0.044 * constants.inch * 1000),
    ("-0.3", "V", -0.3),
    ("+14 %", "%", 14),
    (".5", "V", 0.5),
    ("1e3 ohm", "ohm", 1000),
]


@pytest.mark.parametrize(("text", "unit", "value"), WRITTEN)
def test_what_people_write(text: str, unit: str, value: float) -> None:
    assert to_unit(text, unit) == pytest.approx(value, rel=1e-12, abs=1e-10)


@pytest.mark.parametrize("text", ["OL", "ol", "O.L", " 0L ", "over limit", "Over-Limit"])
def test_over_limit_is_a_reading(text: str) -> None:
    assert to_unit(text, "ohm") == math.inf


REFUSED = [
    ("", "V", '"" has no number; accepted: a number in V, mV, kV'),
    ("about ten", "V", '"about ten" has no number; accepted: a number in V, mV, kV'),
    ("12 volta", "V", 'no unit "volta"; accepted: V, mV, kV'),
    ("5 km", "min", '"km" cannot be turned into min; accepted: min, h, s'),
    ("5 psi", "V", '"psi" cannot be turned into V; accepted: V, mV, kV'),
    ("1.2.3", "V", '"1.2.3" is not one number'),
    ("5 __import__('os')", "km", "no unit \"__import__('os')\"; accepted: km, mi"),
    ("5 km**9**9", "km", 'no unit "km**9**9"; accepted: km, mi'),
    ("1e999", "ohm", '"1e999" is too large a number; for over limit write OL'),
    ("nan", "ohm", '"nan" has no number; accepted: a number in ohm, kohm, Mohm, OL'),
]


@pytest.mark.parametrize(("text", "unit", "told"), REFUSED)
def test_what_is_refused(text: str, unit: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        to_unit(text, unit)
    assert str(caught.value) == told


@settings(deadline=None)
@given(st.text(max_size=20), st.sampled_from(sorted(UNITS)))
def test_whatever_is_typed_is_a_number_or_one_line(text: str, unit: str) -> None:
    told = ""
    try:
        value = to_unit(text, unit)
    except InputError as error:
        told = str(error)
    else:
        assert not math.isnan(value)
    assert len(told.splitlines()) <= 1


@settings(deadline=None)
@given(st.floats(-1e6, 1e6), st.sampled_from([("psi", "kPa"), ("mi", "km"), ("degF", "degC")]))
def test_conversion_is_pints_and_goes_back(value: float, units: tuple[str, str]) -> None:
    other, ours = units
    turned = convert(value, other, ours)
    assert turned == pytest.approx(REGISTRY.Quantity(value, other).to(ours).magnitude)
    assert convert(turned, ours, other) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_every_unit_of_the_pack_is_known_to_the_units_library() -> None:
    for unit, accepted in UNITS.items():
        for other in accepted.split(", "):
            assert other == "OL" or math.isfinite(to_unit(f"1 {other}", unit))


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (150_000, "km", "150,000 km"),
        (149_999.6, "km", "150,000 km"),
        (12.0451, "V", "12.05 V"),
        (12.0, "V", "12 V"),
        (0.04, "V", "0.04 V"),
        (-0.15, "V", "-0.15 V"),
        (12_300, "ohm", "12.3 kohm"),
        (999, "ohm", "999 ohm"),
        (0, "V", "0 V"),
        (14.2, "%", "14.2%"),
        (math.inf, "ohm", "OL"),
        (9.9999, "V", "10 V"),
        (3, "", "3"),
    ],
)
def test_numbers_are_written_for_people(value: float, unit: str, text: str) -> None:
    assert format_quantity(value, unit) == text


@settings(deadline=None)
@given(st.floats(1e-6, 1e9), st.sampled_from(sorted(UNITS)))
def test_what_is_written_can_be_read_to_four_digits(value: float, unit: str) -> None:
    assert to_unit(format_quantity(value, unit), unit) == pytest.approx(value, rel=6e-4)


def test_plain_numbers_do_not_load_the_units_library() -> None:
    code = (
        "import sys; from swapinfer.units import to_unit, format_quantity; "
        "to_unit('12.4 V', 'V'); to_unit('OL', 'ohm'); to_unit('150 psi', 'psi'); "
        "format_quantity(3, 'V'); sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
