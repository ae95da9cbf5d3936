"""Where each number of a pack comes from, what overlays change, and what of that is a slip."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import InputError, near_match
from swapinfer.pack.model import ANY, OTHERWISE, Pack, Source
from swapinfer.pack.tables import MisfitError, Table, encode, flatten, under

FROM = "from"
"""Key of any table: the id of the source of every number below, or a table of one for each key."""


def take_provenance(table: Table, inherited: str = "") -> Table:
    """Take the statements of provenance out of a file's table, and return where they leave what.

    Returned are tables with the same keys wherever there are numbers: instead of a number, or of a
    list of them, the id of its source; empty text where none is given.
    """
    said = table.pop(FROM, inherited)
    said = {OTHERWISE: said} if isinstance(said, str) else said
    if not isinstance(said, dict) or not all(isinstance(item, str) for item in said.values()):
        raise MisfitError("must be the id of a source, or a table of key and id", (FROM,))
    for key in said:
        if key not in (OTHERWISE, *table):
            raise MisfitError(f'names "{key}", which is not beside it', (FROM, key))
    found: Table = {}
    for key, value in table.items():
        source = said.get(key, said.get(OTHERWISE, inherited))
        if isinstance(value, dict):
            with under(key):
                inner = take_provenance(value, source)
            if inner:
                found[key] = inner
        elif holds_number(value):
            found[key] = source
    return found


def holds_number(value: Any) -> bool:  # noqa: ANN401 (any value of a table)
    """Say whether a value is a number or a list with numbers in it."""
    if type(value) is list:
        return any(map(holds_number, value))
    return type(value) in (int, float)


def provenance_of(pack: Pack, path: str) -> Source:
    """Say where a number comes from."""
    if path not in pack.provenance:
        raise InputError(f'no number "{path}" in the priors{_near_path(pack, path)}')
    return pack.sources[pack.provenance[path]]


def numbers_under(pack: Pack, path: str = "") -> dict[str, tuple[Any, Source]]:
    """Return every number at or below a path, with its source."""
    places = [place for place in pack.provenance if not path or f"{place}.".startswith(f"{path}.")]
    if not places:
        raise InputError(f'no number "{path}" in the priors{_near_path(pack, path)}')
    table = encode(pack)
    return {place: (value_at(table, place), provenance_of(pack, place)) for place in places}


def value_at(table: Table, place: str) -> Any:  # noqa: ANN401 (a number or a list of numbers)
    """Return what stands at dotted keys of a pack's tables; None where nothing does."""
    value: Any = table
    for key in place.split("."):
        value = value.get(key) if isinstance(value, dict) else None
    return value.get(ANY) if isinstance(value, dict) else value


def _near_path(pack: Pack, path: str) -> str:
    """Go along the path as far as it is known, and say what would follow there."""
    known = ""
    for word in path.split("."):
        following = {
            place[len(known) :].split(".")[0]
            for place in pack.provenance
            if place.startswith(known)
        }
        if word not in following:
            return near_match(word, sorted(following))
        known += f"{word}."
    return ""


def numbers_by_source(pack: Pack) -> Counter[str]:
    """Count the numbers of each source, a list of them counting once."""
    return Counter(pack.provenance.values())


def numbers_by_grade(pack: Pack) -> dict[str, int]:
    """Count the numbers of each grade of source, a list of them counting once."""
    grades = Counter(pack.sources[name].grade for name in pack.provenance.values())
    return dict(grades.most_common())


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


class Revision(Struct, frozen=True):
    """A number, or list of numbers, that differs; None before where there was none."""

    path: str
    before: Any
    after: Any


def changed_numbers(before: Pack, after: Pack) -> list[Revision]:
    """List the numbers of a pack that are not in another, or differ there."""
    held = encode(before)
    pairs = [
        (path, value_at(held, path), value) for path, (value, _) in numbers_under(after).items()
    ]
    return [Revision(*one) for one in pairs if one[1] != one[2]]


def changed_entries(before: Pack, after: Pack) -> list[Revision]:
    """List everything in two packs that differs, numbers or not, by content alone.

    Provenance is not asked, since a pack may leave it out; nor are names and sources compared.
    """
    held, holds = (flatten(encode(pack)) for pack in (before, after))
    pairs = [
        (path, held.get(path), holds.get(path))
        for path in held | holds
        if path.partition(".")[0] not in BESIDE
    ]
    return [Revision(*one) for one in pairs if one[1] != one[2]]


def with_one(before: Pack, after: Pack, path: str) -> Pack | None:
    """Return a pack with one number of another, if any cause's chance beforehand rests on it."""
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


def slip_of(change: Revision) -> float | None:
    """Say which number was probably meant where the one given is far off by its decimal sign."""
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
