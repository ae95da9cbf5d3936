"""Quantities as people write them, in whatever unit the meter shows."""

from __future__ import annotations

import math
import re

from swapinfer.errors import InputError

UNITS: dict[str, str] = {
    "V": "V, mV, kV",
    "ohm": "ohm, kohm, Mohm, OL",
    "kPa": "kPa, MPa, bar, psi",
    "psi": "psi, kPa, bar",
    "km": "km, mi",
    "min": "min, h, s",
    "degC": "degC, degF",
    "m": "m, ft",
    "A": "A, mA",
    "kV": "kV, V",
    "mm": "mm, inch",
    "%": "%",
}
"""Units that packs and jobs are kept in, and what a person may write instead."""

NORMAL_90 = 1.6449
"""Standard deviations to either side that hold 90 % of a normal distribution."""

OVER_LIMIT = "OL"
"""What a meter shows of a resistance beyond its range."""

_EXACT = {
    "mV": "mV", "MV": "MV", "mohm": "mohm", "Mohm": "Mohm", "mOhm": "mohm", "MOhm": "Mohm",
    "m\u03a9": "mohm", "M\u03a9": "Mohm", "M\u2126": "Mohm", "m\u2126": "mohm", "MPa": "MPa",
}  # fmt: skip

_SPELLINGS = {
    "v": "V", "volt": "V", "volts": "V", "kv": "kV", "millivolts": "mV", "millivolt": "mV",
    "ohms": "ohm", "\u03c9": "ohm", "r": "ohm", "kohms": "kohm", "k\u03c9": "kohm", "k": "kohm",
    "megohm": "Mohm", "megohms": "Mohm",
    "kpa": "kPa", "mpa": "MPa", "hpa": "hPa", "pa": "Pa", "mbar": "mbar", "psig": "psi",
    "bars": "bar", "inhg": "inHg", "mmhg": "mmHg",
    "kms": "km", "miles": "mi", "mile": "mi", "feet": "ft", "foot": "ft", "metres": "m",
    "meters": "m", "metre": "m", "meter": "m",
    "c": "degC", "\u00b0c": "degC", "degc": "degC", "f": "degF", "\u00b0f": "degF",
    "degf": "degF", "minutes": "min", "minute": "min", "mins": "min",
    "hr": "h", "hrs": "h", "hours": "h", "hour": "h", "sec": "s", "secs": "s", "seconds": "s",
    "second": "s", "percent": "%", "pct": "%", "amp": "A", "amps": "A", "a": "A", "ma": "mA",
}  # fmt: skip

_OF_THE_UNITS_LIBRARY = {"kohm": "kiloohm", "Mohm": "megaohm", "mohm": "milliohm", "%": "percent"}

_NUMBER = re.compile(r"([-+]?(?:\d[\d_]*(?: \d{3})*(?:[.,]\d+)*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(.*)$")
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?$")
_UNIT_NAME = re.compile(r"[A-Za-z\u00b5%]+(?:/[A-Za-z]+)?$")
_OVER_LIMIT = {"ol", "o.l", "o.l.", "0l", "0.l", "over limit", "over-limit", "overlimit", "inf"}


def to_unit(text: str, wanted: str, bare: str = "") -> float:
    """Read a quantity that a person wrote, as in ``"1.2 bar"``, in the unit wanted.

    A number without a unit is in the `bare` one, or else in that wanted, one of `UNITS`. ``"OL"``
    is a meter's "over limit", infinity, which only ohms can be.

    Raises
    ------
    InputError
        If there is no number, or the unit is unknown or measures something else.

    Examples
    --------
    >>> to_unit("12.4 V", "V"), to_unit("150", "psi"), to_unit("OL", "ohm")
    (12.4, 150.0, inf)
    >>> round(to_unit("2 bar", "psi"), 3)
    29.008
    """
    if text.strip().lower() in _OVER_LIMIT:
        if OVER_LIMIT not in UNITS.get(wanted, OVER_LIMIT).split(", "):
            raise InputError(
                f'"{text}" is what a meter shows of ohms; accepted: a number in {UNITS[wanted]}'
            )
        return math.inf
    value, _ = split_quantity(text, wanted)
    return convert(value, unit_typed(text, wanted) or bare or wanted, wanted)


