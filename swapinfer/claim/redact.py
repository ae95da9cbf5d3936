"""What must not be read leaves the events themselves, before anything is made of them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

from msgspec import Struct
from msgspec.structs import asdict, replace

from swapinfer.claim.clean import clean_text
from swapinfer.claim.facts import LeftOut
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event

LEFT_OUT = "[left out]"

TAIL = 4
"""Last characters of an identification number that are left out where they stand alone."""

_PLAIN = {
    "\u00e4": "ae",
    "\u00f6": "oe",
    "\u00fc": "ue",
    "\u00e6": "ae",
    "\u00f8": "oe",
    "\u00e5": "aa",
}

SPELT = str.maketrans({"\u00df": "ss"} | _PLAIN | {a.upper(): b for a, b in _PLAIN.items()})
"""How letters are written out where a keyboard has none of that kind."""

APART = r"[\W_]*"
"""What may stand between the letters of a word."""

WRITTEN = {
    "ae": f"(?:a{APART}e?|\u00e6)",
    "oe": f"(?:o{APART}e?|\u00f8)",
    "ue": f"u{APART}e?",
    "aa": f"a{APART}a?",
    "ss": f"(?:s{APART}s|\u00df)",
}
"""What stands for letters that were written out, or for the letter itself."""

SHORTEST = 2
"""Letters of a name from which it is left out."""

OF_THE_PACK = {
    "layout", "fitment", "odometer_unit", "in_service", "newer", "test", "target", "outcome",
    "place", "swaps", "conditions", "frame", "memory", "codes", "pending", "permanent", "heard",
    "units", "felt", "causes", "modes", "confirmed_by", "digest", "media", "data",
}  # fmt: skip
"""Fields that hold no words of people's; all others are searched."""

_Any = TypeVar("_Any")


class Mask:
    """Finds the words that must not be read, in any case, spacing and accents.

    Parameters
    ----------
    opening : Opened
        Whose customer's name, each word of it, and identification number, with its last
        characters, are left out.
    words : sequence of str
        What else is.

    Attributes
    ----------
    found : list of (int, str, str)
        Position of the event, why, and what was left out there.
    """

    def __init__(self, opening: ev.Opened, words: Sequence[str] = ()) -> None:
        vin = re.sub(r"[\W_]", "", _fold(opening.vin))
        tails = [vin[-length:] for length in range(len(vin), TAIL - 1, -1)]
        name = _spelt(opening.customer)
        parts = [*re.split(r"[\W_]+", name), *(re.sub(r"[\W_]", "", one) for one in name.split())]
        kinds = {
            "identification number": tails or [vin],
            "customer": [part for part in parts if len(part) >= SHORTEST],
            "words added": [re.sub(r"[\W_]", "", _spelt(word)) for word in words],
        }
        self._kinds = [kind for kind, secrets in kinds.items() if any(secrets)]
        groups = (_any_of(kinds[kind]) for kind in self._kinds)
        self._pattern = re.compile(rf"(?<![^\W_])(?:{'|'.join(groups)})(?![^\W_])")
        self.found: list[tuple[int, str, str]] = []

    def hide(self, seq: int, text: str) -> str:
        """Return a text of an event without what must not be read."""
        seen = unicodedata.normalize("NFC", clean_text(text))
        if not self._kinds:
            return seen
        parts, end = [], 0
        for match in self._pattern.finditer(_fold(seen)):
            first, last = match.span()
            self.found.append((seq, self._kinds[(match.lastindex or 1) - 1], seen[first:last]))
            parts += [seen[end:first], LEFT_OUT]
            end = last
        return "".join([*parts, seen[end:]])

    def events(self, events: Iterable[tuple[int, Event]]) -> list[tuple[int, Event]]:
        """Return events without what must not be read; pictures lose the names of their files."""
        return [(seq, self._event(seq, event)) for seq, event in events]

    def _event(self, seq: int, event: Event) -> Event:
        if isinstance(event, ev.Attached):
            self.found.append((seq, "file name", event.name))
            event = replace(event, name=LEFT_OUT)
        if isinstance(event, ev.Opened):
            event = replace(
                event,
                vin=LEFT_OUT if event.vin.strip() else "",
                customer=LEFT_OUT if event.customer.strip() else "",
            )
        return self._searched(seq, event)

    def _searched(self, seq: int, value: _Any) -> _Any:
        """Return a copy of a tree with every text in it searched, but those of the pack."""
        hidden: Any = value
        if isinstance(value, str):
            hidden = self.hide(seq, value)
        elif isinstance(value, tuple):
            hidden = tuple(self._searched(seq, item) for item in value)
        elif isinstance(value, Struct):
            fields = {
                name: item if name in OF_THE_PACK else self._searched(seq, item)
                for name, item in asdict(value).items()
            }
            hidden = type(value)(**fields)
        return hidden  # type: ignore[no-any-return]

    def tell(self) -> tuple[LeftOut, ...]:
        """Say why something was left out, and of which events; not what it was."""
        kinds = dict.fromkeys(kind for _, kind, _ in self.found)
        return tuple(
            LeftOut(kind, tuple(sorted({seq for seq, why, _ in self.found if why == kind})))
            for kind in kinds
        )


def _fold(text: str) -> str:
    """Small letters without accents, one for each letter, so that positions stay."""
    return "".join(map(_fold_letter, unicodedata.normalize("NFC", text)))


def _fold_letter(letter: str) -> str:
    bare = unicodedata.normalize("NFD", letter)[0].lower()
    return bare if len(bare) == 1 else letter


def _spelt(text: str) -> str:
    """Small letters of plain Latin, as far as there are any."""
    return _fold(unicodedata.normalize("NFC", text).translate(SPELT))


def _any_of(secrets: Iterable[str]) -> str:
    """Match some of the words, run together or apart, with signs between their letters or not."""
    longest_first = sorted(filter(None, secrets), key=len, reverse=True)
    words = "|".join(map(_letters, longest_first))
    return rf"((?:{words})(?:{APART}(?:{words}))*)"


def _letters(secret: str) -> str:
    """Match a word however its letters are written."""
    letters = re.findall("|".join([*WRITTEN, "."]), secret)
    return APART.join(WRITTEN.get(letter, re.escape(letter)) for letter in letters)
