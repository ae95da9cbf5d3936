"""What every part of a write-up is written with: the facts, the shop's numbers, the words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from swapinfer.claim.clean import map_texts
from swapinfer.claim.facts import Cause, ClaimFacts
from swapinfer.claim.numbers import Numbers
from swapinfer.claim.wording import TEMPLATES, strength

LONGEST = 2000
"""Characters of a typed text that are shown."""

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""Marks of the shown causes."""


@dataclass(frozen=True, slots=True)
class Pen:
    """Facts and numbers together.

    Attributes
    ----------
    facts : ClaimFacts
        What is to be said, no text in it longer than `LONGEST`.
    numbers : Numbers
        How numbers are written.
    """

    facts: ClaimFacts
    numbers: Numbers

    @classmethod
    def take(cls, facts: ClaimFacts, numbers: Numbers) -> Pen:
        """Take up facts, and cut in them what nobody would read."""

        def shorten(text: str) -> str:
            if len(text) <= LONGEST:
                return text
            return text[:LONGEST] + TEMPLATES["shortened"].format(length=numbers.plain(len(text)))

        return cls(map_texts(facts, shorten), numbers)

    def say(self, key: str, **values: object) -> str:
        """Fill a template."""
        return TEMPLATES[key].format(**values)

    def split(self, key: str) -> tuple[str, ...]:
        """Words that stand in one template, parted by bars."""
        return tuple(TEMPLATES[key].split("|"))

    def join(self, items: Sequence[str]) -> str:
        """Join names by commas and an "and"."""
        if len(items) < 2:
            return "".join(items)
        return self.say("and", first=", ".join(items[:-1]), last=items[-1])

    def stamp(self, seq: int, at: str, who: str) -> dict[str, object]:
        """Position, time and name, as templates want them."""
        return {"seq": seq, "at": self.numbers.moment(at), "who": who}

    def weight(self, decibans: float) -> str:
        """Weight of a finding in decibans and in words."""
        shown = self.numbers.decibans(decibans)
        return self.say("weight", decibans=shown, words=TEMPLATES[strength(decibans)])

    @property
    def subjects(self) -> tuple[Cause, ...]:
        """Causes that the conclusion is about."""
        return self.facts.causes[: self.facts.subjects]

    @property
    def subject(self) -> str:
        """Their names."""
        return self.join([cause.label for cause in self.subjects])


def capital(text: str) -> str:
    """Write the first letter large."""
    return text[:1].upper() + text[1:]
