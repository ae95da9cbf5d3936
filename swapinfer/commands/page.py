"""What commands return: facts, as JSON of a versioned shape and as wrapped lines, columns, bars."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from functools import singledispatch
from typing import Any, ClassVar

from msgspec import Struct, to_builtins

from swapinfer.errors import printable
from swapinfer.units import percent

__all__ = ["Facts", "Page", "bar", "exactness", "money", "percent", "show"]

BAR = "#"
LENGTH = 10
"""Characters of a full bar."""

_BOUND = re.compile(r"(?<=\d) (?=%)|(?<=\b[A-Z]{3}) (?=\d)")
"""Blanks at which no line is broken: before the sign of per cent, behind a currency."""

EMPHASIS = re.compile(r"(\033\[[01]m)")
"""Begins and ends what `Page.strong` emphasises."""

USEFUL_BOUND = 0.05
"""Bounds on an error beyond this say nothing that helps."""


class Facts(Struct, frozen=True):
    """Base of everything a command can print; `shape` names its JSON."""

    shape: ClassVar[str]

    @property
    def exit_code(self) -> int:
        """Of a command that found this; 0 unless it is worse than nothing."""
        return 0

    def to_json(self) -> dict[str, Any]:
        """Plain JSON with the shape's name first; infinities become ``"OL"``."""
        fields = to_builtins(self, enc_hook=lambda scalar: scalar.item())  # one of numpy's
        return {"shape": f"swapinfer.{self.shape}", **_plain(fields)}


def same_fields(kind: type[Struct], *sources: object) -> dict[str, Any]:
    """Return what records hold under names that a kind of record has as well."""
    return {
        name: getattr(source, name)
        for source in sources
        for name in kind.__struct_fields__
        if hasattr(source, name)
    }


def _plain(value: Any) -> Any:  # noqa: ANN401  JSON holds anything
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "OL"
    return value


class Page(Struct, frozen=True):
    """Where text is going: how wide, whether emphasis may show, whether all is to be told."""

    width: int = 80
    has_colour: bool = False
    is_full: bool = False

    def strong(self, text: str) -> str:
        """Emphasise a piece of text."""
        return f"\033[1m{text}\033[0m" if self.has_colour else text

    def wrap(self, text: str, indent: int = 0, hang: int = 2) -> list[str]:
        """Break one paragraph into lines; later lines hang further in."""
        lines = textwrap.wrap(
            _BOUND.sub("\u00a0", _on_one_line(text)),
            self.width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_long_words=True,
            break_on_hyphens=False,
        )
        return [line.replace("\u00a0", " ") for line in lines] or [""]

    def listed(self, name: str, items: Sequence[str], indent: int = 0) -> list[str]:
        """Name items on one line, if there are any."""
        return self.wrap(f"{name}: {', '.join(items)}", indent=indent) if items else []

    def each(
        self, items: Iterable[str], lead: str = "", indent: int = 0, hang: int = 2
    ) -> list[str]:
        """Give each item a paragraph of its own, with some words before it."""
        return [line for item in items for line in self.wrap(f"{lead}{item}", indent, hang)]

    def numbered(self, items: Iterable[str], indent: int = 0) -> list[str]:
        """Count items, each in a paragraph of its own."""
        counted = (f"{number}. {item}" for number, item in enumerate(items, start=1))
        return self.each(counted, indent=indent, hang=3)

    def cut(self, text: str) -> str:
        """Keep a text to one line."""
        text = _on_one_line(text)
        return text if len(text) <= self.width else f"{text[: self.width - 4].rstrip()} ..."

    def heading(self, text: str) -> list[str]:
        """Start a section."""
        return ["", self.strong(text)]

    def table(self, rows: Iterable[Sequence[str]], *, right: Iterable[int] = ()) -> list[str]:
        """Lay out rows of one length in columns, some flush right; the last column wraps."""
        cells = [list(map(_on_one_line, row)) for row in rows]
        if not cells:
            return []
        flush = set(right)
        widths = [max(map(len, column)) for column in zip(*cells, strict=True)][:-1]
        lead = sum(widths) + 2 * len(widths) + 2
        lines = []
        for *fixed, last in cells:
            head = "  "
            for i, (cell, width) in enumerate(zip(fixed, widths, strict=True)):
                head += (cell.rjust(width) if i in flush else cell.ljust(width)) + "  "
            first, *more = textwrap.wrap(
                last, max(self.width - lead, 16), break_on_hyphens=False
            ) or [""]
            lines += [(head + first).rstrip(), *(" " * lead + line for line in more)]
        return lines


def _on_one_line(text: str) -> str:
    """Show what names hide in them as escapes; only emphasis stays."""
    parts = enumerate(EMPHASIS.split(text))
    return "".join(part if i % 2 else printable(part) for i, part in parts)


def exactness(off_by: float, *, is_exact: bool) -> str:
    """Say in brackets that a probability is not exact, and within what, if that says anything."""
    if is_exact:
        return ""
    bound = f": off by at most {percent(off_by)}" if off_by <= USEFUL_BOUND else ""
    return f" (not exact{bound})"


def bar(share: float) -> str:
    """Draw a share of one as a bar."""
    return (BAR * round(share * LENGTH)).ljust(LENGTH, ".")


def interval(low: float, high: float) -> str:
    """Write an interval of a probability."""
    return f"{percent(low)} to {percent(high)}"


def money(amount: float, currency: str) -> str:
    """Write an amount without decimals that nobody needs."""
    # Half a unit, known to rounding only, must read the same on every machine.
    return f"{currency} {round(amount, 6):,.0f}"


@singledispatch
def show(facts: Facts, page: Page) -> str:
    """Turn facts into text; said for each kind of facts where that kind is defined."""
    raise TypeError(f"no text for {facts.shape} at width {page.width}")
