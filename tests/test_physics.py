"""Physics against tables of standards and handbooks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from swapinfer.errors import InputError
from swapinfer.physics import (
    COPPER_ALPHA,
    SEA_LEVEL_KPA,
    check_altitude,
    check_count,
    check_km,
    check_minutes,
    check_ratio,
    copper_at_20,
    copper_resistance,
    expected_cranking_kpa,
    isa_pressure_kpa,
    polytropic_gauge_kpa,
)

PSI_KPA = constants.psi / 1000

ISO_2533 = [
    (0, 1013.25),
    (500, 954.608),
    (1000, 898.746),
    (1500, 845.560),
    (2000, 794.952),
    (2500, 746.825),
    (3000, 701.085),
]
"""Geopotential altitude in m, pressure in hPa: ISO 2533:1975, table 5."""


@pytest.mark.parametrize(("altitude_m", "hpa"), ISO_2533)
def test_standard_atmosphere(altitude_m: float, hpa: float) -> None:
    assert isa_pressure_kpa(altitude_m) * 10 == pytest.approx(hpa, abs=0.0006)


def test_the_standard_atmosphere_agrees_with_scipys_constant() -> None:
    assert isa_pressure_kpa(0) * 1000 == constants.atm


@pytest.mark.parametrize("altitude_m", [-6000, 12_000, float("nan"), float("inf")])
def test_no_road_is_that_low_or_high(altitude_m: float) -> None:
    with pytest.raises(InputError, match="altitude must be -5,000 to 11,000 m"):
        isa_pressure_kpa(altitude_m)


POWERS = [
    (8, 12.126, 14.929, 18.379),
    (9, 13.967, 17.399, 21.674),
    (10, 15.849, 19.953, 25.119),
    (10.5, 16.805, 21.259, 26.895),
    (11, 17.769, 22.585, 28.704),
    (12, 19.725, 25.289, 32.423),
]
"""Ratio, and the absolute pressure ratio r**n at n = 1.2, 1.3, 1.4, recomputed to three digits."""


@pytest.mark.parametrize(("ratio", "low", "middle", "high"), POWERS)
def test_polytropic_pressure_ratio(ratio: float, low: float, middle: float, high: float) -> None:
    for exponent, printed in ((1.2, low), (1.3, middle), (1.4, high)):
        assert polytropic_gauge_kpa(ratio, exponent, 1) + 1 == pytest.approx(printed, abs=6e-4)


def test_constant_specific_heats_in_a_textbooks_otto_cycle() -> None:
    """100 kPa, ratio 8, k = 1.4 give 1837.9 kPa absolute.

    Problem of Cengel & Boles, Thermodynamics, the Otto cycle; the figure for constant specific
    heats is recomputed, the problem's data are published.
    """
    assert polytropic_gauge_kpa(8, 1.4, 100) + 100 == pytest.approx(1837.9, abs=0.05)


def test_ideal_compression_at_the_sea_in_psi() -> None:
    """Ratio 10 and n = 1.3 from 101.325 kPa: 19.20 bar or 278.5 psi gauge, recomputed."""
    gauge = polytropic_gauge_kpa(10, 1.3, SEA_LEVEL_KPA)
    assert gauge / 100 == pytest.approx(19.20, abs=0.005)
    assert gauge / PSI_KPA == pytest.approx(278.5, abs=0.05)


def test_a_hundred_and_twenty_psi_means_something_else_on_a_mountain() -> None:
    """Gauge pressure falls with the air's, 0.737059 at 2,500 m (ISO 2533:1975, table 5)."""
    sea = expected_cranking_kpa(10, 1.3, 0.62)
    mountain = expected_cranking_kpa(10, 1.3, 0.62, 2500)
    assert mountain / sea == pytest.approx(0.737059, abs=1e-6)
    assert 120 * PSI_KPA / sea < 0.75
    assert 120 * PSI_KPA / mountain > 0.94


