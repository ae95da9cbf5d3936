"""JSON Schema of what commands print, derived from the types of the facts themselves."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import types
import typing
from collections.abc import Callable, Mapping
from typing import Any

from msgspec import Struct

from swapinfer import commands
from swapinfer.commands.page import Facts

DRAFT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

_PLAIN: dict[object, Schema] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"anyOf": [{"type": "number"}, {"const": "OL"}]},
    types.NoneType: {"type": "null"},
    object: {},
    Any: {},
}
"""Schemas of simple types; ``"OL"`` stands where a number is infinite."""


def all_shapes() -> dict[str, type[Facts]]:
    """Every kind of facts that commands return, by the name of its shape."""
    found: dict[str, type[Facts]] = {}
    for module in pkgutil.iter_modules(commands.__path__, f"{commands.__name__}."):
        for item in vars(importlib.import_module(module.name)).values():
            if inspect.isclass(item) and issubclass(item, Facts) and item is not Facts:
                found[f"swapinfer.{item.shape}"] = item
    return dict(sorted(found.items()))


def schema_of(facts: type[Facts]) -> Schema:
    """Describe the JSON of one kind of facts.

    Parameters
    ----------
    facts : type
        A subclass of `Facts`.

    Returns
    -------
    dict
        A JSON Schema, draft 2020-12; every key is required and no other is allowed.

    Raises
    ------
    TypeError
        If a field has a type that JSON facts do not use.
    """
    parts: dict[str, Schema] = {}
    body = _of_struct(facts, parts)
    body["properties"] = {
        "shape": {"const": f"swapinfer.{facts.shape}"},
        **body["properties"],
    }
    body["required"] = ["shape", *body["required"]]
    return {"$schema": DRAFT, "title": f"swapinfer.{facts.shape}", **body, "$defs": parts}


def _of_struct(cls: type[Struct], parts: dict[str, Schema]) -> Schema:
    hints = typing.get_type_hints(cls)
    names = list(cls.__struct_fields__)
    return {
        "type": "object",
        "properties": {name: _of_type(hints[name], parts) for name in names},
        "required": names,
        "additionalProperties": False,
    }


def _of_type(hint: Any, parts: dict[str, Schema]) -> Schema:  # noqa: ANN401  any annotation
    if hint in _PLAIN:
        return _PLAIN[hint]
    if inspect.isclass(hint) and issubclass(hint, Struct):
        if hint.__name__ not in parts:
            parts[hint.__name__] = {}
            parts[hint.__name__] = _of_struct(hint, parts)
        return {"$ref": f"#/$defs/{hint.__name__}"}
    origin = typing.get_origin(hint)
    if origin not in _GENERIC:
        raise TypeError(f"facts cannot hold {hint!r}")
    return _GENERIC[origin](typing.get_args(hint), parts)


def _of_union(args: tuple[Any, ...], parts: dict[str, Schema]) -> Schema:
    return {"anyOf": [_of_type(arg, parts) for arg in args]}


def _of_sequence(args: tuple[Any, ...], parts: dict[str, Schema]) -> Schema:
    if len(args) == 1 or args[1:] == (...,):
        return {"type": "array", "items": _of_type(args[0], parts)}
    each = [_of_type(arg, parts) for arg in args]
    return {"type": "array", "prefixItems": each, "items": False, "minItems": len(each)}


def _of_table(args: tuple[Any, ...], parts: dict[str, Schema]) -> Schema:
    return {"type": "object", "additionalProperties": _of_type(args[1], parts)}


def _of_choice(args: tuple[Any, ...], _parts: dict[str, Schema]) -> Schema:
    return {"enum": list(args)}


_GENERIC: Mapping[object, Callable[[tuple[Any, ...], dict[str, Schema]], Schema]] = {
    types.UnionType: _of_union,
    typing.Union: _of_union,
    tuple: _of_sequence,
    list: _of_sequence,
    dict: _of_table,
    Mapping: _of_table,
    typing.Literal: _of_choice,
}
