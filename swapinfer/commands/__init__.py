"""What a user does: facts, text and command together, one module for each thing."""

from __future__ import annotations

import os
import sys
import warnings
from typing import Any

from swapinfer.errors import InputError, SwapinferError, missing_extra, printable


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
    import typer

    from swapinfer.commands.app import program

    warnings.formatwarning = lambda said, *_: f"swapinfer: {said}\n"
    # A number of any length is refused for what it is, not for how long it takes to read.
    sys.set_int_max_str_digits(0)
    # Where this class comes from differs between versions of typer.
    usage_error: Any = typer.BadParameter.__mro__[1]
    try:
        return int(program()(arguments, prog_name="swapinfer", standalone_mode=False) or 0)
    except SwapinferError as error:
        return _complain(error)
    except ModuleNotFoundError as error:
        lacking = missing_extra(error.name or "")
        if lacking is None:
            raise
        return _complain(lacking)
    except typer.Abort:
        return _complain(SwapinferError("stopped"))
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 1
    except usage_error as error:
        return _complain_of_usage(error, arguments)


def _complain_of_usage(error: Any, arguments: list[str]) -> int:  # noqa: ANN401  typer's own
    for word in arguments:
        error.message = error.message.replace(word or "\0", printable(word))
    if error.ctx is None:  # an option without its value; nobody noted of which command
        return _complain(InputError(error.format_message().rstrip(".")))
    error.show()
    return int(error.exit_code)


def _complain(error: SwapinferError) -> int:
    print(f"swapinfer: {printable(str(error))}", file=sys.stderr)  # noqa: T201  the one that reports
    return error.exit_code
