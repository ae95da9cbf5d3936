"""Where each number of a pack comes from, and how many come from where."""

from __future__ import annotations

from collections import Counter
from typing import Any

from swapinfer.errors import InputError, near_match
from swapinfer.pack.misfits import MisfitError, Table, under
from swapinfer.pack.model import ANY, Pack, Source
from swapinfer.pack.tables import encode

FROM = "from"
"""Key of any table: the id of the source of every number below, or a table of one for each key."""

OTHERWISE = "otherwise"
"""In a table of sources: the keys that are not named."""


def take_provenance(table: Table, inherited: str = "") -> Table:
    """Take the statements of provenance out of a file's table.

    Parameters
    ----------
    table : dict
        Tables of a file; every ``from`` is removed from it.
    inherited : str
        Id of the source of what says nothing.

    Returns
    -------
    dict
        Tables with the same keys wherever there are numbers: instead of a number, or of a list
        of numbers, the id of its source; empty text where none is given.

    Raises
    ------
    MisfitError
        If a ``from`` is neither text nor a table of texts, or names a key that is not there.
    """
    otherwise, special = _sources(table.pop(FROM, inherited), inherited, table)
    found: Table = {}
    for key, value in table.items():
        source = special.get(key, otherwise)
        if isinstance(value, dict):
            with under(key):
                inner = take_provenance(value, source)
            if inner:
                found[key] = inner
        elif holds_number(value):
            found[key] = source
    return found


def _sources(said: Any, inherited: str, table: Table) -> tuple[str, Table]:  # noqa: ANN401
    if isinstance(said, str):
        return said, {}
    if not isinstance(said, dict) or not all(isinstance(item, str) for item in said.values()):
        raise MisfitError("must be the id of a source, or a table of key and id", (FROM,))
    special = {key: source for key, source in said.items() if key != OTHERWISE}
    for key in special:
        if key not in table:
            raise MisfitError(f'names "{key}", which is not beside it', (FROM, key))
    return said.get(OTHERWISE, inherited), special


def holds_number(value: Any) -> bool:  # noqa: ANN401 (any value of a table)
    """Say whether a value is a number or a list with numbers in it.

    Parameters
    ----------
    value : object
        Of a table.

    Returns
    -------
    bool
        Booleans are no numbers.
    """
    if type(value) is list:
        return any(map(holds_number, value))
    return type(value) in (int, float)


def provenance_of(pack: Pack, path: str) -> Source:
    """Say where a number comes from.

    Parameters
    ----------
    pack : Pack
        Any.
    path : str
        Dotted keys as in the files: ``element.coil.mode.breakdown.life_km.median``.

    Returns
    -------
    Source
        With its grade and text.

    Raises
    ------
    InputError
        If there is no number at that path.
    """
    if path not in pack.provenance:
        raise InputError(f'no number "{path}" in the priors{_near_path(pack, path)}')
    return pack.sources[pack.provenance[path]]


def numbers_under(pack: Pack, path: str = "") -> dict[str, tuple[Any, Source]]:
    """Return every number at or below a path, with its source.

    Parameters
    ----------
    pack : Pack
        Any.
    path : str
        Dotted keys as in the files; empty for the whole pack.

    Returns
    -------
    dict of str to (number or list, Source)
        By dotted path, in the order of the pack.

    Raises
    ------
    InputError
        If there is none.
    """
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
    """Count the numbers of each source, a list of them counting once.

    Parameters
    ----------
    pack : Pack
        Any.

    Returns
    -------
    Counter
        By id of the source.
    """
    return Counter(pack.provenance.values())


def numbers_by_grade(pack: Pack) -> dict[str, int]:
    """Count the numbers of each grade of source, a list of them counting once.

    Parameters
    ----------
    pack : Pack
        Any.

    Returns
    -------
    dict of str to int
        Grade to count, most first.
    """
    by_grade: Counter[str] = Counter()
    for name, count in numbers_by_source(pack).items():
        by_grade[pack.sources[name].grade] += count
    return dict(by_grade.most_common())
