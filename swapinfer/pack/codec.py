"""Tables of plain values to the dataclasses of the model, and back."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints

from swapinfer.errors import PlaceError, near_match
from swapinfer.pack.model import Curve
from swapinfer.pack.shape import (
    KEY_OF_FIELD,
    MAY_BE_LEFT_OUT,
    WRITTEN_OTHERWISE,
    Table,
    takes_id,
)

Decoder = Callable[..., Any]

LARGEST = 1e300
"""No pack means a larger number."""


class MisfitError(Exception):
    """A value that does not fit the model, and the keys that lead to it."""

    def __init__(self, message: str, path: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.path = path

    def under(self, key: str) -> MisfitError:
        """Return the same misfit as seen from one table further out."""
        return type(self)(self.message, (key, *self.path))


class MissingKeyError(MisfitError):
    """A table without a key that it needs."""


def decode(model: type, table: Table) -> Any:  # noqa: ANN401 (the caller names the type)
    """Build a dataclass of the model from a table.

    Parameters
    ----------
    model : type
        A dataclass.
    table : dict
        As in a pack's files; things with an ``id`` get it from the key that they stand under.

    Returns
    -------
    object
        Of type `model`.

    Raises
    ------
    MisfitError
        If a key is unknown or missing, or a value is of the wrong type.
    """
    return _record(model)(table)


def encode(value: Any) -> Any:  # noqa: ANN401 (any value of the model)
    """Turn a dataclass into the table that `decode` builds it from.

    Parameters
    ----------
    value : object
        Dataclass of the model, or any value in one.

    Returns
    -------
    object
        Dicts, lists, strings, numbers, booleans; infinity is ``"inf"``.
    """
    kind = type(value)
    if kind is float:
        return "inf" if value == math.inf else value
    if kind is tuple:
        return [encode(item) for item in value]
    if kind is dict:
        return {key: encode(item) for key, item in value.items()}
    return value if kind in _AS_IT_IS else _encode_record(value)


_AS_IT_IS = {str, int, bool, NoneType}


def _encode_record(record: Any) -> Table:  # noqa: ANN401 (any dataclass)
    table = {}
    for name, key, reshape in _written_fields(record.__class__):
        value = encode(getattr(record, name))
        if value is not None:
            table[key] = reshape(value) if reshape else value
    return table


@cache
def _written_fields(model: type) -> list[tuple[str, str, Decoder | None]]:
    renamed = KEY_OF_FIELD.get(model, {})
    reshaped = WRITTEN_OTHERWISE.get(model, {})
    return [
        (name, renamed.get(name, name), reshaped[name][1] if name in reshaped else None)
        for name in (item.name for item in fields(model))
        if not (name == "id" and takes_id(model))
    ]


@cache
def _record(model: type) -> Decoder:
    decoders = _decoders_by_key(model)
    left_out = {
        decoders[key][0]: decoders[key][1](value)
        for key, value in MAY_BE_LEFT_OUT.get(model, {}).items()
    }
    required = _required_keys(model, left_out)

    def build(table: Any, **identity: str) -> Any:  # noqa: ANN401 (whatever the file holds)
        _need(isinstance(table, dict), "a table", table)
        values: Table = left_out | identity
        for key, value in table.items():
            if key not in decoders:
                raise MisfitError(f'unknown key "{key}"{near_match(key, decoders)}', (key,))
            name, convert = decoders[key]
            values[name] = _at(key, convert, value)
        for key in required:
            if key not in table:
                raise MissingKeyError(f'needs a key "{key}"')
        try:
            return model(**values)
        except PlaceError as error:
            raise MisfitError(str(error)) from None

    return build


def _decoders_by_key(model: type) -> dict[str, tuple[str, Decoder]]:
    hints = get_type_hints(model)
    renamed = KEY_OF_FIELD.get(model, {})
    reshaped = WRITTEN_OTHERWISE.get(model, {})
    decoders = {}
    for item in fields(model):
        if item.name == "id" and takes_id(model):
            continue
        convert = _decoder(hints[item.name])
        if item.name in reshaped:
            convert = _after(reshaped[item.name][0], convert)
        decoders[renamed.get(item.name, item.name)] = (item.name, convert)
    return decoders


def _required_keys(model: type, left_out: Table) -> list[str]:
    renamed = KEY_OF_FIELD.get(model, {})
    return [
        renamed.get(item.name, item.name)
        for item in fields(model)
        if item.name not in left_out
        and not (item.name == "id" and takes_id(model))
        and item.default is MISSING
        and item.default_factory is MISSING
    ]


def _after(reshape: Decoder, convert: Decoder) -> Decoder:
    def both(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
        _need(isinstance(value, dict), "a table", value)
        return convert(reshape(value))

    return both


def _at(key: str, convert: Decoder, value: Any) -> Any:  # noqa: ANN401 (any value)
    try:
        return convert(value)
    except MisfitError as misfit:
        raise misfit.under(key) from None


def _need(condition: bool, wanted: str, value: Any) -> None:  # noqa: ANN401 (any value)
    if not condition:
        shown = f'"{value}"' if isinstance(value, str) else str(value)
        raise MisfitError(f"must be {wanted}, got {shown[:60]}")


@cache
def _decoder(hint: Any) -> Decoder:  # noqa: ANN401 (any annotation)
    if hint in _PLAIN:
        return _PLAIN[hint]
    if is_dataclass(hint) and isinstance(hint, type):
        return _record(hint)
    origin, inner = get_origin(hint), get_args(hint)
    if origin is tuple:
        return _tuple(inner)
    if origin is dict:
        return _dict(inner[1])
    if NoneType in inner:
        return _optional(_decoder(inner[0]))
    return _curve_or_chances


def _number(value: Any) -> float:  # noqa: ANN401 (whatever the file holds)
    if value == "inf":
        return math.inf
    is_number = type(value) in (int, float) and (abs(value) < LARGEST or value == math.inf)
    _need(is_number, "a number", value)
    return float(value)


def _whole(value: Any) -> int:  # noqa: ANN401 (whatever the file holds)
    _need(type(value) is int and abs(value) < LARGEST, "a whole number", value)
    return int(value)


def _text(value: Any) -> str:  # noqa: ANN401 (whatever the file holds)
    _need(type(value) is str, "text", value)
    return str(value)


def _truth(value: Any) -> bool:  # noqa: ANN401 (whatever the file holds)
    _need(type(value) is bool, "true or false", value)
    return bool(value)


_PLAIN: dict[Any, Decoder] = {float: _number, int: _whole, str: _text, bool: _truth}


def _tuple(inner: tuple[Any, ...]) -> Decoder:
    if inner[-1] is Ellipsis:
        convert = _decoder(inner[0])

        def any_length(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
            _need(isinstance(value, list), "a list", value)
            return tuple([convert(item) for item in value])

        return any_length
    converts = [_decoder(hint) for hint in inner]

    def fixed(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
        _need(
            isinstance(value, list) and len(value) == len(converts),
            f"a list of {len(converts)}",
            value,
        )
        return tuple([convert(item) for convert, item in zip(converts, value, strict=True)])

    return fixed


def _dict(hint: Any) -> Decoder:  # noqa: ANN401 (any annotation)
    convert = _decoder(hint)
    is_named = is_dataclass(hint) and takes_id(hint)

    def build(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
        _need(isinstance(value, dict), "a table", value)
        if not is_named:
            return {key: _at(key, convert, item) for key, item in value.items()}
        return {key: _at(key, _named(convert, key, value), item) for key, item in value.items()}

    return build


def _named(convert: Decoder, name: str, table: Table) -> Decoder:
    """Decode a thing called by its key; one that lacks most keys may be a misspelt other."""

    def build(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
        try:
            return convert(value, id=name)
        except MissingKeyError as error:
            meant = near_match(name, (other for other in table if other != name))
            if "did you mean" in meant:
                raise MisfitError(error.message + meant, error.path) from None
            raise

    return build


def _optional(convert: Decoder) -> Decoder:
    return lambda value: None if value is None else convert(value)


def _curve_or_chances(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
    _need(isinstance(value, dict), "a table", value)
    if "lobes" in value or "over_limit" in value:
        return _record(Curve)(value)
    return _decoder(dict[str, float])(value)
