"""Opening a job by asking."""

from __future__ import annotations

import dataclasses

from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.workflow.facts import Recorded
from swapinfer.workflow.questions import Question, ask_opening
from swapinfer.workflow.record import open_job
from swapinfer.workflow.shop import Shop


class Reception:
    """The questions before a job is opened; `answer` opens it after the last.

    Parameters
    ----------
    shop : Shop
        Where.
    ro : str
        Repair order of the new job.

    Attributes
    ----------
    question, is_over
        As for a `Sitting`.
    is_opened : bool
        Whether the job was opened.
    """

    def __init__(self, shop: Shop, ro: str) -> None:
        self.shop, self.ro = shop, ro
        self.is_over = False
        self.is_opened = False
        self._begin()

    def _begin(self) -> None:
        pack = self.shop.pack
        layouts = [(layout.id, f"{layout.id}: {layout.title}") for layout in pack.layouts.values()]
        self._asking = ask_opening(self.ro, layouts, pack.fitments)
        self.question: Question = next(self._asking)

    def news(self) -> None:
        """Show nothing before the question."""

    def answer(self, text: str) -> Recorded | None:
        """Take one line; the last opens the job."""
        word = text.strip().lower()
        if word == "b":
            self._begin()
        elif word == "q":
            self.is_over = True
        else:
            return self._take(text)
        return None

    def _take(self, text: str) -> Recorded | None:
        try:
            self.question = self._asking.send(text)
        except StopIteration as told:
            return self._open(told.value)
        return None

    def _open(self, opening: ev.Opened) -> Recorded | None:
        try:
            told = open_job(self.shop, opening)
        except InputError as error:
            self._begin()
            self.question = dataclasses.replace(self.question, problem=str(error))
            return None
        self.is_over = self.is_opened = True
        return dataclasses.replace(told, next=None)
