"""Geometry of engines: banks, firing order, and which cylinders a thing serves."""

from __future__ import annotations

import itertools

import msgspec

from swapinfer.errors import PlaceError, near_match

PATTERNS = ("cylinder", "pair", "adjacent", "bank", "engine")
"""Ways in which things of one kind share the cylinders out among themselves."""


class Layout(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An engine's cylinders, by banks from the front of the engine to the rear, and firing order.

    `degrees` is the angle between the banks: 0 for inline, 180 for a flat engine.
    """

    id: str
    title: str
    banks: tuple[tuple[int, ...], ...]
    firing_order: tuple[int, ...]
    degrees: int = 0

    def __post_init__(self) -> None:
        """Refuse a geometry that contradicts itself."""
        numbers = sorted(number for bank in self.banks for number in bank)
        if numbers != list(range(1, len(numbers) + 1)):
            raise PlaceError(
                f"layout {self.id}: banks must hold the cylinders 1 to {len(numbers)} once each, "
                f"got {numbers}"
            )
        if sorted(self.firing_order) != numbers:
            raise PlaceError(
                f"layout {self.id}: firing order {list(self.firing_order)} must name "
                f"each of the {len(numbers)} cylinders once"
            )

    @property
    def cylinders(self) -> tuple[int, ...]:
        """Cylinder numbers in ascending order."""
        return tuple(sorted(self.firing_order))

    def firing_neighbours(self, cylinder: int) -> tuple[int, int]:
        """Cylinders that fire just before and just after this one."""
        order = self.firing_order
        at = order.index(cylinder)
        return order[at - 1], order[(at + 1) % len(order)]

    def groups(self, pattern: str) -> tuple[tuple[int, ...], ...]:
        """Share the cylinders out among the things of a kind: one ascending tuple a thing.

        A *pair* is two cylinders half a firing order apart, which reach top dead centre together;
        *adjacent* are neighbours on one bank.

        Raises
        ------
        PlaceError
            If the pattern is none of `PATTERNS`, or pairs are asked of an odd number of cylinders.
        """
        if pattern == "cylinder":
            return tuple((number,) for number in self.cylinders)
        if pattern == "pair":
            return self._pairs()
        if pattern == "adjacent":
            return tuple(
                tuple(sorted(two)) for bank in self.banks for two in itertools.pairwise(bank)
            )
        if pattern == "bank":
            return tuple(tuple(sorted(bank)) for bank in self.banks)
        if pattern == "engine":
            return (self.cylinders,)
        raise PlaceError(
            f'no way of sharing cylinders called "{pattern}"{near_match(pattern, PATTERNS)}'
        )

    def _pairs(self) -> tuple[tuple[int, ...], ...]:
        order, half = self.firing_order, len(self.firing_order) // 2
        if len(order) % 2:
            raise PlaceError(
                f"layout {self.id}: {len(order)} cylinders cannot share coils in pairs"
            )
        pairs = (tuple(sorted((order[i], order[i + half]))) for i in range(half))
        return tuple(sorted(pairs))


class Place(msgspec.Struct, frozen=True, order=True):
    """Where one thing of a kind sits in an engine: which cylinders it serves, by which pattern.

    `bank` is its number from 1 where the pattern is ``"bank"``, else 0.
    """

    kind: str
    pattern: str
    cylinders: tuple[int, ...]
    bank: int = 0

    @property
    def where(self) -> str:
        """What follows the kind in the name: ``3``, ``1+4``, ``2-3``, ``bank1`` or nothing."""
        match self.pattern:
            case "engine":
                return ""
            case "bank":
                return f"bank{self.bank}"
            case "adjacent":
                return "-".join(map(str, self.cylinders))
            case _:
                return "+".join(map(str, self.cylinders))

    @property
    def id(self) -> str:
        """Name as typed at the shell, ``coil3``."""
        return self.kind + self.where


def places_of(layout: Layout, kind: str, pattern: str) -> tuple[Place, ...]:
    """Every place that an engine of this layout has for a kind of element."""
    return tuple(
        Place(kind, pattern, cylinders, number if pattern == "bank" else 0)
        for number, cylinders in enumerate(layout.groups(pattern), start=1)
    )
