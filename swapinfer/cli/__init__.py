"""The command line: parse, call a workflow function, print, map errors to exit codes."""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command line and leave with the exit code of what happened."""
    # One small matrix at a time: threads of the linear algebra library would only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : list of str
        Without the program's name.

    Returns
    -------
    int
        0, the exit code of one of our errors, or 2 for a usage error.
    """
    from swapinfer.cli.app import app
    from swapinfer.errors import SwapinferError

    # A number of any length is refused for what it is, not for how long it takes to read.
    sys.set_int_max_str_digits(0)
    try:
        app(arguments, prog_name="swapinfer", standalone_mode=True)
    except SwapinferError as error:
        print(f"swapinfer: {error}", file=sys.stderr)  # noqa: T201  the one place that reports
        return error.exit_code
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 1
    return 0
