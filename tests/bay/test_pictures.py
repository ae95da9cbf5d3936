"""The documentation shows the page as it is."""

from __future__ import annotations

import io
import re

import pytest

from tests.bay.conftest import Served
from tests.bay.pictures import PLACE, take
from tests.claim.browser import find_browser

MOST = 30_000
"""Bytes of a picture in the documentation."""


@pytest.mark.skipif(find_browser() is None, reason="no Chromium is installed")
def test_pictures_are_those_that_the_page_gives(served: Served) -> None:
    """Letters differ from one computer to the next, so colours are compared coarsely."""
    image = pytest.importorskip("PIL.Image")
    taken = take(served)
    shown = re.findall(r"\((page-[\w-]+\.png)\)", (PLACE / "page.md").read_text())
    assert sorted(shown) == sorted(taken)
    for name, picture in taken.items():
        kept = (PLACE / name).read_bytes()
        assert len(kept) <= MOST, name
        now, before = (
            image.open(io.BytesIO(data)).convert("L").resize((13, 28)) for data in (picture, kept)
        )
        pairs = zip(now.tobytes(), before.tobytes(), strict=True)
        assert sum(abs(a - b) for a, b in pairs) / (13 * 28) < 12, f"{name}: tests/bay/pictures.py"
