"""The command line: parse, call a workflow function, print, map errors to exit codes."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and leave with the exit code of what happened."""
    from swapinfer.cli.app import app

    sys.exit(run(app))


def run(app: object) -> int:
    """Run a Typer application, turning our errors into one line and an exit code."""
    from swapinfer.errors import SwapinferError

    try:
        app()  # type: ignore[operator]
    except SwapinferError as error:
        print(f"swapinfer: {error}", file=sys.stderr)  # noqa: T201  the one place that reports
        return error.exit_code
    except BrokenPipeError:
        return 0
    return 0
