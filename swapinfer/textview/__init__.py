"""Texts that still stand apart from their facts; they register themselves."""

from swapinfer.textview import filing, guide  # noqa: F401
