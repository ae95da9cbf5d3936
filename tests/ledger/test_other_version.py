"""A job whose priors another version kept goes on, and says under which."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from swapinfer.commands.shop import Shop
from swapinfer.pack.load import load_pack
from swapinfer.pack.tables import digest_text, pack_to_json


def test_todays_priors_take_the_place_of_what_cannot_be_read(tmp_path: Path) -> None:
    table = json.loads(pack_to_json(load_pack()))
    del table["running"]["together"]
    text = json.dumps(table)
    shop = Shop(str(tmp_path / "store.db"))
    with shop, shop.founding() as store:
        store.keep_pack(digest_text(text), text)
        with pytest.warns(UserWarning, match="kept by another version"):
            assert shop.pack_by_digest(digest_text(text)) == shop.pack
