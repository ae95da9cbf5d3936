"""Texts that still stand apart from their facts; they register themselves."""

from swapinfer.textview import (  # noqa: F401
    beliefs,
    filing,
    guide,
    pictures,
    plans,
    priors,
    reasons,
    settings,
    words,
)