@given(
    ratio=st.floats(4, 25),
    exponent=st.floats(1.1, 1.4),
    fill=st.floats(0.3, 1),
    altitude=st.floats(0, 4000),
)
def test_cranking_pressure_grows_with_ratio_and_stays_below_the_ideal(
    ratio: float, exponent: float, fill: float, altitude: float
) -> None:
    found = expected_cranking_kpa(ratio, exponent, fill, altitude)
    assert 0 < found <= polytropic_gauge_kpa(ratio, exponent, SEA_LEVEL_KPA)
    assert expected_cranking_kpa(min(ratio * 1.01, 25), exponent, fill, altitude) >= found


@pytest.mark.parametrize("ratio", [1, 3.9, 26, float("nan")])
def test_ratios_that_no_engine_has(ratio: float) -> None:
    with pytest.raises(InputError, match="compression ratio must be 4 to 25"):
        expected_cranking_kpa(ratio, 1.3, 0.6)


COPPER = [
    (-20, 0.84280),
    (0, 0.92140),
    (20, 1.0),
    (25, 1.01965),
    (80, 1.23580),
    (90, 1.27510),
    (100, 1.31440),
    (120, 1.39300),
]
"""Temperature in degC and R/R20, with 0.00393 per K at 20 degC of IEC 60028:1925."""


@pytest.mark.parametrize(("temperature", "ratio"), COPPER)
def test_coppers_resistance(temperature: float, ratio: float) -> None:
    assert COPPER_ALPHA == 0.00393
    assert copper_resistance(1, temperature) == pytest.approx(ratio, abs=5e-6)
    assert copper_at_20(ratio, temperature) == pytest.approx(1, abs=1e-5)


def test_copper_is_about_28_per_cent_higher_at_90_degrees() -> None:
    """Published round figure for windings, and the 234.5 form of handbooks, from memory."""
    assert copper_resistance(1, 90) == pytest.approx(1.28, abs=0.006)
    assert copper_resistance(1, 100) == pytest.approx((234.5 + 100) / 254.5, abs=1e-4)


@given(at_20=st.floats(0.1, 1e5), temperature=st.floats(-40, 200))
def test_there_and_back(at_20: float, temperature: float) -> None:
    assert copper_at_20(copper_resistance(at_20, temperature), temperature) == pytest.approx(at_20)


@pytest.mark.parametrize("temperature", [-61, 251, -300, float("nan")])
def test_no_winding_is_that_cold_or_hot(temperature: float) -> None:
    with pytest.raises(InputError, match="winding temperature must be -60 to 250 degC"):
        copper_at_20(12, temperature)


def test_limits_are_in_and_beyond_them_is_out() -> None:
    """A cylinder of a four-stroke engine fires every other turn: 3,500 times at 7,000 a minute."""
    turns_per_min = 7_000
    most = 10 * turns_per_min // 2 + (2**16 - 1)
    for inside in (
        lambda: check_minutes(0.1),
        lambda: check_minutes(10_000),
        lambda: check_count(2, 0, 10),
        lambda: check_count(2, most, 10),
        lambda: check_km(0),
        lambda: check_km(1_500_000),
        lambda: check_altitude(-430),
        lambda: check_altitude(4_300),
        lambda: check_ratio(9.5),
    ):
        inside()
    for outside, limit in (
        (lambda: check_minutes(0), "10,000"),
        (lambda: check_minutes(float("nan")), "10,000"),
        (lambda: check_minutes(10_001), "10,000"),
        (lambda: check_count(2, -1, 10), f"{most:,}"),
        (lambda: check_count(2, most + 1, 10), f"{most:,}"),
        (lambda: check_count(2, 10**400, 10), f"{most:,}"),
        (lambda: check_km(-1), "3,000,000"),
        (lambda: check_km(float("inf")), "3,000,000"),
        (lambda: check_altitude(8_849), "6,000"),
        (lambda: check_altitude(-11_000), "-500"),
        (lambda: check_ratio(1), "4 to 25"),
    ):
        with pytest.raises(InputError, match=limit):
            outside()
