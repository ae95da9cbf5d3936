"""A pack as the tables that its files hold and as the one text that a ledger keeps, and back.

Records are read by msgspec, all at once. What stands in files otherwise than in records (a thing
is called by the key that it stands under, what it does is grouped by kind and mode) is brought into
the records' shape before, and out of it afterwards.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
from msgspec import inspect

from swapinfer.errors import PackError, PlaceError, near_match
from swapinfer.pack.model import Pack

Table = dict[str, Any]

FORMAT = 1
"""Version of the layout of priors files; docs/pack-format.md describes it."""

ANY = "*"
"""Stands for every mode that is not named otherwise."""

LARGEST = 1e300
"""No pack means a larger number."""


def is_number(value: float) -> bool:
    """Say whether a number is one that a pack may mean, on whatever scale."""
    return abs(value) < LARGEST or value == math.inf


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


# To and from the text that a ledger keeps --------------------------------------------------------


def pack_to_json(pack: Pack) -> str:
    """Write a pack as the one text that its digest is taken of.

    Parameters
    ----------
    pack : Pack
        Any.

    Returns
    -------
    str
        JSON without spaces; tables in the order of the pack, which matters: it is the order in
        which causes are asked for. The digest itself is not in it.
    """
    return json.dumps(
        {"format": FORMAT, **encode(pack)},
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    )


def pack_from_json(text: str) -> Pack:
    """Build the identical pack from its text.

    Parameters
    ----------
    text : str
        From `pack_to_json`.

    Returns
    -------
    Pack
        With the digest of `text`.

    Raises
    ------
    PackError
        If the text is not that of a pack.
    """
    try:
        table = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError) as error:
        raise PackError(f"stored pack is not JSON: {error}") from error
    if not isinstance(table, dict):
        raise PackError("stored pack is not a JSON object")
    try:
        check_format(table)
        return decode({**table, "digest": digest_of(text)})
    except MisfitError as misfit:
        raise PackError(f"stored pack, {'.'.join(misfit.path)}: {misfit.message}") from None


def digest_of(text: str) -> str:
    """SHA-256 of a text.

    Parameters
    ----------
    text : str
        Any.

    Returns
    -------
    str
        Hexadecimal.
    """
    return hashlib.sha256(text.encode()).hexdigest()


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


# To and from records ------------------------------------------------------------------------------


def decode(table: Table) -> Pack:
    """Build a pack from its tables.

    Parameters
    ----------
    table : dict
        As in the files, with the provenance and the digest beside.

    Returns
    -------
    Pack
        Of the right shape; whether it makes sense is for `swapinfer.pack.check`.

    Raises
    ------
    MisfitError
        If a key is unknown or missing, or a value is of the wrong type.
    """
    shaped = dict(table)
    for section, regroup in _SECTIONS.items():
        if section in shaped:
            with under(section):
                shaped[section] = regroup[0](_need_table(shaped[section]))
    try:
        return msgspec.convert(shaped, Pack)
    except (msgspec.ValidationError, PlaceError) as error:
        _blame(inspect.type_info(Pack), shaped)
        raise MisfitError(str(error)) from None


def encode(pack: Pack) -> Table:
    """Turn a pack into the tables that `decode` builds it from, without its digest.

    Parameters
    ----------
    pack : Pack
        Any.

    Returns
    -------
    dict
        Of dicts, lists, strings, numbers and booleans; infinity is ``"inf"``.
    """
    table: Table = _plain(msgspec.to_builtins(pack))
    del table["digest"]
    for section, regroup in _SECTIONS.items():
        table[section] = regroup[1](table[section])
    return table


def _plain(value: Any) -> Any:  # noqa: ANN401 (any value of a table)
    """Leave out what is not there, and write what JSON cannot."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return "inf" if value == math.inf else value


# What stands in files otherwise -------------------------------------------------------------------

Regroup = Callable[[Table], Any]
_BothWays = tuple[Regroup, Callable[[Any], Table]]


