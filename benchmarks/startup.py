"""Cold starts of the command line: processor time and memory of a whole process a command."""

from __future__ import annotations

import os
import shlex
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

RUNS = 15

JOB = (
    "open RO-1 --layout inline-4 --odometer '148000 km' --driven '300 km'",
    *["drive 10 --when warm,load --codes P0303"] * 3,
    "swap coil 3-1",
    *["drive 10 --when warm,load --no-codes"] * 3,
    "inspect plug-look 3 clean",
    "read coil-supply 3=12.2V --against 12.5V",
    "read injector-resistance 3=12.1ohm",
    *[f"note 'note {number}'" for number in range(9)],
)
"""Twenty events."""

LINES = (
    "--help",
    "jobs",
    "use RO-1",
    "show",
    "parts",
    "belief",
    "why",
    "next",
    "why-not compression",
    "clean",
    "plan",
    "picture",
    "history",
    "settings",
    "explain severity",
    "tests",
    "note washed",
    "undo",
    "drive 10 --no-codes",
    "back",
    "reseat coil-wiring2",
    "read coil-primary 3=0.8ohm",
    "inspect plug-look 2 clean",
    "swap plug 3-1",
    "replace coil3",
    "open RO-2",
    "close --job RO-1 --yes",
    "claim --job RO-1 --html claim.html",
    "export RO-1.json --job RO-1",
    "store check",
    "store backup copy.db",
    "store tables jobs.csv findings.csv",
    "priors show costs",
)
"""Commands, each on a copy of a job of twenty events."""


def main(*, quick: bool) -> dict[str, object]:
    """Time commands, each also as a multiple of what an interpreter takes that does nothing."""
    runs = 3 if quick else RUNS
    times: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        shop = Path(folder) / "shop"
        shop.mkdir()
        # The first of these processes leaves its bytecode to the others, as installing would.
        for line in JOB:
            _run(line, shop)
        bare = statistics.median(
            _process([sys.executable, "-c", "pass"], shop)[0] for _ in range(9)
        )
        for line in LINES:
            spent, mib = zip(*(_run_on_copy(line, shop) for _ in range(runs)), strict=True)
            times[line] = statistics.median(spent)
            if line == "next":
                next_mib = max(mib)
    print(f"{'processor time':40}{'ms':>6}{'x bare':>8}")
    for line, spent_ms in [("an interpreter that does nothing", bare), *times.items()]:
        print(f"{line:40}{spent_ms:6.0f}{spent_ms / bare:8.1f}")
    print(f"{'next, peak MiB':40}{next_mib:6.0f}")
    return {
        "bare_ms": bare,
        "help_ms": times["--help"],
        "next_ms": times["next"],
        "next_mib": next_mib,
        "times_bare": {line: spent_ms / bare for line, spent_ms in times.items()},
        "runs": runs,
    }


def _run_on_copy(line: str, shop: Path) -> tuple[float, float]:
    copy = shop.with_name("copy")
    shutil.copytree(shop, copy)
    try:
        return _run(line, copy)
    finally:
        shutil.rmtree(copy)


def _run(line: str, shop: Path) -> tuple[float, float]:
    return _process([sys.executable, "-m", "swapinfer", *shlex.split(line)], shop)


def _process(command: list[str], shop: Path) -> tuple[float, float]:
    """Run a process in a shop's folder; return its processor time in ms and its peak in MiB."""
    own = {
        "SWAPINFER_STORE": "jobs.db",
        "SWAPINFER_SETTINGS": "settings.toml",
        "SWAPINFER_WHO": "benchmark",
    }
    environment = {**os.environ, **own}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    child = subprocess.Popen(command, cwd=shop, env=environment, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{shlex.join(command)} left with {child.returncode}")
    return 1000 * (used.ru_utime + used.ru_stime), used.ru_maxrss / 1024
