"""From files to a checked pack, with a copy of what was read before.

TOML is parsed in pure Python: the base pack takes several times longer from its files than from
the one JSON text that stands for it. What is kept of that is a copy and may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec.structs import replace

from swapinfer.errors import PackError
from swapinfer.pack.check import check_names, check_pack
from swapinfer.pack.files import Merged, PriorsFile, locate, read_files
from swapinfer.pack.misfits import MisfitError
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import decode, digest_of, pack_from_json, pack_to_json

KEPT = 8
"""Packs kept; the longest unused go first."""


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
    name = f"{_key(base, over)}.json"
    with contextlib.suppress(OSError, RuntimeError, UnicodeDecodeError, PackError):
        kept = _folder() / name
        text = kept.read_text(encoding="utf-8")
        kept.touch()
        return pack_from_json(text)
    pack = _build(base, over)
    text = pack_to_json(pack)
    with contextlib.suppress(OSError, RuntimeError):
        _keep(_folder(), name, text)
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
        pack = decode({**merged.tables, "provenance": merged.sources, "digest": ""})
        check_names(merged.tables)
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


def _key(base: Sequence[PriorsFile], over: Sequence[PriorsFile]) -> str:
    """Digest of all that a pack is made of: the files, and the code that reads them."""
    code = [file.read_text(encoding="utf-8") for file in sorted(Path(__file__).parent.glob("*.py"))]
    said = [[file.name, file.text] for file in (*base, *over)]
    return digest_of(json.dumps([code, len(base), said]))


def _folder() -> Path:
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(named) if named else Path.home() / ".cache") / "swapinfer" / "packs"


def _keep(folder: Path, name: str, text: str) -> None:
    """Keep a copy, written beside and moved into place, and let the oldest go."""
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f"{name}.{secrets.token_hex(4)}.tmp"
    unfinished.write_text(text, encoding="utf-8")
    unfinished.replace(folder / name)
    by_age = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime)
    for path in by_age[:-KEPT]:
        path.unlink(missing_ok=True)
