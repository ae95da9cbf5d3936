"""Check digit of a vehicle identification number.

References
----------
ISO 3779:2009, Road vehicles, Vehicle identification number (VIN), content and structure;
49 CFR 565.15(c), table III (values of letters), table IV (weights), table V (check digit).
"""

from __future__ import annotations

LENGTH = 17
CHECK_POSITION = 8

_VALUES = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)


def check_digit(vin: str) -> str:
    """Compute the check digit that a number ought to have.

    Parameters
    ----------
    vin : str
        17 of the permitted characters; what stands in the ninth place does not matter.

    Returns
    -------
    str
        ``0`` to ``9`` or ``X``.

    Raises
    ------
    ValueError
        If it is not 17 characters long or holds one that is not permitted.

    Examples
    --------
    >>> check_digit("11111111111111111")
    '1'
    """
    if len(vin) != LENGTH or not set(vin) <= set(_VALUES):
        raise ValueError("an identification number has 17 digits or letters other than I, O, Q")
    total = sum(_VALUES[letter] * weight for letter, weight in zip(vin, _WEIGHTS, strict=True))
    remainder = total % 11
    return "X" if remainder == 10 else str(remainder)


def normal_vin(text: str) -> str:
    """Bring a number as typed to capitals without spaces and hyphens."""
    return "".join(text.upper().split()).replace("-", "")


def check_vin(text: str) -> str:
    """Say what the check digit says.

    Parameters
    ----------
    text : str
        As typed.

    Returns
    -------
    str
        ``"valid"``; ``"wrong"`` (a North American number whose check digit does not match);
        ``"not required"`` (made elsewhere, where the standard asks for none);
        ``"malformed"`` (no number by the standard); ``""`` when none is given.

    Notes
    -----
    The first character tells where the vehicle was made: 1 to 5 is North America (49 CFR 565).
    Elsewhere a matching digit may be chance, so nothing is concluded from it.
    """
    vin = normal_vin(text)
    if not vin:
        return ""
    if len(vin) != LENGTH or not set(vin) <= set(_VALUES):
        return "malformed"
    if vin[0] not in "12345":
        return "not required"
    return "valid" if vin[CHECK_POSITION] == check_digit(vin) else "wrong"
