"""Plays the demo jobs through the real command line, into a store of their own."""

from __future__ import annotations

import os
import shlex
import shutil
import sys
from pathlib import Path

from jobs import JOBS

OUT = Path(__file__).parent / "out"


def play() -> int:
    """Play every job from complaint to verified repair; stop at the first that fails."""
    from swapinfer.commands import run

    shutil.rmtree(OUT, ignore_errors=True)
    OUT.mkdir()
    os.environ["SWAPINFER_STORE"] = str(OUT / "jobs.db")
    os.environ["SWAPINFER_SETTINGS"] = str(OUT / "settings.toml")
    os.environ["SWAPINFER_WHO"] = "demo technician"
    for name, commands in JOBS.items():
        print(f"\n=== {name}\n")
        for words in [*commands, ["show"]]:
            print(f"$ swapinfer {shlex.join(words)}")
            code = run(words)
            print()
            if code:
                return code
    print(f"The ledger of all three jobs lies in {OUT / 'jobs.db'}")
    print("Look around with:")
    print(f"  swapinfer jobs --store {OUT / 'jobs.db'}")
    return 0


if __name__ == "__main__":
    sys.exit(play())
