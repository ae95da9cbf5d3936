"""Where each number of a pack comes from."""

from __future__ import annotations

from typing import Any

from swapinfer.pack.codec import MisfitError
from swapinfer.pack.shape import Table

FROM = "from"
"""Key of any table: the id of the source of every number below, or a table of one for each key."""

OTHERWISE = "otherwise"
"""In a table of sources: the keys that are not named."""


def take_provenance(table: Table, inherited: str = "") -> dict[str, str]:
    """Take the statements of provenance out of a file's table.

    Parameters
    ----------
    table : dict
        Tables of a file; every ``from`` is removed from it.
    inherited : str
        Id of the source of what says nothing.

    Returns
    -------
    dict of str to str
        Dotted path of every number, or list of numbers, to the id of its source; empty text where
        none is given.

    Raises
    ------
    MisfitError
        If a ``from`` is neither text nor a table of texts, or names a key that is not there.
    """
    found: dict[str, str] = {}
    _collect(table, "", inherited, found)
    return found


def _collect(table: Table, prefix: str, inherited: str, found: dict[str, str]) -> None:
    otherwise, special = _sources(table.pop(FROM, inherited), inherited, table)
    for key, value in table.items():
        source = special.get(key, otherwise)
        if isinstance(value, dict):
            try:
                _collect(value, f"{prefix}{key}.", source, found)
            except MisfitError as misfit:
                raise misfit.under(key) from None
        elif holds_number(value):
            found[prefix + key] = source


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
    if isinstance(value, list):
        return any(holds_number(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)
