"""Cold starts of the command line: wall time and memory of whole processes."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUNS = 15

JOB = [
    ["open", "RO-1", "--layout", "inline-4", "--odometer", "148000 km", "--driven", "300 km"],
    *[["drive", "10", "--when", "warm,load", "--codes", "P0303"]] * 3,
    ["swap", "coil", "3-1"],
    *[["drive", "10", "--when", "warm,load", "--no-codes"]] * 3,
    ["inspect", "plug-look", "3", "clean"],
    ["read", "coil-supply", "3=12.2V", "--against", "12.5V"],
    ["read", "injector-resistance", "3=12.1ohm"],
    *[["note", f"note {number}"] for number in range(9)],
]
"""Twenty events."""


def main(*, quick: bool) -> dict[str, float]:
    """Time ``--help`` and ``next`` on a job of twenty events."""
    runs = 5 if quick else RUNS
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            **os.environ,
            "SWAPINFER_STORE": str(Path(folder) / "jobs.db"),
            "SWAPINFER_SETTINGS": str(Path(folder) / "settings.toml"),
            "SWAPINFER_WHO": "benchmark",
        }
        # As installed: with bytecode, which the first of these processes leaves to the others.
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        for words in JOB:
            _run(words, environment)
        bare = _median(runs, lambda: _process([sys.executable, "-c", "pass"], environment))
        help_ms = _median(runs, lambda: _run(["--help"], environment))
        next_ms = _median(runs, lambda: _run(["next"], environment))
        mib = _peak_mib(["next"], environment)
    print(f"{'':24}{'median ms':>10}")
    for name, value in (("bare Python", bare), ("--help", help_ms), ("next, 20 events", next_ms)):
        print(f"{name:24}{value:10.0f}")
    print(f"{'next, peak MiB':24}{mib:10.0f}")
    return {"bare_ms": bare, "help_ms": help_ms, "next_ms": next_ms, "next_mib": mib, "runs": runs}


def _run(words: list[str], environment: dict[str, str]) -> float:
    return _process([sys.executable, "-m", "swapinfer", *words], environment)


def _process(command: list[str], environment: dict[str, str]) -> float:
    started = time.perf_counter()
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)
    return 1000 * (time.perf_counter() - started)


def _median(runs: int, measure: object) -> float:
    return statistics.median(measure() for _ in range(runs))  # type: ignore[operator]


def _peak_mib(words: list[str], environment: dict[str, str]) -> float:
    code = (
        "import resource, sys; from swapinfer.commands import run; "
        f"run({words!r}); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, check=True, capture_output=True, text=True
    )
    return float(done.stderr.split()[-1]) / 1024
