"""Settings of all tests: random examples are the same in every run, and no test is timed."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")
