"""A pack as the tables that its files hold and as the one text that a ledger keeps, and back.

Records are read by msgspec, all at once. What stands in files otherwise than in records (a thing
is called by the key that it stands under, what it does is grouped by kind and mode) is brought into
the records' shape before, and out of it afterwards. What does not fit the records is looked for
only then: where it stands, and what would be accepted there.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Any, Literal, NamedTuple

import msgspec
from msgspec import inspect

from swapinfer.errors import PackError, PlaceError, near_match
from swapinfer.pack.model import ANY, LARGEST, MEANING, Chance, Pack, ShownOrMore

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
def under(*keys: str) -> Iterator[None]:
    """Say of a misfit met in here that it stands below some keys."""
    try:
        yield
    except MisfitError as misfit:
        misfit.path = (*keys, *misfit.path)
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
    """Find what msgspec could not read as a type, and say so as a pack would."""
    _blame(inspect.type_info(hint), value)


def _blame(kind: Any, value: Any, called: str = "thing") -> None:  # noqa: ANN401 (any type, value)
    """Find it in a value of a type; `called` is the key that it stands under."""
    match kind:
        case inspect.StructType():
            _blame_record(kind, need_table(value))
        case inspect.DictType():
            for key in need_table(value):
                with under(key):
                    _blame_named(kind.value_type, value, called, key)
        case inspect.VarTupleType() | inspect.TupleType():
            _blame_list(kind, value)
        case inspect.UnionType():
            _blame_one_of(kind.types, value, called)
        case inspect.Metadata():
            _blame(kind.type, value)
            _blame_size(kind, value)
        case inspect.FloatType():
            is_number = type(value) in (int, float) and abs(value) < LARGEST
            _need(is_number or value == math.inf, "a number", value)
        case inspect.IntType() | inspect.StrType() | inspect.BoolType():
            python_type, wanted = _PLAIN[type(kind)]
            _need(type(value) is python_type, wanted, value)


_PLAIN: dict[type[inspect.Type], tuple[type, str]] = {
    inspect.IntType: (int, "a whole number"),
    inspect.StrType: (str, "text"),
    inspect.BoolType: (bool, "true or false"),
}


def _blame_list(kind: Any, value: Any) -> None:  # noqa: ANN401 (any type, value)
    is_list = isinstance(value, list | tuple)
    if isinstance(kind, inspect.VarTupleType):
        _need(is_list, "a list", value)
        inner = (kind.item_type,) * len(value)
    else:
        inner = kind.item_types
        _need(is_list and len(value) == len(inner), f"a list of {len(inner)}", value)
    for one, item in zip(inner, value, strict=True):
        _blame(one, item)


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


def _blame_named(kind: inspect.Type, table: Table, called: str, name: str) -> None:
    """Blame a thing called by its key; one that lacks keys may be a misspelt other."""
    try:
        _blame(kind, table[name])
    except MissingKeyError as error:
        meant = near_match(name, sorted(table.keys() - {name}))
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


FORMAT = 1
"""Version of the layout of priors files; docs/pack-format.md describes it."""


def pack_to_json(pack: Pack) -> str:
    """Write a pack as the one text that its digest is taken of."""
    table = {"format": FORMAT, **encode(pack)}
    return json.dumps(table, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def pack_from_json(text: str) -> Pack:
    """Build the identical pack from its text."""
    try:
        table = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError) as error:
        raise PackError(f"stored pack is not JSON: {error}") from error
    if not isinstance(table, dict):
        raise PackError("stored pack is not a JSON object")
    try:
        check_format(table)
        return decode({**table, "digest": digest_text(text)})
    except MisfitError as misfit:
        raise PackError(f"stored pack, {'.'.join(misfit.path)}: {misfit.message}") from None


def digest_text(text: str) -> str:
    """SHA-256 of a text's UTF-8, hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


def check_format(table: Table) -> None:
    """Take the version of the format out of a table, refusing any but ours."""
    found: Any = table.pop("format", None)
    if found is None:
        raise MisfitError(f"needs a key format = {FORMAT}")
    if found != FORMAT:
        raise MisfitError(f"must be {FORMAT}, got {found}", ("format",))


def decode(table: Table) -> Pack:
    """Build a pack from its tables."""
    shaped = _regrouped(table, _SECTIONS)
    try:
        return msgspec.convert(shaped, Pack)
    except (msgspec.ValidationError, PlaceError) as error:
        _blame_as_filed(table, _SECTIONS)
        blame(Pack, shaped)
        raise MisfitError(str(error)) from None


def encode(pack: Pack) -> Table:
    """Turn a pack into the tables that `decode` builds it from, without its digest."""
    table: Table = _plain(msgspec.to_builtins(pack))
    del table["digest"]
    return _as_filed(table, _SECTIONS)


def _plain(value: Any) -> Any:  # noqa: ANN401 (any value of a table)
    """Leave out what is not there, and write what JSON cannot."""
    kind = type(value)
    if kind is dict:
        return {key: _plain(item) for key, item in value.items() if item is not None}
    if kind is list or kind is tuple:
        return [_plain(item) for item in value]
    return "inf" if kind is float and value == math.inf else value


class Filed(NamedTuple):
    """How a key's table stands in files, where that is not as the record has it."""

    hint: Any  # type in files
    into: Callable[[Table], Any]  # from that to the record's plain values
    back: Callable[[Any], Table]
    inside: Mapping[str, Filed] = MappingProxyType({})  # what looks otherwise in each thing of it


def _regrouped(table: Table, filed: Mapping[str, Filed]) -> Table:
    """Bring the values of some keys into the shape that the records have."""
    shaped = dict(table)
    for key in filed.keys() & table.keys():
        with under(key):
            shaped[key] = filed[key].into(need_table(table[key]))
    return shaped


