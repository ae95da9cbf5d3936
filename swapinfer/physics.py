"""Physics where a rule of thumb misleads: air pressure, compression, copper."""

from __future__ import annotations

from swapinfer.errors import InputError

SEA_LEVEL_KPA, SEA_LEVEL_KELVIN = 101.325, 288.15
LAPSE_KELVIN_PER_M = 0.0065
GRAVITY = 9.80665
AIR_GAS_CONSTANT = 287.05287
LOWEST_M, TROPOPAUSE_M = -5_000.0, 11_000.0

ROADS_M = (-500.0, 6_000.0)
"""Altitudes that roads reach, from the shore of the Dead Sea to the passes of the Himalaya; from
memory."""

RATIOS = (4.0, 25.0)
"""Compression ratios of engines; common practice, no source."""

MOST_MINUTES = 10_000.0
"""Running time of one record: a week without a stop; our choice, no source."""

MOST_KM = 3_000_000.0
"""Distance that a vehicle does in its life at most; from memory."""

MOST_DAYS = 3_650.0
"""From a repair to its coming back at most: ten years; our choice, no source."""

MOST_KM_A_DAY = 2_000.0
"""Distance that a vehicle does in a day at most, drivers taking turns; our choice, no source."""

FIRINGS_PER_MIN = 3_500.0
"""Of one cylinder at most: a four-stroke engine at 7,000 turns a minute; common practice."""

COUNTER_WIDTH = 65_535
"""Of a misfire counter: what sixteen bits hold, which may stand there from before; from memory."""

COPPER_ALPHA = 0.00393
"""Per kelvin at 20 degC, IEC 60028."""


def isa_pressure_kpa(altitude_m: float) -> float:
    """Absolute air pressure in the standard atmosphere's lowest layer, at a geopotential altitude.

    References
    ----------
    ISO 2533:1975, Standard Atmosphere, equation for a layer with constant lapse rate.
    """
    if not LOWEST_M <= altitude_m <= TROPOPAUSE_M:
        raise InputError(
            f"altitude must be {LOWEST_M:,.0f} to {TROPOPAUSE_M:,.0f} m, got {altitude_m:g} m"
        )
    exponent = GRAVITY / (AIR_GAS_CONSTANT * LAPSE_KELVIN_PER_M)
    ratio = 1 - LAPSE_KELVIN_PER_M * altitude_m / SEA_LEVEL_KELVIN
    pressure: float = SEA_LEVEL_KPA * ratio**exponent
    return pressure


def polytropic_gauge_kpa(ratio: float, exponent: float, inlet_kpa: float) -> float:
    """Rise above the inlet's absolute pressure at top dead centre of a polytropic compression.

    Notes
    -----
    ``p1 (r**n - 1)``, from ``p V**n`` constant.
    """
    rise: float = ratio**exponent - 1
    return inlet_kpa * rise


def expected_cranking_kpa(
    ratio: float, exponent: float, fill: float, altitude_m: float = 0.0
) -> float:
    """Gauge pressure that a healthy cylinder is expected to show at cranking speed.

    `fill` is the share of the ideal polytropic rise that cranking reaches, because the intake valve
    closes late and rings leak at low speed. A ratio or altitude that no engine has is refused.
    """
    check_ratio(ratio)
    return fill * polytropic_gauge_kpa(ratio, exponent, isa_pressure_kpa(altitude_m))


def copper_resistance(at_20: float, temperature_c: float, alpha: float = COPPER_ALPHA) -> float:
    """Resistance of a copper winding at a temperature, in the unit of that at 20 degC.

    `alpha` is the temperature coefficient per kelvin at 20 degC.

    References
    ----------
    IEC 60028:1925, International standard of resistance for copper.
    """
    return at_20 * (1 + alpha * (temperature_c - 20))


def copper_at_20(value: float, temperature_c: float, alpha: float = COPPER_ALPHA) -> float:
    """Resistance that a copper winding measured at a temperature would have at 20 degC."""
    if not -60 <= temperature_c <= 250:
        raise InputError(f"winding temperature must be -60 to 250 degC, got {temperature_c:g}")
    return value / (1 + alpha * (temperature_c - 20))


def check_minutes(minutes: float) -> None:
    """Refuse a running time that is none, or longer than anyone runs an engine in one go."""
    if not 0 < minutes <= MOST_MINUTES:
        raise InputError(
            f"running time must be more than 0 and at most {MOST_MINUTES:,.0f} minutes, "
            f"got {minutes:,.12g}"
        )


def check_count(cylinder: int, count: int, minutes: float) -> None:
    """Refuse more misfires than a cylinder fires, with what its counter may hold from before."""
    most = int(FIRINGS_PER_MIN * minutes) + COUNTER_WIDTH
    if not 0 <= count <= most:
        raise InputError(
            f"misfire count of cylinder {cylinder} must be 0 to {most:,} in {minutes:g} minutes, "
            f"got {count}"
        )


def check_km(km: float) -> None:
    """Refuse a distance that no vehicle has done."""
    if not 0 <= km <= MOST_KM:
        raise InputError(f"a distance must be 0 to {MOST_KM:,.0f} km, got {km:,.12g} km")


def check_days(days: float) -> None:
    """Refuse a time after which nobody brings a job back."""
    if not 0 <= days <= MOST_DAYS:
        raise InputError(f"days must be 0 to {MOST_DAYS:,.0f}, got {days:,.12g}")


def check_altitude(altitude_m: float) -> None:
    """Refuse an altitude that no road reaches."""
    low, high = ROADS_M
    if not low <= altitude_m <= high:
        raise InputError(f"altitude must be {low:,.0f} to {high:,.0f} m, got {altitude_m:g} m")


def check_ratio(ratio: float) -> None:
    """Refuse a compression ratio that no engine has."""
    low, high = RATIOS
    if not low <= ratio <= high:
        raise InputError(f"compression ratio must be {low:g} to {high:g}, got {ratio:g}")
