"""Runs one benchmark by name and prints its figures as the last line."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path

HERE = Path(__file__).parent
NAMES = sorted(path.stem for path in HERE.glob("*.py") if path.stem != "runner")


def main(arguments: list[str]) -> int:
    names = [argument for argument in arguments if not argument.startswith("-")]
    if len(names) != 1 or names[0] not in NAMES or set(arguments) - {*names, "--quick"}:
        print(f"usage: benchmarks/run NAME [--quick]; NAME is one of {', '.join(NAMES)}")
        return 2
    sys.path[:0] = [str(HERE), str(HERE.parent / "demo")]
    benchmark = importlib.import_module(names[0])
    print(json.dumps(benchmark.main(quick="--quick" in arguments)))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