def unit_typed(text: str, wanted: str) -> str:
    """Name the unit that a person wrote after a number, as `convert` takes it; empty without one.

    Examples
    --------
    >>> unit_typed("12,1 BAR", "psi"), unit_typed("172", "psi")
    ('bar', '')
    """
    if text.strip().lower() in _OVER_LIMIT:
        return ""
    _, written = split_quantity(text, wanted)
    return _EXACT.get(written) or _SPELLINGS.get(written.lower()) or written


def units_like(unit: str) -> tuple[str, ...]:
    """Other units in which a person may give the same quantity."""
    return tuple(u for u in UNITS[unit].split(", ") if u not in (unit, OVER_LIMIT))


def split_quantity(text: str, wanted: str) -> tuple[float, str]:
    """Part a number from the unit as written after it, if any.

    It may have comma or point before decimals, and commas or spaces between thousands. `wanted` is
    the unit that an error message asks for.
    """
    text = " ".join(text.split())
    found = _NUMBER.match(text)
    if not found:
        raise InputError(
            f'"{text}" has no number; accepted: a number in {UNITS.get(wanted, wanted)}'
        )
    digits = found.group(1).replace(" ", "").replace("_", "")
    digits = digits.replace(",", "" if _THOUSANDS.match(digits) else ".")
    try:
        value = float(digits)
    except ValueError:
        raise InputError(f'"{found.group(1)}" is not one number') from None
    if math.isinf(value):
        raise InputError(f'"{found.group(1)}" is too large a number; for over limit write OL')
    return value, found.group(2).strip()


def convert(value: float, unit: str, wanted: str) -> float:
    """Turn a number in one unit into one in another, such as ``"psi"``."""
    if unit == wanted or not math.isfinite(value):
        return value
    if not _UNIT_NAME.match(unit):
        raise InputError(f'no unit "{unit}"; accepted: {UNITS.get(wanted, wanted)}')
    from pint import get_application_registry
    from pint.errors import DimensionalityError, UndefinedUnitError

    try:
        quantity = get_application_registry().Quantity(value, _OF_THE_UNITS_LIBRARY.get(unit, unit))
        return float(quantity.to(_OF_THE_UNITS_LIBRARY.get(wanted, wanted)).magnitude)
    except DimensionalityError:
        problem = f'"{unit}" cannot be turned into {wanted}'
    except (UndefinedUnitError, ValueError):
        problem = f'no unit "{unit}"'
    raise InputError(f"{problem}; accepted: {UNITS.get(wanted, wanted)}")


def format_quantity(value: float, unit: str, significant: int = 4) -> str:
    """Write a quantity for people: no exponent, thousands parted by commas, ``"OL"`` for infinity.

    Examples
    --------
    >>> format_quantity(150_000, "km"), format_quantity(12.0451, "V"), format_quantity(12300, "ohm")
    ('150,000 km', '12.05 V', '12.3 kohm')
    """
    if math.isinf(value):
        return OVER_LIMIT if value > 0 else f"-{OVER_LIMIT}"
    if unit == "ohm" and abs(value) >= 1000:
        value, unit = value / 1000, "kohm"
    return f"{_digits(value, significant)}{'' if unit == '%' else ' '}{unit}".rstrip()


def format_between(low: float, high: float, unit: str) -> str:
    """Write a finite range for people, to three significant digits.

    Examples
    --------
    >>> format_between(160.2, 182.7, "psi"), format_between(4961, 16_320, "ohm")
    ('160 to 183 psi', '4,960 to 16,300 ohm')
    """
    return f"{_digits(low, 3)} to {_digits(high, 3)} {unit}".rstrip()


def percent(probability: float) -> str:
    """Write a probability so that neither certainty nor impossibility is ever claimed."""
    if probability >= 0.9995:
        return "> 99.9 %"
    if probability >= 0.0995:
        return f"{100 * probability:.0f} %" if probability < 0.99 else f"{100 * probability:.1f} %"
    if probability >= 0.001:
        return f"{100 * probability:.1f} %"
    return "< 0.1 %"


def _digits(value: float, significant: int) -> str:
    digits = significant - 1 - math.floor(math.log10(abs(value))) if value else 0
    text = f"{round(value, digits):,.{max(digits, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
