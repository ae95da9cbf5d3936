"""Random argument lists at the command line: every exit code is a documented one."""

from __future__ import annotations

import contextlib
import io
import os
import random
import tempfile
from collections import Counter
from pathlib import Path

INPUTS = 10_000

VERBS = [
    "open", "drive", "swap", "back", "reseat", "replace", "read", "inspect", "note", "undo",
    "close", "reopen", "jobs", "use", "show", "parts", "belief", "why", "clean", "export",
    "import", "attach", "claim", "store", "priors", "explain", "tests", "settings",
    "next", "why-not", "plan", "picture", "history",
]  # fmt: skip

WORDS = [
    "RO-1", "RO-2", "coil", "coil3", "plug", "3-1", "1-1", "9-2", "coil 3-1", "sealing2", "3=12.1V",
    "3=", "=3", "compression", "coil-supply", "plug-look", "oil", "12", "-5", "0", "1e309", "nan",
    "OL", "P0303", "P0307", "B1234", "", " ", "\x00", "\u202e", "é", "x" * 3000, "'; drop table",
    "../../etc/passwd", "--codes", "--no-codes", "--counts", "--felt", "--when", "--json", "--job",
    "--what-if", "--cause", "--layout", "--verified", "inline-4", "v6", "warm,load", "1=3,3=900",
    "3=140psi", "rough", "check", "show", "verify", "running", "--help", "100 km", "--", "-h",
]  # fmt: skip

DOCUMENTED = frozenset(range(13))


def main(*, quick: bool) -> dict[str, float]:
    """Throw random argument lists at the command line, in this process."""
    inputs = 500 if quick else INPUTS
    codes, unhandled = throw(inputs, seed=1)
    for code, count in sorted(codes.items()):
        print(f"exit code {code}: {count}")
    for line in unhandled[:10]:
        print(f"unhandled: {line}")
    return {"inputs": inputs, "unhandled": len(unhandled)}


def throw(inputs: int, seed: int) -> tuple[Counter[int], list[str]]:
    """Run random argument lists and collect what was not handled.

    Parameters
    ----------
    inputs : int
        How many.
    seed : int
        Of the random generator.

    Returns
    -------
    codes : Counter
        Exit codes met.
    unhandled : list of str
        Argument lists that raised, or left with an undocumented code.
    """
    from swapinfer.cli import run

    rng = random.Random(seed)  # noqa: S311  no secret
    codes: Counter[int] = Counter()
    unhandled = []
    with tempfile.TemporaryDirectory() as folder, _in(folder):
        run_quietly(run, ["open", "RO-1", "--layout", "inline-4"])
        for _ in range(inputs):
            words = [rng.choice(VERBS), *rng.choices(WORDS, k=rng.randrange(6))]
            try:
                code = run_quietly(run, words)
            except Exception as error:  # noqa: BLE001  finding these is the point
                unhandled.append(f"{words}: {type(error).__name__}: {error}")
                continue
            codes[code] += 1
            if code not in DOCUMENTED:
                unhandled.append(f"{words}: exit code {code}")
    return codes, unhandled


def run_quietly(run: object, words: list[str]) -> int:
    """Run one command with its output thrown away and nothing to read."""
    sink = io.StringIO()
    with contextlib.redirect_stdout(sink), contextlib.redirect_stderr(sink):
        return int(run(words))  # type: ignore[operator]


@contextlib.contextmanager
def _in(folder: str) -> object:  # type: ignore[misc]
    old, here = dict(os.environ), Path.cwd()
    os.environ.update(
        SWAPINFER_STORE=str(Path(folder) / "jobs.db"),
        SWAPINFER_SETTINGS=str(Path(folder) / "settings.toml"),
        SWAPINFER_WHO="fuzz",
    )
    os.chdir(folder)
    try:
        yield folder
    finally:
        os.chdir(here)
        os.environ.clear()
        os.environ.update(old)
