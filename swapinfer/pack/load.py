"""From files to a checked pack; from a pack to the text that a ledger keeps, and back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import swapinfer
from swapinfer.errors import PackError, near_match
from swapinfer.pack.check import check_numbers, check_pack
from swapinfer.pack.codec import MisfitError, decode, encode
from swapinfer.pack.files import PriorsFile, lay_over, locate, read_files
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import take_provenance
from swapinfer.pack.shape import Table

FORMAT = 1
"""Version of the layout of priors files; docs/pack-format.md describes it."""

LIKE = "like"
"""Key of a table: take over from this sibling whatever is not said here."""


def load_pack(overlays: Sequence[Path] = (), root: Path | None = None) -> Pack:
    """Read the base pack and lay a shop's overlays over it.

    Parameters
    ----------
    overlays : sequence of Path
        TOML files, or folders of them; later ones win.
    root : Path, optional
        Folder of the base pack; the one that comes with swapinfer by default.

    Returns
    -------
    Pack
        Checked.

    Raises
    ------
    PackError
        If a file is unreadable or says something that cannot be; the message starts with
        ``file:line``.
    """
    files = read_files(root or base_folder(), "priors")
    merged: Table = {}
    provenance: dict[str, str] = {}
    try:
        for file in files:
            _add(merged, provenance, file, once=True)
        _resolve_likeness(merged, provenance)
        for path in overlays:
            for file in read_files(path):
                files.append(file)
                _add_overlay(merged, provenance, file)
        check_numbers(merged)
        pack = decode(Pack, {**merged, "provenance": provenance, "digest": ""})
        check_pack(pack)
    except MisfitError as misfit:
        raise PackError(f"{locate(files, misfit.path)}: {_sentence(misfit)}") from None
    return replace(pack, digest=digest_of(pack_to_json(pack)))


def base_folder() -> Path:
    """Where the base pack lies.

    Returns
    -------
    Path
        Inside the installed package, or beside it in a working copy.
    """
    package = Path(swapinfer.__file__).parent
    shipped = package / "_priors"
    return shipped if shipped.is_dir() else package.parent / "priors"


def _sentence(misfit: MisfitError) -> str:
    named = misfit.message.startswith(("unknown key", "no ", "needs "))
    return misfit.message if named or not misfit.path else f"{misfit.path[-1]} {misfit.message}"


def _add(merged: Table, provenance: dict[str, str], file: PriorsFile, *, once: bool) -> None:
    table = file.table
    _check_format(table.pop("format", None))
    provenance |= take_provenance(table)
    lay_over(merged, table, once=once)


def _check_format(found: Any) -> None:  # noqa: ANN401 (whatever the file holds)
    if found != FORMAT:
        told = "needs a key" if found is None else f"must be {FORMAT}, got {found}:"
        raise MisfitError(f"{told} format = {FORMAT}", ("format",) if found else ())


def _add_overlay(merged: Table, provenance: dict[str, str], file: PriorsFile) -> None:
    table = file.table
    name = str(table.pop("name", Path(file.name).stem))
    if "from" not in table:
        table["from"] = name
        own = {"grade": "chosen", "text": f"overlay {name} of this shop"}
        table.setdefault("source", {}).setdefault(name, own)
    version = str(table.pop("version", "")) or digest_of(file.text)[:8]
    _add(merged, provenance, file, once=False)
    _resolve_likeness(merged, provenance)
    merged["version"] = f"{merged['version']}+{name}-{version}"


def _resolve_likeness(merged: Table, provenance: dict[str, str]) -> None:
    for section, table in merged.items():
        for key, item in table.items() if isinstance(table, dict) else ():
            if isinstance(item, dict) and LIKE in item:
                _take_over(section, table, key, provenance)


def _take_over(section: str, table: Table, key: str, provenance: dict[str, str]) -> None:
    own = table[key]
    model = own.pop(LIKE)
    if model not in table or LIKE in table[model]:
        plain = [name for name, item in table.items() if LIKE not in item and name != key]
        raise MisfitError(f'no {section} "{model}"{near_match(model, plain)}', (section, key, LIKE))
    taken = {name: value for name, value in table[model].items() if name not in own}
    lay_over(own, taken, once=True)
    for place, source in list(provenance.items()):
        start = f"{section}.{model}."
        if place.startswith(start) and place.removeprefix(start).split(".")[0] in taken:
            provenance[f"{section}.{key}.{place.removeprefix(start)}"] = source


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
    table = encode(pack)
    del table["digest"]
    return json.dumps(
        {"format": FORMAT, **table}, ensure_ascii=False, allow_nan=False, separators=(",", ":")
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
        table = json.loads(text)
        _check_format(table.pop("format", None))
        pack: Pack = decode(Pack, {**table, "digest": digest_of(text)})
    except (json.JSONDecodeError, AttributeError) as error:
        raise PackError(f"stored pack is not JSON of a pack: {error}") from error
    except MisfitError as misfit:
        path = ".".join(misfit.path)
        raise PackError(f"stored pack: {path}: {misfit.message}") from None
    return pack


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
