"""Nothing but answers is printed: a warning of a library would stop these commands."""

from __future__ import annotations

import subprocess
import sys

import pytest
from cli.conftest import Bay


@pytest.mark.parametrize("place", ["coil2", "fuel-pressure"])
def test_weighing_what_cannot_fail_any_more(opened: Bay, place: str) -> None:
    """What was fitted new may have no mode that a new one can have: its odds are nothing."""
    opened.must("drive 15 --when warm,load --codes P0302")
    opened.must(f"replace {place}")
    opened.must("drive 15 --when warm,load --no-codes")
    for words in (["why"], ["why", f"{place}.new"], ["belief"], ["claim", "--html", "claim.html"]):
        done = subprocess.run(
            [sys.executable, "-W", "error", "-m", "swapinfer", *words],
            cwd=opened.folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), words


def test_looking_for_adapters_whose_drivers_are_not_installed(bay: Bay) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "swapinfer", "scan", "--check"],
        cwd=bay.folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "adapter" in done.stdout
