"""From files to a checked pack; from a pack to the text that a ledger keeps, and back."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import swapinfer
from swapinfer.errors import PackError, near_match
from swapinfer.pack.cache import keep, recall
from swapinfer.pack.check import check_numbers, check_pack
from swapinfer.pack.codec import MisfitError, decode, encode
from swapinfer.pack.files import PriorsFile, copy_table, lay_over, locate, read_files
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import FROM, take_provenance
from swapinfer.pack.shape import Table

FORMAT = 1
"""Version of the layout of priors files; docs/pack-format.md describes it."""

_NOT_IN_A_NAME = re.compile(r"[^a-z0-9-]+")

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
    base = read_files(root or base_folder(), "priors")
    over = [file for path in overlays for file in read_files(path)]
    key = _key(base, over)
    known = recall(key)
    if known is not None:
        with contextlib.suppress(PackError):
            return pack_from_json(known)
    pack = _build(base, over)
    text = pack_to_json(pack)
    keep(key, text)
    return replace(pack, digest=digest_of(text))


def _key(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> str:
    """Digest of all that a pack is made of: the files, and the code that reads them."""
    code = [file.read_text(encoding="utf-8") for file in sorted(Path(__file__).parent.glob("*.py"))]
    said = [[file.name, file.text] for file in (*base, *over)]
    return digest_of(json.dumps([code, len(base), said]))


def _build(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> Pack:
    merged: Table = {}
    sources: Table = {}
    current = base[0]
    try:
        for current in base:
            _add(merged, sources, current.parse(), once=True)
        _resolve_likeness(merged, sources)
        for current in over:
            _add_overlay(merged, sources, current)
        check_numbers(merged)
        pack: Pack = decode(Pack, {**merged, "provenance": sources, "digest": ""})
        check_pack(pack)
    except MisfitError as misfit:
        raise PackError(f"{locate((*base, *over), misfit.path)}: {_sentence(misfit)}") from None
    return pack


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


def _add(merged: Table, sources: Table, table: Table, *, once: bool) -> None:
    _check_format(table.pop("format", None))
    lay_over(sources, take_provenance(table), once=False)
    lay_over(merged, table, once=once)


def _check_format(found: Any) -> None:  # noqa: ANN401 (whatever the file holds)
    if found != FORMAT:
        told = "needs a key" if found is None else f"must be {FORMAT}, got {found}:"
        raise MisfitError(f"{told} format = {FORMAT}", ("format",) if found else ())


def _add_overlay(merged: Table, sources: Table, file: PriorsFile) -> None:
    table = file.parse()
    name = _NOT_IN_A_NAME.sub("-", str(table.pop("name", Path(file.name).stem)).lower())
    version = str(table.pop("version", "")) or digest_of(file.text)[:8]
    if FROM not in table:
        table[FROM] = name
        own = {"grade": "chosen", "text": f"overlay {name} of this shop"}
        lay_over(merged, {"source": {name: own}}, once=False)
    _add(merged, sources, table, once=False)
    _resolve_likeness(merged, sources)
    merged["version"] = f"{merged.get('version')}+{name}-{version}"


def _resolve_likeness(merged: Table, sources: Table) -> None:
    for section, table in merged.items():
        if isinstance(table, dict):
            for key in table:
                _take_over(section, table, sources.setdefault(section, {}), key)


def _take_over(
    section: str, table: Table, sources: Table, key: str, waiting: tuple[str, ...] = ()
) -> None:
    own = table[key]
    if not isinstance(own, dict) or LIKE not in own:
        return
    model = own.pop(LIKE)
    if not isinstance(table.get(model), dict) or model in (key, *waiting):
        others = [name for name in table if name != key]
        raise MisfitError(
            f'no other {section} "{model}"{near_match(model, others)}', (section, key, LIKE)
        )
    _take_over(section, table, sources, model, (key, *waiting))
    for name, value in table[model].items():
        if name not in own:
            own[name] = copy_table(value)
            if name in sources.get(model, ()):
                sources.setdefault(key, {})[name] = copy_table(sources[model][name])


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
