"""From files to a checked pack; from a pack to the text that a ledger keeps, and back."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from swapinfer.errors import PackError
from swapinfer.pack.cache import keep, recall
from swapinfer.pack.check import check_numbers, check_pack
from swapinfer.pack.codec import MisfitError, decode, encode
from swapinfer.pack.files import PriorsFile, locate, read_files
from swapinfer.pack.merge import FORMAT, Merged, check_format
from swapinfer.pack.model import Pack


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


def base_folder() -> Path:
    """Where the base pack lies.

    Returns
    -------
    Path
        Inside the installed package, or beside it in a working copy.
    """
    package = Path(__file__).parents[1]
    shipped = package / "_priors"
    return shipped if shipped.is_dir() else package.parent / "priors"


def _key(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> str:
    """Digest of all that a pack is made of: the files, and the code that reads them."""
    code = [file.read_text(encoding="utf-8") for file in sorted(Path(__file__).parent.glob("*.py"))]
    said = [[file.name, file.text] for file in (*base, *over)]
    return digest_of(json.dumps([code, len(base), said]))


def _build(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> Pack:
    merged = Merged()
    for file in base:
        with _located(file):
            merged.add_base(file)
    with _located(*base):
        merged.take_over_likes()
    for file in over:
        with _located(file):
            merged.add_overlay(file)
    with _located(*base, *over):
        pack: Pack = decode(Pack, {**merged.tables, "provenance": merged.sources, "digest": ""})
        check_numbers(merged.tables)
        check_pack(pack)
    return pack


@contextlib.contextmanager
def _located(*files: PriorsFile) -> Iterator[None]:
    """Say of a misfit in which of the files, and where, it stands."""
    try:
        yield
    except MisfitError as misfit:
        raise PackError(f"{locate(files, misfit.path)}: {_sentence(misfit)}") from None


def _sentence(misfit: MisfitError) -> str:
    is_whole = misfit.message.startswith(("unknown key", "no ", "nothing ", "needs ", "layout "))
    return misfit.message if is_whole or not misfit.path else f"{misfit.path[-1]} {misfit.message}"


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
    except ValueError as error:
        raise PackError(f"stored pack is not JSON: {error}") from error
    if not isinstance(table, dict):
        raise PackError("stored pack is not a JSON object")
    try:
        check_format(table)
        pack: Pack = decode(Pack, {**table, "digest": digest_of(text)})
    except MisfitError as misfit:
        raise PackError(f"stored pack, {'.'.join(misfit.path)}: {misfit.message}") from None
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
