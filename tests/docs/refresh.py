"""Rewrite what the documentation shows of the program: console output and generated pages.

    python tests/docs/refresh.py [PAGE ...]

The tests beside this file fail while a page differs from what this would write.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"


def main(names: list[str]) -> None:
    """Rewrite the pages named; by default all, the generated ones too."""
    sys.path.insert(0, str(ROOT / "tests"))
    chosen = [Path(name).resolve() for name in names]
    if not names:
        chosen = sorted(DOCS.rglob("*.md"))
        write_reference()
    from docs.consoles import rewrite

    for path in chosen:
        before = path.read_text(encoding="utf-8")
        with tempfile.TemporaryDirectory() as folder:
            after = rewrite(before, Path(folder))
        if after != before:
            path.write_text(after, encoding="utf-8")
            print(f"rewrote {path.relative_to(ROOT)}")  # noqa: T201  says what it did


def write_reference() -> None:
    """Write the pages that are generated as a whole."""
    from docs.reference import PAGES

    for name, page in PAGES.items():
        (DOCS / "reference" / name).write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
