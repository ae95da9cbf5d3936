"""Exact reasoning for misfire diagnosis."""

from __future__ import annotations

__version__ = "0.1.0"
