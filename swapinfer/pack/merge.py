"""The tables of several files laid over each other, with where each number comes from."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from swapinfer.errors import near_match
from swapinfer.pack.codec import MisfitError
from swapinfer.pack.files import PriorsFile, copy_table, lay_over
from swapinfer.pack.provenance import FROM, take_provenance
from swapinfer.pack.shape import Table

FORMAT = 1
"""Version of the layout of priors files; docs/pack-format.md describes it."""

LIKE = "like"
"""Key of a table: take over from this sibling whatever is not said here."""

_NOT_IN_A_NAME = re.compile(r"[^a-z0-9-]+")


@dataclass
class Merged:
    """Files laid over each other so far.

    Attributes
    ----------
    tables : dict
        What they say together.
    sources : dict
        Tables with the id of a source in the place of each number.
    """

    tables: Table = field(default_factory=dict)
    sources: Table = field(default_factory=dict)

    def add_base(self, file: PriorsFile) -> None:
        """Add a file of the base pack, which says everything once.

        Parameters
        ----------
        file : PriorsFile
            As read.

        Raises
        ------
        MisfitError
            If it says what was said before, or its provenance is malformed.
        """
        self._add(file.parse(), once=True)

    def add_overlay(self, file: PriorsFile) -> None:
        """Add an overlay, which wins over what was said before.

        Numbers without a source get one of the overlay's name.

        Parameters
        ----------
        file : PriorsFile
            As read.

        Raises
        ------
        MisfitError
            If it takes over from what is not there, or its provenance is malformed.
        """
        table = file.parse()
        name = _NOT_IN_A_NAME.sub("-", str(table.pop("name", Path(file.name).stem)).lower())
        version = f"-{table.pop('version')}" if "version" in table else ""
        if FROM not in table:
            table[FROM] = name
            own = {"grade": "chosen", "text": f"overlay {name} of this shop"}
            lay_over(self.tables, {"source": {name: own}}, once=False)
        self._add(table, once=False)
        self.take_over_likes()
        self.tables["version"] = f"{self.tables.get('version')}+{name}{version}"

    def _add(self, table: Table, *, once: bool) -> None:
        check_format(table)
        lay_over(self.sources, take_provenance(table), once=False)
        lay_over(self.tables, table, once=once)

    def take_over_likes(self) -> None:
        """Fill every table that is like another with what it does not say itself.

        Raises
        ------
        MisfitError
            If the other is not there, or is itself like this one.
        """
        for section, table in self.tables.items():
            sources = self.sources.setdefault(section, {})
            if isinstance(table, dict) and isinstance(sources, dict):
                for key in table:
                    _take_over(section, table, sources, key)


def check_format(table: Table) -> None:
    """Take the version of the format out of a table, refusing any but ours.

    Parameters
    ----------
    table : dict
        Changed.

    Raises
    ------
    MisfitError
        If it is missing or another.
    """
    found: Any = table.pop("format", None)
    if found is None:
        raise MisfitError(f"needs a key format = {FORMAT}")
    if found != FORMAT:
        raise MisfitError(f"must be {FORMAT}, got {found}", ("format",))


def _take_over(
    section: str, table: Table, sources: Table, key: str, waiting: tuple[str, ...] = ()
) -> None:
    own = table[key]
    if not isinstance(own, dict) or LIKE not in own:
        return
    model = own.pop(LIKE)
    others = [name for name in table if name not in (key, *waiting)]
    if model not in others or not isinstance(table[model], dict):
        missing = f'no other {section} "{model}"{near_match(str(model), others)}'
        raise MisfitError(missing, (section, key, LIKE))
    _take_over(section, table, sources, model, (key, *waiting))
    for name, value in table[model].items():
        if name not in own:
            own[name] = copy_table(value)
            if name in sources.get(model, ()):
                sources.setdefault(key, {})[name] = copy_table(sources[model][name])
