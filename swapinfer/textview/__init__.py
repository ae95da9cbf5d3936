"""Facts to text for the terminal; pure, so that tests need no terminal."""

from __future__ import annotations

from functools import singledispatch

from swapinfer.textview.page import Page
from swapinfer.workflow.facts import Facts


@singledispatch
def show(facts: Facts, page: Page) -> str:
    """Turn facts into text.

    Parameters
    ----------
    facts : Facts
        From a workflow function.
    page : Page
        Where the text is going.

    Raises
    ------
    TypeError
        If nobody has said how to show facts of this kind.
    """
    raise TypeError(f"no text for {facts.shape} at width {page.width}")


from swapinfer.textview import (  # noqa: E402, F401  they register themselves
    beliefs,
    events,
    filing,
    guide,
    jobs,
    pictures,
    plans,
    priors,
    reasons,
    settings,
    words,
)
