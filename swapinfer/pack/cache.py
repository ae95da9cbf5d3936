"""Packs that were read before, kept so that reading them again takes a fraction of the time.

TOML is parsed in pure Python: the base pack takes several times longer from its files than from
the one JSON text that stands for it. What is kept is a copy and may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

KEPT = 8
"""Packs kept; the longest unused go first."""


def recall(key: str) -> str | None:
    """Return the text kept under a key.

    Parameters
    ----------
    key : str
        Digest of everything that the text was made of.

    Returns
    -------
    str or None
        None when there is none that can be read.
    """
    try:
        path = _folder() / f"{key}.json"
        text = path.read_text(encoding="utf-8")
        path.touch()
    except (OSError, RuntimeError, UnicodeDecodeError):
        return None
    return text


def keep(key: str, text: str) -> None:
    """Keep a text under a key, if this computer lets us.

    Parameters
    ----------
    key : str
        Digest of everything that the text was made of.
    text : str
        To be recalled.
    """
    with contextlib.suppress(OSError, RuntimeError):
        folder = _folder()
        folder.mkdir(parents=True, exist_ok=True)
        unfinished = folder / f"{key}.{secrets.token_hex(4)}.tmp"
        unfinished.write_text(text, encoding="utf-8")
        unfinished.replace(folder / f"{key}.json")
        by_age = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime)
        for path in by_age[:-KEPT]:
            path.unlink(missing_ok=True)


def _folder() -> Path:
    named = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(named) if named else Path.home() / ".cache") / "swapinfer" / "packs"
