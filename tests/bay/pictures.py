"""Pictures of the page for the documentation: a job on a phone, screen by screen.

    PYTHONPATH=. python tests/bay/pictures.py

writes them anew.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

from swapinfer.commands.drive import drive
from swapinfer.commands.entries import swap
from swapinfer.commands.findings import inspect
from swapinfer.commands.opening import open_
from swapinfer.commands.shop import Shop
from tests.bay.conftest import Served
from tests.bay.phone import Phone

PLACE = Path(__file__).parents[2] / "docs" / "how-to"
COLOURS = 32


def take(served: Served) -> dict[str, bytes]:
    """Work a job and take its pictures; file name to PNG."""
    with Shop(served.store, "Robin") as shop:
        open_(shop, "RO-7", complaint="shakes at the lights", odometer="148000 km")
        drive(shop, "15", when="warm,load", codes="P0303")
        inspect(shop, "plug-look", ["3", "clean"])
    pictures = {}
    with Phone() as phone:
        phone.go(f"{served.origin}/pair/{served.pairing.offer()}")
        phone.type("name", "Robin")
        phone.tap("Pair")
        phone.tap("RO-7")
        pictures["page-next.png"] = phone.shot()
        with Shop(served.store, "Robin") as shop:
            swap(shop, ["coil", "3-1"])
            quarter_ago = datetime.fromisoformat(shop.now()) - timedelta(minutes=15)
            job = shop.job_id("RO-7")
        phone.go(f"{served.origin}/job/RO-7/engine")
        pictures["page-engine.png"] = phone.shot()
        served.clock.begin(job, quarter_ago.isoformat(), ("warm", "load"))
        phone.tap("Drive")
        pictures["page-drive.png"] = phone.shot()
        phone.tap("The vehicle stands")
        phone.tap("P0301")
        phone.tap("Record the drive")
        pictures["page-found.png"] = phone.shot()
    return {name: small(picture) for name, picture in pictures.items()}


def small(picture: bytes) -> bytes:
    """Keep to few colours."""
    from PIL import Image

    out = io.BytesIO()
    Image.open(io.BytesIO(picture)).convert("RGB").quantize(COLOURS).save(out, "PNG", optimize=True)
    return out.getvalue()


def main() -> None:
    """Write the pictures."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["SWAPINFER_SETTINGS"] = f"{folder}/settings.toml"
        served = Served(Path(folder))
        for name, picture in take(served).items():
            (PLACE / name).write_bytes(picture)
            sys.stdout.write(f"{name}: {len(picture)} bytes\n")
        served.close()


if __name__ == "__main__":
    main()
