"""The public names, and that nothing heavy is loaded before it is needed."""

from __future__ import annotations

import inspect
import subprocess
import sys

import pytest

import swapinfer


def test_all_is_what_the_package_holds() -> None:
    assert dir(swapinfer) == sorted(swapinfer.__all__)
    for name in swapinfer.__all__:
        thing = getattr(swapinfer, name)
        assert name == "__version__" or inspect.getdoc(thing), name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = swapinfer.nothing


def test_public_things_are_the_ones_of_their_home() -> None:
    for name in swapinfer.__all__:
        if not name.startswith("_"):
            thing = getattr(swapinfer, name)
            assert thing.__name__ == name
            assert thing.__module__.startswith("swapinfer.")


def test_importing_the_package_loads_nothing_else() -> None:
    script = "import sys, swapinfer; print([m for m in sys.modules if m.startswith('swapinfer')])"
    told = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "['swapinfer']"
