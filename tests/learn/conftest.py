from __future__ import annotations

import pytest

from swapinfer.learn import compat


@pytest.fixture(scope="session")
def libraries() -> None:
    """Load the samplers once, where their announcements are silenced; warnings are errors."""
    with compat.quiet():
        import arviz  # noqa: F401
        import nutpie  # noqa: F401
        import pymc  # noqa: F401