def _each_mode(table: Table) -> list[list[Any]]:
    """Flatten ``{kind = {mode = value}}``; ``kind = value`` is short for every mode."""
    return [
        [kind, mode, value]
        for kind, modes in table.items()
        for mode, value in (modes if isinstance(modes, dict) else {ANY: modes}).items()
    ]


def _by_kind(triples: list[Any]) -> Table:
    """Group ``(kind, mode, value)`` again as `_each_mode` takes them."""
    table: Table = {}
    for kind, mode, value in triples:
        table.setdefault(kind, {})[mode] = value
    return table


def _sights(table: Table) -> list[Table]:
    return [{"kind": k, "mode": m, "profile": value} for k, m, value in _each_mode(table)]


def _sight_table(sights: list[Table]) -> Table:
    return _by_kind([tuple(sight.values()) for sight in sights])


def _handlings(table: Table) -> list[Table]:
    found = [{"kind": k, "mode": m, "chance": value} for k, m, value in _each_mode(table)]
    touched = [{"kind": k, "mode": "", "chance": 0.0} for k, modes in table.items() if modes == {}]
    return found + touched


def _handling_table(handlings: list[Table]) -> Table:
    harmful = [tuple(one.values()) for one in handlings if one["mode"]]
    return _by_kind(harmful) | {one["kind"]: {} for one in handlings if not one["mode"]}


def _bands(table: Table) -> list[Table]:
    return [{"id": key, "below": _number(value)} for key, value in table.items()]


def _band_table(bands: list[Table]) -> Table:
    return {band["id"]: band["below"] for band in bands}


def _costs(table: Table) -> Table:
    return {key: _number(value) for key, value in table.items()}


def _number(value: Any) -> Any:  # noqa: ANN401 (whatever the file holds)
    """Read infinity as `_plain` writes it."""
    return math.inf if value == "inf" else value


def _flat(table: Table, prefix: str = "") -> Table:
    """Join the keys of nested tables by dots."""
    flat: Table = {}
    for key, value in table.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{prefix}{key}.")
        else:
            flat[prefix + key] = value
    return flat


def _nested(flat: Table) -> Table:
    """Part dotted keys again."""
    table: Table = {}
    for place, value in flat.items():
        *outer, last = place.split(".")
        inner = table
        for key in outer:
            inner = inner.setdefault(key, {})
        inner[last] = value
    return table


def _named(**inside: _BothWays) -> _BothWays:
    """Things called by the keys that they stand under, with tables inside that look otherwise."""

    def into(table: Table) -> Table:
        return {name: _called(name, thing) for name, thing in table.items()}

    def _called(name: str, thing: Any) -> Table:  # noqa: ANN401 (whatever the file holds)
        with under(name):
            own = dict(_need_table(thing))
            for key in _NOT_IN_FILES & own.keys():
                raise MisfitError(f'unknown key "{key}"', (key,))
            for key, regroup in inside.items():
                if key in own:
                    with under(key):
                        own[key] = regroup[0](_need_table(own[key]))
        return {"id": name, **own}

    def back(table: Table) -> Table:
        return {name: _uncalled(thing) for name, thing in table.items()}

    def _uncalled(thing: Table) -> Table:
        del thing["id"]
        for key, regroup in inside.items():
            thing[key] = regroup[1](thing[key])
        return thing

    return into, back


def _tests(table: Table) -> Table:
    """Part profiles that are curves from those that are chances of outcomes."""
    tests: Table = _TESTS[0](table)
    for test in tests.values():
        profiles = test.get("profile", {})
        if isinstance(profiles, dict):
            curves = {
                k: p for k, p in profiles.items() if isinstance(p, dict) and _CURVE & p.keys()
            }
            test["profile"] = curves
            test["chances"] = {k: p for k, p in profiles.items() if k not in curves}
    return tests


def _test_table(tests: Table) -> Table:
    for test in tests.values():
        test["profile"] |= test.pop("chances")
    return _TESTS[1](tests)


