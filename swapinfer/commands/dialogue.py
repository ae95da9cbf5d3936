"""A fixed row of questions with something made of the answers at its end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from msgspec import structs

from swapinfer.commands.facts import Facts
from swapinfer.commands.questions import Asking, Question
from swapinfer.errors import InputError

T = TypeVar("T")


class Dialogue(Generic[T]):
    """Puts questions until the last is answered.

    Parameters
    ----------
    start : callable
        Makes the questions.
    finish : callable
        Makes something of the answers; what it refuses is asked again from the start.

    Attributes
    ----------
    question : Question
        To be put next.
    is_over : bool
        Whether the last was answered, or someone left.
    is_finished : bool
        Whether something was made of the answers.
    """

    def __init__(self, start: Callable[[], Asking[T]], finish: Callable[[T], Facts]) -> None:
        self._start, self._finish = start, finish
        self.is_over = False
        self.is_finished = False
        self._begin()

    def news(self) -> None:
        """Show nothing before a question."""

    def answer(self, text: str) -> Facts | None:
        """Take one line; ``b`` starts over, ``q`` leaves.

        Returns
        -------
        Facts or None
            What was made of the answers, after the last.
        """
        word = text.strip().lower()
        if word == "b":
            self._begin()
        elif word == "q":
            self.is_over = True
        else:
            return self._take(text)
        return None

    def _begin(self) -> None:
        self._asking = self._start()
        self.question: Question = next(self._asking)

    def _take(self, text: str) -> Facts | None:
        try:
            self.question = self._asking.send(text)
        except StopIteration as told:
            return self._end(told.value)
        return None

    def _end(self, answers: T) -> Facts | None:
        try:
            made = self._finish(answers)
        except InputError as error:
            self._begin()
            self.question = structs.replace(self.question, problem=str(error))
            return None
        self.is_over = self.is_finished = True
        return made
