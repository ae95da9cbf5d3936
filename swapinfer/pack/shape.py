"""How the model's dataclasses look as tables in a file, where they don't look alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

from swapinfer.pack.model import Band, Code, Kind, Level, Pack, Test, Weight

Table = dict[str, Any]

ANY = "*"
"""Stands for every mode that is not named otherwise."""

KEY_OF_FIELD: dict[type, dict[str, str]] = {
    Pack: {
        "layouts": "layout",
        "fitments": "fitment",
        "refusals": "refusal",
        "feelings": "feeling",
        "severities": "severity",
        "kinds": "element",
        "tests": "test",
        "codes": "code",
        "cautions": "caution",
        "tools": "tool",
        "sources": "source",
        "classes": "class",
    },
    Kind: {"modes": "mode"},
    Test: {"profiles": "profile", "outcomes": "outcome", "bands": "band", "weights": "weight"},
    Weight: {"grade": "class"},
}
"""Where a table's key is not the field's name: files speak of one thing at a time."""


def takes_id(model: Any) -> bool:  # noqa: ANN401 (any dataclass)
    """Say whether a thing is called by the key that its table stands under.

    Parameters
    ----------
    model : type
        A dataclass of the model.

    Returns
    -------
    bool
        Bands stand in a list, so they carry their own names.
    """
    return model is not Band and any(item.name == "id" for item in fields(model))


MAY_BE_LEFT_OUT: dict[type, Table] = {
    Kind: {
        "movable": False,
        "fitted": {},
        "access": "",
        "swap_minutes": 0.0,
        "handling": {},
        "new_fault": 0.0,
    },
    Test: {
        "unit": "",
        "scale": "linear",
        "reference": "",
        "range": [0.0, 0.0],
        "outcome": {},
        "band": {},
        "sweep": False,
        "level": None,
        "copper_alpha": 0.0,
        "fitted": {},
        "access": "",
        "minutes_each": 0.0,
        "consumables": 0.0,
        "coincidence": 0.0,
        "slip": {},
        "repeatability": 0.0,
        "alike": {},
        "disturbs": {},
        "before": [],
    },
    Level: {"median": 0.0, "fill": 0.0, "exponent": 0.0, "compression_ratio": 0.0},
    Code: {"step": 0, "sets": {}},
}
"""What a table has that does not say: nothing of it."""


def _each_mode(table: Table) -> list[tuple[str, str, Any]]:
    """Flatten ``{kind = {mode = value}}``; ``kind = value`` is short for every mode."""
    return [
        (kind, mode, value)
        for kind, modes in table.items()
        for mode, value in (modes if isinstance(modes, dict) else {ANY: modes}).items()
    ]


def _by_kind(triples: list[tuple[str, str, Any]]) -> Table:
    """Group ``(kind, mode, value)`` again as `_each_mode` takes them."""
    table: Table = {}
    for kind, mode, value in triples:
        table.setdefault(kind, {})[mode] = value
    return table


def _sights(table: Table) -> list[Table]:
    return [{"kind": k, "mode": m, "profile": value} for k, m, value in _each_mode(table)]


def _sight_table(sights: list[Table]) -> Table:
    return _by_kind([(item["kind"], item["mode"], item["profile"]) for item in sights])


def _handlings(table: Table) -> list[Table]:
    found = [{"kind": k, "mode": m, "chance": value} for k, m, value in _each_mode(table)]
    touched = [{"kind": k, "mode": "", "chance": 0.0} for k, modes in table.items() if modes == {}]
    return found + touched


def _handling_table(handlings: list[Table]) -> Table:
    harmful = [(item["kind"], item["mode"], item["chance"]) for item in handlings if item["mode"]]
    touched: Table = {item["kind"]: {} for item in handlings if not item["mode"]}
    return _by_kind(harmful) | touched


def _bands(table: Table) -> list[Table]:
    return [{"id": key, "below": value} for key, value in table.items()]


def _band_table(bands: list[Table]) -> Table:
    return {item["id"]: item["below"] for item in bands}


def _sets(table: Table) -> list[list[Any]]:
    return [list(triple) for triple in _each_mode(table)]


def _sets_table(sets: list[list[Any]]) -> Table:
    return _by_kind([(kind, mode, chance) for kind, mode, chance in sets])


def _flat(table: Table, prefix: str = "") -> Table:
    """Join the keys of nested tables by dots."""
    flat: Table = {}
    for key, value in table.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{prefix}{key}.")
        else:
            flat[prefix + key] = value
    return flat


def _cautions(table: Table) -> Table:
    """Take cautions that are mere texts, as packs have them that jobs were opened with before."""
    return {k: {"text": said} if isinstance(said, str) else said for k, said in table.items()}


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


Reshape = Callable[[Any], Any]

WRITTEN_OTHERWISE: dict[type, dict[str, tuple[Reshape, Reshape]]] = {
    Kind: {"handling": (_handlings, _handling_table)},
    Test: {
        "sees": (_sights, _sight_table),
        "disturbs": (_handlings, _handling_table),
        "bands": (_bands, _band_table),
    },
    Code: {"sets": (_sets, _sets_table)},
    Pack: {"provenance": (_flat, _nested), "cautions": (_cautions, dict)},
}
"""Fields that a file groups by kind and mode, or nests: from the file's table, and back to it."""
