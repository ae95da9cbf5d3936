"""Parts of a document that every format can show."""

from __future__ import annotations

from typing import TypeAlias

from msgspec import Struct

from swapinfer.claim.pictures import Picture


class Paragraph(Struct, frozen=True, tag=True, tag_field="kind"):
    """Running text.

    Attributes
    ----------
    style : str
        ``"plain"``, ``"lead"`` (the sentence that matters), ``"quote"`` (someone's own words),
        ``"small"``, ``"code"`` (typed at a shell), ``"heading"`` (a minor one) or ``"signature"``
        (with a line to sign on).
    """

    text: str
    style: str = "plain"


class Pairs(Struct, frozen=True, tag=True, tag_field="kind"):
    """Names and values."""

    rows: tuple[tuple[str, str], ...]


class Table(Struct, frozen=True, tag=True, tag_field="kind"):
    """Rows under a head.

    Attributes
    ----------
    widths : tuple of int
        Shares of the width that the columns have.
    right : tuple of int
        Columns of numbers.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    right: tuple[int, ...] = ()


class Items(Struct, frozen=True, tag=True, tag_field="kind"):
    """A list without order."""

    items: tuple[str, ...]


class Figure(Struct, frozen=True, tag=True, tag_field="kind"):
    """A drawing.

    Attributes
    ----------
    svg : str
        Safe as it stands: every text in it is escaped.
    caption : str
        Below it.
    description : str
        What it shows, for those who do not see it.
    """

    svg: str
    caption: str
    description: str


class Image(Struct, frozen=True, tag=True, tag_field="kind"):
    """A photograph; `digest` is that of the file as it was attached."""

    picture: Picture
    caption: str
    digest: str


Block: TypeAlias = Paragraph | Pairs | Table | Items | Figure | Image


class Section(Struct, frozen=True):
    """A heading and what stands under it; `major` ones are the trade's three."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    major: bool = False


class Document(Struct, frozen=True):
    """A write-up, in order.

    Attributes
    ----------
    shop : str
        Above the title; may be empty.
    stamp : str
        In what state it is.
    is_draft : bool
        Whether that is to be seen at first sight.
    warnings : tuple of str
        Why it is a draft, and what must be known before reading on.
    """

    title: str
    shop: str
    subtitle: str
    stamp: str
    is_draft: bool
    warnings: tuple[str, ...]
    sections: tuple[Section, ...]
    footer: str
