"""Jobs of several kinds, and what is advised in each, to be read aloud.

    python tests/cli/read_aloud.py [--full]

prints at 80 columns what a technician would see; whatever does not sound right is to be mended.
"""

from __future__ import annotations

import contextlib
import io
import os
import shlex
import sys
import tempfile
from pathlib import Path

VAN = "open RO-1 --layout inline-4 --odometer '148000 km' --driven '300 km'"
HILL = "drive 15 --when warm,load --codes"

JOBS = {
    "nothing found yet": (VAN,),
    "one cylinder": (VAN, f"{HILL} P0303"),
    "it moved with the coil": (VAN, f"{HILL} P0303", "swap coil 3-1", f"{HILL} P0301"),
    "it stayed": (VAN, f"{HILL} P0303", "swap coil 3-1", f"{HILL} P0303"),
    "eight cylinders": ("open RO-1 --layout v8 --fuel direct", f"{HILL} P0305"),
    "paired coils": (
        "open RO-1 --layout v6 --ignition waste-spark",
        "drive 10 --when warm,idle --codes P0301,P0304",
    ),
    "every cylinder": (
        "open RO-1 --layout inline-4",
        "drive 10 --when warm,idle --codes P0300,P0171",
    ),
    "low compression": (
        "open RO-1 --layout inline-4 --odometer '212000 km' --driven '900 km'",
        "drive 10 --when warm,idle --codes P0304",
        "read compression 1=172 2=170 3=175 4=68",
    ),
    "repaired": (
        VAN,
        f"{HILL} P0303",
        "swap coil 3-1",
        f"{HILL} P0301",
        "replace coil1",
        "drive 45 --when warm,load --no-codes",
    ),
}
"""What was recorded, by what kind of job it is."""


def main(options: list[str]) -> None:
    """Play every job in a shop of its own and print what is next."""
    from swapinfer.commands import run

    os.environ["COLUMNS"] = "80"
    for name, lines in JOBS.items():
        with tempfile.TemporaryDirectory() as folder:
            os.environ["SWAPINFER_STORE"] = str(Path(folder) / "jobs.db")
            os.environ["SWAPINFER_SETTINGS"] = str(Path(folder) / "settings.toml")
            with contextlib.redirect_stdout(io.StringIO()):
                for line in lines:
                    run(shlex.split(line))
            print(f"\n--- {name}")  # noqa: T201  that is what it is for
            run(["next", *options])


if __name__ == "__main__":
    main(sys.argv[1:])
