from __future__ import annotations

import pytest

from swapinfer.learn.sampling import quiet


@pytest.fixture(scope="session")
def libraries() -> None:
    """Load the samplers once, where their announcements are silenced; warnings are errors."""
    with quiet():
        import arviz  # noqa: F401
        import nutpie  # noqa: F401
        import pymc  # noqa: F401
