"""The TOML files of a pack as one table of plain values, without their provenance."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

Table = dict[str, Any]


def read_priors(folder: Path, *overlays: Table) -> Table:
    """Lay all files of a folder together, in the order of their names, and overlays over them."""
    priors: Table = {}
    for path in sorted(folder.rglob("*.toml")):
        _lay_over(priors, tomllib.loads(path.read_text(encoding="utf-8")))
    for overlay in overlays:
        _lay_over(priors, overlay)
    for section in priors.values():
        if isinstance(section, dict):
            for name in section:
                _fill_like(section, name)
    return {name: _without_sources(table) for name, table in priors.items()}


def by_mode(table: Table) -> list[tuple[str, str, Any]]:
    """Flatten ``{kind = {mode = value}}``; ``kind = value`` holds for every mode, ``*``."""
    return [
        (kind, mode, value)
        for kind, modes in table.items()
        for mode, value in (modes if isinstance(modes, dict) else {"*": modes}).items()
    ]


def _lay_over(base: Table, over: Table) -> None:
    for key, value in over.items():
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            _lay_over(base[key], value)
        else:
            base[key] = value


def _fill_like(section: Table, name: str) -> None:
    own = section[name]
    if isinstance(own, dict) and "like" in own:
        model = own.pop("like")
        _fill_like(section, model)
        for key, value in section[model].items():
            own.setdefault(key, value)


def _without_sources(value: object) -> object:
    if isinstance(value, dict):
        return {key: _without_sources(item) for key, item in value.items() if key != "from"}
    return value
