"""Random argument lists: only documented exit codes, nothing unhandled."""

from __future__ import annotations

import pytest
from fuzz import DOCUMENTED, throw

from swapinfer import errors


def test_documented_codes_are_those_of_the_error_tree() -> None:
    """0 is success; 2 is the shell's own usage error too."""
    tree = [errors.SwapinferError]
    for one in tree:
        tree += one.__subclasses__()
    assert {0, *(one.exit_code for one in tree)} == DOCUMENTED


@pytest.mark.slow
def test_five_hundred_argument_lists() -> None:
    codes, unhandled = throw(500, seed=20)
    assert unhandled == []
    assert codes[0] > 0
    assert codes[2] > 0
