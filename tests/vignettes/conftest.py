"""The technician at the shell, as in the tests of the command line."""

from tests.cli.conftest import bay

__all__ = ["bay"]
