"""What a person types: words and numbers of a command, and answers, one question after another."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from difflib import get_close_matches
from typing import Generic, TypeAlias, TypeVar

from msgspec import Struct, structs

from swapinfer.commands.page import Facts, Page
from swapinfer.errors import InputError, near_match, one_word
from swapinfer.ledger.papers import Labour
from swapinfer.units import UNITS, split_quantity, to_unit, unit_typed, units_like

_Named = TypeVar("_Named", bound=Struct)

NOT_TAKEN = "-"
"""Stands for what was not read or seen, or is not known."""

BELOW_ZERO = "m"
"""Of the quantities typed beside commands, only an altitude may be negative."""


def parts(text: str) -> list[str]:
    """Split by commas or spaces."""
    return re.split(r"[,\s]+", text.strip()) if text.strip() else []


def words(text: str) -> tuple[str, ...]:
    """Split by commas or spaces, in lower case."""
    return tuple(parts(text.lower()))


def decimal(text: str) -> float:
    """Read a bare number, with a point or a comma before its decimals."""
    value, unit = split_quantity(str(text), "plain figures")
    if unit:
        raise InputError(f'"{text}" must be a number alone, as in 52.50 or 52,50')
    return value


def quantity(text: str, unit: str, bare: str = "") -> float | None:
    """Read a quantity; None when empty."""
    if not text.strip():
        return None
    value = to_unit(text, unit, bare)
    if unit != BELOW_ZERO and not 0 <= value < float("inf"):
        raise InputError(f'"{text}" must be a number of {unit} that is not negative')
    return value


def name_and_value(word: str) -> tuple[str, str]:
    """Read ``name=value``."""
    name, equals, value = word.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError(f'"{word}" must be name=value')
    return name.strip(), value.strip()


def named_fields(kind: type[_Named], typed: list[str] | None) -> _Named | None:
    """Read ``name=value`` pairs into a record of texts; None when there are none."""
    values = dict[str, str]()
    for name, value in map(name_and_value, typed or ()):
        if name not in kind.__struct_fields__:
            names = kind.__struct_fields__
            wanted = near_match(name, names) or f"; accepted: {', '.join(names)}"
            raise InputError(f'no "{name}" is kept of a part{wanted}')
        if name in values:
            raise InputError(f"{name} is given twice: {values[name]} and {value}")
        values[name] = value
    return kind(**values) if values else None


def labour(text: str) -> Labour | None:
    """Read ``operation=time``, as in ``IG-210=0.6 h``; None when empty."""
    if not text.strip():
        return None
    operation, time = name_and_value(text)
    return Labour(operation, quantity(time, "min") or 0.0)


class Question(Struct, frozen=True):
    """Something to answer in one line: what may be typed, and what a bare Enter stands for.

    `problem` says why the last answer was not taken; the choices need not be shown again then.
    """

    text: str
    choices: tuple[tuple[str, str], ...] = ()
    default: str = ""
    problem: str = ""

    def on(self, page: Page) -> str:
        """Put it in lines."""
        default = f" [{self.default}]" if self.default else ""
        asked = page.wrap(page.strong(self.text) + default)
        if self.problem:
            return "\n".join([*page.wrap(f"! {self.problem}"), *asked])
        return "\n".join([*asked, *page.table(self.choices, right=[0])])


T = TypeVar("T")
Asking: TypeAlias = Generator[Question, str, T]
"""Puts questions and takes the answers; what it makes of them is the last it gives."""


def ask(question: Question, read: Callable[[str], T]) -> Asking[T]:
    """Ask until the answer can be read; a bare Enter is the default."""
    while True:
        text = (yield question).strip() or question.default
        problem = "type an answer, or q to leave"
        try:
            if text:
                return read(text)
        except InputError as error:
            problem = str(error)
        question = structs.replace(question, problem=problem)


def ask_choice(text: str, options: Sequence[tuple[T, str]], default: str = "") -> Asking[T]:
    """Ask for one of several numbered things; what is offered may be typed instead."""
    numbered = tuple((str(n), words) for n, (_, words) in enumerate(options, start=1))
    named, often = dict[str, T](), Counter[str]()
    for value, words in options:  # by their words, the beginning of these, or an id
        own = value if isinstance(value, str) else getattr(value, "id", "")
        called = {words, words.partition(":")[0], words.partition(",")[0], own}
        names = {one_word(name) for name in called if name}
        often.update(names)
        named |= dict.fromkeys(names, value)

    def read(answer: str) -> T:
        if answer.isdecimal() and 1 <= int(answer) <= len(options):
            return options[int(answer) - 1][0]
        word, only = one_word(answer), [name for name, n in often.items() if n == 1]
        if word in only:
            return named[word]
        near = get_close_matches(word, only, n=1)
        meant = f', or "{near[0]}"' if near else ""
        raise InputError(
            f'"{answer}" is no answer here; type a number from 1 to {len(options)}{meant}'
        )

    return (yield from ask(Question(text, numbered, default), read))


def ask_quantity(text: str, unit: str) -> Asking[str]:
    """Ask for a quantity that may be left out; as typed, with the unit asked for if none was."""
    question = Question(f"{text} In {unit}; Enter if not taken.", default=NOT_TAKEN)

    kept = next(known for known in UNITS if unit in (known, *units_like(known)))

    def read(answer: str) -> str:
        if answer == NOT_TAKEN:
            return ""
        to_unit(answer, kept, unit)  # refuses what is none
        return answer if unit_typed(answer, kept) else f"{answer} {unit}"

    return (yield from ask(question, read))


class Dialogue(Generic[T]):
    """Puts questions until the last is answered."""

    def __init__(self, start: Callable[[], Asking[T]], finish: Callable[[T], Facts]) -> None:
        self._start, self._finish = start, finish
        self.is_over = False
        self.is_finished = False
        self._begin()

    def news(self, _page: Page) -> str:
        """Show nothing before a question."""
        return ""

    def answer(self, text: str) -> Facts | None:
        """Take one line; ``b`` starts over, ``q`` leaves."""
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
            answers: T = told.value
        else:
            return None
        try:
            made = self._finish(answers)
        except InputError as error:
            self._begin()
            self.question = structs.replace(self.question, problem=str(error))
            return None
        self.is_over = self.is_finished = True
        return made
