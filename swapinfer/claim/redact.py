"""What people typed, made fit to be read: without what is not seen, and what must not be read."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import Any, TypeVar

from msgspec import Struct
from msgspec.structs import asdict, replace

from swapinfer.claim.facts import LeftOut
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event

LEFT_OUT = "[left out]"
TAIL = 4  # last characters of an identification number that are left out where they stand alone
SHORTEST = 2  # letters of a name from which it is left out

_PLAIN = {
    "\u00e4": "ae", "\u00f6": "oe", "\u00fc": "ue", "\u00e6": "ae", "\u00f8": "oe", "\u00e5": "aa",
}  # fmt: skip

SPELT = str.maketrans({"\u00df": "ss"} | _PLAIN | {a.upper(): b for a, b in _PLAIN.items()})
"""How letters are written out where a keyboard has none of that kind."""

APART = r"[\W_]*"  # what may stand between the letters of a word

WRITTEN = {
    "ae": f"(?:a{APART}e?|\u00e6)",
    "oe": f"(?:o{APART}e?|\u00f8)",
    "ue": f"u{APART}e?",
    "aa": f"a{APART}a?",
    "ss": f"(?:s{APART}s|\u00df)",
}
"""What stands for letters that were written out, or for the letter itself."""

OF_THE_PACK = {
    "layout", "fitment", "odometer_unit", "in_service", "newer", "test", "target", "outcome",
    "place", "swaps", "conditions", "frame", "memory", "codes", "pending", "permanent", "heard",
    "units", "felt", "causes", "modes", "confirmed_by", "digest", "media", "data",
}  # fmt: skip
"""Fields that hold no words of people's; all others are searched."""

_JOINERS = "\u200d\ufe0f"  # invisible, but what emoji are made with

_Any = TypeVar("_Any")


def clean_text(text: str) -> str:
    r"""Take out what is not seen but changes how a text is read.

    Gone are control characters (line ends become ``\n``, at most two in a row, tabs a space), marks
    of direction and other format characters, and code points that are no characters: the general
    categories Cc, Cf, Cs, Cn, Zl and Zp of the Unicode Standard.
    """
    lines = re.sub("\r\n|[\r\x0b\x0c\x85\u2028\u2029]", "\n", text).replace("\t", " ")
    seen = (
        letter
        for letter in lines
        if letter in f"{_JOINERS}\n" or unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Cn"}
    )
    return re.sub("\n{3,}", "\n\n", "".join(seen))


def map_texts(value: _Any, change: Callable[[str], str], but: Collection[str] = ()) -> _Any:
    """Return a copy of a tree of structs and tuples with every text changed, but of some fields."""
    changed: Any = value
    if isinstance(value, str):
        changed = change(value)
    elif isinstance(value, tuple):
        changed = tuple(map_texts(item, change, but) for item in value)
    elif isinstance(value, Struct):
        fields = {
            name: item if name in but else map_texts(item, change, but)
            for name, item in asdict(value).items()
        }
        changed = type(value)(**fields)
    return changed  # type: ignore[no-any-return]


class Mask:
    """Finds the words that must not be read, in any case, spacing and accents.

    They are each word of the customer's name, the identification number and its last characters,
    and others. What it `found`: position of the event, why, and what was left out there.
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
        return map_texts(event, lambda text: self.hide(seq, text), but=OF_THE_PACK)

    def tell(self) -> tuple[LeftOut, ...]:
        """Say why something was left out, and of which events; not what it was."""
        kinds = dict.fromkeys(kind for _, kind, _ in self.found)
        return tuple(
            LeftOut(kind, tuple(sorted({seq for seq, why, _ in self.found if why == kind})))
            for kind in kinds
        )


def _fold(text: str) -> str:
    """Small letters without accents, one for each letter, so that positions stay."""

    def fold(letter: str) -> str:
        bare = unicodedata.normalize("NFD", letter)[0].lower()
        return bare if len(bare) == 1 else letter

    return "".join(map(fold, unicodedata.normalize("NFC", text)))


def _spelt(text: str) -> str:
    """Small letters of plain Latin, as far as there are any."""
    return _fold(unicodedata.normalize("NFC", text).translate(SPELT))


def _any_of(secrets: Iterable[str]) -> str:
    """Match some of the words, run together or apart, however their letters are written."""
    letters = "|".join([*WRITTEN, "."])
    words = "|".join(
        APART.join(WRITTEN.get(letter, re.escape(letter)) for letter in re.findall(letters, secret))
        for secret in sorted(filter(None, secrets), key=len, reverse=True)
    )
    return rf"((?:{words})(?:{APART}(?:{words}))*)"


def as_masked(computed: Any, stated: Any) -> Any:  # noqa: ANN401  any JSON
    """Return a value as computed, with texts as stated where those only leave something out."""
    if isinstance(computed, dict) and isinstance(stated, dict):
        return {
            name: stated.get(name) if name == "left_out" else as_masked(value, stated.get(name))
            for name, value in computed.items()  # what is left out, the shop alone knew
        }
    if isinstance(computed, list) and isinstance(stated, list) and len(computed) == len(stated):
        return [as_masked(one, other) for one, other in zip(computed, stated, strict=True)]
    if isinstance(computed, str) and isinstance(stated, str) and LEFT_OUT in stated:
        kept = ".+".join(map(re.escape, stated.split(LEFT_OUT)))
        return stated if re.fullmatch(kept, computed, re.DOTALL) else computed
    return computed
