"""What does not fit the records of a pack, where it stands, and what would be accepted there."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Iterator
from typing import Any

import msgspec
from msgspec import inspect

from swapinfer.errors import PlaceError, near_match
from swapinfer.pack.model import LARGEST, MEANING

Table = dict[str, Any]

NOT_IN_FILES = {"id", "chances"}
"""Attributes of records that no key of a file is called by."""


class MisfitError(Exception):
    """A value that does not fit the model, and the keys that lead to it."""

    def __init__(self, message: str, path: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.path = path


class MissingKeyError(MisfitError):
    """A table without a key that it needs."""


@contextlib.contextmanager
def under(key: str) -> Iterator[None]:
    """Say of a misfit met in here that it stands below a key."""
    try:
        yield
    except MisfitError as misfit:
        misfit.path = (key, *misfit.path)
        raise


def need_table(value: Any) -> Table:  # noqa: ANN401 (whatever the file holds)
    """Return a table, refusing anything else."""
    _need(isinstance(value, dict), "a table", value)
    table: Table = value
    return table


def _need(condition: bool, wanted: str, value: Any) -> None:  # noqa: ANN401 (any value)
    if not condition:
        shown = f'"{value}"' if isinstance(value, str) else str(value)
        raise MisfitError(f"must be {wanted}, got {shown[:60]}")


def blame(hint: Any, value: Any) -> None:  # noqa: ANN401 (any type, and whatever the file holds)
    """Find what msgspec could not read as a type, and say so as a pack would.

    Parameters
    ----------
    hint : type
        A record, or made of plain types.
    value : object
        That msgspec refused to convert.

    Raises
    ------
    MisfitError
        With the keys that lead to it.
    """
    _blame(inspect.type_info(hint), value)


def _blame(kind: Any, value: Any, called: str = "thing") -> None:  # noqa: ANN401 (any type, value)
    """Find it in a value of a type; `called` is the key that it stands under."""
    match kind:
        case inspect.StructType():
            _need(isinstance(value, dict), "a table", value)
            _blame_record(kind, value)
        case inspect.DictType():
            _need(isinstance(value, dict), "a table", value)
            for key, item in value.items():
                with under(key):
                    _blame_named(kind.value_type, item, called, key, value.keys() - {key})
        case inspect.VarTupleType():
            _need(isinstance(value, list | tuple), "a list", value)
            for item in value:
                _blame(kind.item_type, item)
        case inspect.TupleType(item_types=inner):
            is_long = isinstance(value, list | tuple) and len(value) == len(inner)
            _need(is_long, f"a list of {len(inner)}", value)
            for one, item in zip(inner, value, strict=True):
                _blame(one, item)
        case inspect.UnionType():
            _blame_one_of(kind.types, value, called)
        case inspect.Metadata():
            _blame(kind.type, value)
            _blame_size(kind, value)
        case _:
            _blame_plain(kind, value)


def _blame_plain(kind: inspect.Type, value: Any) -> None:  # noqa: ANN401 (whatever the file holds)
    match kind:
        case inspect.FloatType():
            is_number = type(value) in (int, float) and abs(value) < LARGEST
            _need(is_number or value == math.inf, "a number", value)
        case inspect.IntType():
            _need(type(value) is int, "a whole number", value)
        case inspect.StrType():
            _need(type(value) is str, "text", value)
        case inspect.BoolType():
            _need(type(value) is bool, "true or false", value)


def _blame_record(kind: inspect.StructType, table: Table) -> None:
    fields = {field.encode_name: field for field in kind.fields}
    for key, value in table.items():
        if key not in fields:
            known = [name for name in fields if name not in NOT_IN_FILES]
            raise MisfitError(f'unknown key "{key}"{near_match(key, known)}', (key,))
        with under("profile" if key == "chances" else key):
            _blame(fields[key].type, value, key)
    for key, field in fields.items():
        if field.required and key not in table:
            raise MissingKeyError(f'needs a key "{key}"')
    try:
        msgspec.convert(table, kind.cls)
    except PlaceError as error:
        raise MisfitError(str(error)) from None


def _blame_named(
    kind: inspect.Type,
    value: Any,  # noqa: ANN401 (whatever the file holds)
    called: str,
    name: str,
    others: Iterable[str],
) -> None:
    """Blame a thing called by its key; one that lacks keys may be a misspelt other."""
    try:
        _blame(kind, value)
    except MissingKeyError as error:
        meant = near_match(name, sorted(others))
        if "did you mean" in meant:
            raise MisfitError(
                f'no {called} "{name}"{meant} a new one {error.message}', error.path
            ) from None
        raise


def _blame_one_of(kinds: tuple[inspect.Type, ...], value: Any, called: str) -> None:  # noqa: ANN401
    """Blame a table as the table that it might be, and anything else as what else it might be."""
    literals = [kind for kind in kinds if isinstance(kind, inspect.LiteralType)]
    if value is None or any(value in one.values for one in literals):
        return
    tables = [kind for kind in kinds if isinstance(kind, inspect.DictType | inspect.StructType)]
    others = [kind for kind in kinds if kind not in (*tables, inspect.NoneType())]
    _blame((tables if isinstance(value, dict) and tables else others or tables)[0], value, called)


def _blame_size(kind: inspect.Metadata, value: float) -> None:
    """Say what a limit means that msgspec was told of; see the types of numbers in the model."""
    limits: Any = kind.type
    if value == math.inf and limits.lt == LARGEST:
        raise MisfitError("must be finite, got inf")
    if not (
        (limits.ge is None or value >= limits.ge)
        and (limits.gt is None or value > limits.gt)
        and (limits.le is None or value <= limits.le)
    ):
        raise MisfitError(f"{(kind.extra or {})[MEANING]}, got {value:g}")