def _cautions(table: Table) -> Table:
    """Take cautions that are mere texts, as packs have them that jobs were opened with before."""
    texts = {name: {"text": said} for name, said in table.items() if isinstance(said, str)}
    named: Table = _named()[0](table | texts)
    return named


_CURVE = {"lobes", "over_limit"}
_NOT_IN_FILES = {"id", "chances"}
"""Attributes of records that no key of a file is called by."""

_TESTS = _named(
    sees=(_sights, _sight_table),
    disturbs=(_handlings, _handling_table),
    band=(_bands, _band_table),
)
_SECTIONS: dict[str, _BothWays] = {
    "layout": _named(),
    "severity": _named(),
    "access": _named(),
    "element": _named(handling=(_handlings, _handling_table), mode=_named()),
    "test": (_tests, _test_table),
    "code": _named(sets=(_each_mode, _by_kind)),
    "caution": (_cautions, _named()[1]),
    "feeling": _named(),
    "source": _named(),
    "class": _named(),
    "costs": (_costs, dict),
    "provenance": (_flat, _nested),
}


# What does not fit, and where ---------------------------------------------------------------------


def _need(condition: bool, wanted: str, value: Any) -> None:  # noqa: ANN401 (any value)
    if not condition:
        shown = f'"{value}"' if isinstance(value, str) else str(value)
        raise MisfitError(f"must be {wanted}, got {shown[:60]}")


def _need_table(value: Any) -> Table:  # noqa: ANN401 (whatever the file holds)
    _need(isinstance(value, dict), "a table", value)
    table: Table = value
    return table


def _blame(kind: Any, value: Any) -> None:  # noqa: ANN401 (msgspec's description; any value)
    """Find what msgspec could not read as this kind of value, and say so as a pack would."""
    match kind:
        case inspect.StructType():
            _blame_record(kind, _need_table(value))
        case inspect.DictType():
            for key, item in _need_table(value).items():
                with under(key):
                    _blame_named(kind.value_type, item, [name for name in value if name != key])
        case inspect.VarTupleType():
            _need(isinstance(value, list), "a list", value)
            for item in value:
                _blame(kind.item_type, item)
        case inspect.TupleType():
            length = len(kind.item_types)
            _need(isinstance(value, list) and len(value) == length, f"a list of {length}", value)
            for inner, item in zip(kind.item_types, value, strict=True):
                _blame(inner, item)
        case inspect.UnionType():
            if value is not None:
                _blame(next(one for one in kind.types if one != inspect.NoneType()), value)
        case _:
            wanted, fits = _PLAIN[type(kind)]
            _need(fits(value), wanted, value)


_PLAIN: dict[type, tuple[str, Callable[[Any], bool]]] = {
    inspect.FloatType: ("a number", lambda value: type(value) in (int, float) and is_number(value)),
    inspect.IntType: ("a whole number", lambda value: type(value) is int),
    inspect.StrType: ("text", lambda value: type(value) is str),
    inspect.BoolType: ("true or false", lambda value: type(value) is bool),
}


def _blame_record(kind: Any, table: Table) -> None:  # noqa: ANN401 (msgspec's description)
    fields = {field.encode_name: field for field in kind.fields}
    for key, value in table.items():
        if key not in fields:
            known = [name for name in fields if name not in _NOT_IN_FILES]
            raise MisfitError(f'unknown key "{key}"{near_match(key, known)}', (key,))
        with under("profile" if key == "chances" else key):
            _blame(fields[key].type, value)
    for key, field in fields.items():
        if field.required and key not in table:
            raise MissingKeyError(f'needs a key "{key}"')
    try:
        msgspec.convert(table, kind.cls)
    except PlaceError as error:
        raise MisfitError(str(error)) from None


def _blame_named(kind: Any, value: Any, others: list[str]) -> None:  # noqa: ANN401 (as `_blame`)
    """Blame a thing called by its key; one that lacks most keys may be a misspelt other."""
    try:
        _blame(kind, value)
    except MissingKeyError as error:
        meant = near_match(value.get("id", ""), others)
        if "did you mean" in meant:
            error.message += meant
        raise
