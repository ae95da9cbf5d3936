"""What overlays change in a pack, number by number, and what of that looks like a slip."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.pack.files import PriorsFile
from swapinfer.pack.misfits import Table
from swapinfer.pack.model import Pack
from swapinfer.pack.money import OF_COSTS
from swapinfer.pack.provenance import numbers_under, value_at
from swapinfer.pack.tables import encode

OF_CHANCE = ("life_km", "shape", "latent_km", "hazard_ratio", "misfire")
"""Keys of a mode on which its chance beforehand rests."""

OF_ENGINE = ("odometer_km", "exposure_km")
"""Keys of `running` on which all such chances rest."""

BESIDE = ("name", "version", "source", "provenance")
"""Tables that say nothing of engines."""

FACTORS = (1000.0, 100.0)
"""By which a number is off whose decimal sign or thousands were taken for each other."""

NEAR = 5.0
"""Within so many times the base's, a corrected number was probably meant; our choice."""


_QUOTED_OR_REMARK = re.compile(r'"[^"]*"|#.*')

_THOUSANDS = re.compile(r"(?<![\w.])[1-9]\d{0,2}\.000(?![\w.])")


class Change(Struct, frozen=True):
    """A number, or list of numbers, that differs; None before where there was none."""

    path: str
    before: Any
    after: Any


def changed_numbers(before: Pack, after: Pack) -> list[Change]:
    """List the numbers of a pack that are not in another, or differ there.

    Parameters
    ----------
    before, after : Pack
        The base, and the base with overlays on it.

    Returns
    -------
    list of Change
        In the order of `after`.
    """
    held = encode(before)
    pairs = [
        (path, value_at(held, path), value) for path, (value, _) in numbers_under(after).items()
    ]
    return [Change(*one) for one in pairs if one[1] != one[2]]


def changed_entries(before: Pack, after: Pack) -> list[Change]:
    """List everything in two packs that differs, numbers or not, by content alone.

    Provenance is not asked, since a pack may leave it out; nor are names and sources compared.

    Parameters
    ----------
    before, after : Pack
        Any two.

    Returns
    -------
    list of Change
        None after where an entry is gone.
    """
    held, holds = (dict(_entries(encode(pack))) for pack in (before, after))
    pairs = [(path, held.get(path), holds.get(path)) for path in {**held, **holds}]
    return [Change(*one) for one in pairs if one[1] != one[2]]


def _entries(table: Table, above: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _entries(value, f"{above}{key}.")
        elif (above or key).partition(".")[0] not in BESIDE:
            yield f"{above}{key}", value


def with_one(before: Pack, after: Pack, path: str) -> Pack | None:
    """Return a pack with one number of another, if any cause's chance beforehand rests on it.

    Parameters
    ----------
    before, after : Pack
        The base, and the base with overlays on it.
    path : str
        Dotted keys of a number.
    """
    match path.split("."):
        case ["running", key] if key in OF_ENGINE:
            return replace(before, running=_taking(before.running, after.running, [key]))
        case ["element", kind, "mode", mode, *keys] if keys[0] in OF_CHANCE:
            if kind not in before.kinds or mode not in before.kinds[kind].modes:
                return None
            was, now = (pack.kinds[kind].modes[mode] for pack in (before, after))
            modes = {**before.kinds[kind].modes, mode: _taking(was, now, keys)}
            kinds = {**before.kinds, kind: replace(before.kinds[kind], modes=modes)}
            return replace(before, kinds=kinds)
    return None


def _taking(was: Any, now: Any, keys: list[str]) -> Any:  # noqa: ANN401  records alike
    """Take over from a record alike what stands at the end of some keys."""
    key, *rest = keys
    value = getattr(now, key)
    return replace(was, **{key: _taking(getattr(was, key), value, rest) if rest else value})


def slip_of(change: Change) -> float | None:
    """Say which number was probably meant where the one given is far off by its decimal sign.

    Parameters
    ----------
    change : Change
        Of a number, or of a list as long as it was.

    Returns
    -------
    float or None
        None where nothing looks wrong.
    """
    for was, now in _pairs(change.before, change.after):
        if was > 0.0 and now > 0.0:
            off = math.log(was / now)
            for factor in FACTORS:
                rest = abs(off) - math.log(factor)
                if abs(rest) <= math.log(NEAR):
                    return now * factor if off > 0.0 else now / factor
    return None


def _pairs(before: Any, after: Any) -> list[tuple[float, float]]:  # noqa: ANN401  numbers or lists
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [pair for was, now in zip(before, after, strict=True) for pair in _pairs(was, now)]
    is_number = all(type(value) in (int, float) for value in (before, after))
    return [(float(before), float(after))] if is_number else []


def thousands_written(files: Iterable[PriorsFile]) -> dict[str, str]:
    """Find numbers written like 335.000, which TOML takes for 335.

    Parameters
    ----------
    files : iterable of PriorsFile
        Overlays.

    Returns
    -------
    dict of str to str
        ``file:line`` to the number as it is written.
    """
    return {
        f"{file.name}:{number}": found.group()
        for file in files
        for number, line in enumerate(file.text.splitlines(), start=1)
        if (found := _THOUSANDS.search(_QUOTED_OR_REMARK.sub("", line)))
    }


def kept_in_another_currency(before: Pack, after: Pack) -> tuple[str, ...]:
    """Name the costs that stayed as they were although the currency did not."""
    if before.costs.currency == after.costs.currency:
        return ()
    return tuple(
        name for name in OF_COSTS if getattr(before.costs, name) == getattr(after.costs, name)
    )