def _as_filed(table: Table, filed: Mapping[str, Filed]) -> Table:
    """Bring them back into that of the files, in place."""
    for key, otherwise in filed.items():
        table[key] = otherwise.back(table[key])
    return table


def _blame_as_filed(table: Table, filed: Mapping[str, Filed]) -> None:
    """Find what does not fit in the tables as they stand in files, where that is not records."""
    for key in filed.keys() & table.keys():
        with under(key):
            for name, thing in table[key].items() if filed[key].inside else ():
                with under(name):
                    _blame_as_filed(thing, filed[key].inside)
            try:
                msgspec.convert(table[key], filed[key].hint)
            except msgspec.ValidationError:
                blame(filed[key].hint, table[key])


def _things(filed: Mapping[str, Filed]) -> Filed:
    """Things called by the keys that they stand under, with values that look otherwise."""

    def called(name: str, thing: Any) -> Table:  # noqa: ANN401 (whatever the file holds)
        with under(name):
            for key in NOT_IN_FILES & need_table(thing).keys():
                raise MisfitError(f'unknown key "{key}"', (key,))
            return {"id": name, **_regrouped(thing, filed)}

    def uncalled(thing: Table) -> Table:
        del thing["id"]
        return _as_filed(thing, filed)

    return Filed(
        dict[str, Table],
        lambda table: {name: called(name, thing) for name, thing in table.items()},
        lambda things: {name: uncalled(thing) for name, thing in things.items()},
        filed,
    )


def _each_mode(table: Table) -> list[tuple[str, str, Any]]:
    """Flatten ``{kind = {mode = value}}``; ``kind = value`` is short for every mode."""
    return [
        (kind, mode, value)
        for kind, modes in table.items()
        for mode, value in (modes if isinstance(modes, dict) else {ANY: modes}).items()
    ]


def _by_kind(triples: list[Any]) -> Table:
    """Group ``(kind, mode, value)`` again as `_each_mode` takes them."""
    table: Table = {}
    for kind, mode, value in triples:
        table.setdefault(kind, {})[mode] = value
    return table


def _handlings(table: Table) -> list[Table]:
    found = [{"kind": k, "mode": m, "chance": value} for k, m, value in _each_mode(table)]
    touched = [{"kind": k, "mode": "", "chance": 0.0} for k, modes in table.items() if modes == {}]
    return found + touched


def _handling_table(handlings: list[Table]) -> Table:
    harmful = _by_kind([one.values() for one in handlings if one["mode"]])
    return harmful | {one["kind"]: {} for one in handlings if not one["mode"]}


def _with_infinity(table: Table) -> Table:
    """Read infinity as `_plain` writes it."""
    return {key: math.inf if value == "inf" else value for key, value in table.items()}


def _parted_profiles(tests: Table) -> Table:
    """Part profiles that are curves from those that are chances of outcomes."""
    for test in tests.values():
        profiles = test.get("profile", {})
        if isinstance(profiles, dict):
            curves = [k for k, p in profiles.items() if isinstance(p, dict) and _CURVE & p.keys()]
            test["profile"] = {name: profiles[name] for name in curves}
            test["chances"] = {name: p for name, p in profiles.items() if name not in curves}
    return tests


def _joined_profiles(tests: Table) -> Table:
    for test in tests.values():
        test["profile"] |= test.pop("chances")
    return tests


def flatten(table: Table, prefix: str = "") -> Table:
    """Join the keys of nested tables by dots."""
    flat: Table = {}
    for key, value in table.items():
        inner = isinstance(value, dict)
        flat |= flatten(value, f"{prefix}{key}.") if inner else {prefix + key: value}
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


_CURVE = {"lobes", "over_limit"}

_CHANCES = dict[str, Chance | dict[str, Chance]]
_HANDLINGS = Filed(_CHANCES, _handlings, _handling_table)
_SYMPTOMS = Filed(
    dict[str, str | dict[str, str]],
    lambda table: [{"kind": k, "mode": m, "profile": seen} for k, m, seen in _each_mode(table)],
    lambda symptoms: _by_kind([one.values() for one in symptoms]),
)
_BANDS = Filed(
    dict[str, ShownOrMore | Literal["inf"]],
    lambda table: [{"id": key, "below": top} for key, top in _with_infinity(table).items()],
    lambda bands: {band["id"]: band["below"] for band in bands},
)
_PLAIN_THINGS = _things({})
_TESTS = _things({"sees": _SYMPTOMS, "disturbs": _HANDLINGS, "band": _BANDS})
_CALLED_BY_KEY = ("layout", "severity", "access", "feeling", "memory", "source", "class")
_SECTIONS = dict.fromkeys(_CALLED_BY_KEY, _PLAIN_THINGS) | {
    "element": _things({"handling": _HANDLINGS, "mode": _PLAIN_THINGS}),
    "test": Filed(
        _TESTS.hint,
        lambda table: _parted_profiles(_TESTS.into(table)),
        lambda tests: _TESTS.back(_joined_profiles(tests)),
        _TESTS.inside,
    ),
    "code": _things({"sets": Filed(_CHANCES, _each_mode, _by_kind)}),
    "caution": Filed(  # mere texts in packs that jobs were opened with before
        dict[str, str | Table],
        lambda table: _PLAIN_THINGS.into(
            {k: {"text": said} if isinstance(said, str) else said for k, said in table.items()}
        ),
        _PLAIN_THINGS.back,
    ),
    "costs": Filed(Table, _with_infinity, dict),
    "provenance": Filed(Table, flatten, _nested),
}
