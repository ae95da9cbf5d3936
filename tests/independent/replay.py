"""A job from its events: what is fitted where, what was handled when, what was found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from independent.priors import Table

Event = dict[str, Any]


@dataclass
class Place:
    """Where one thing of a kind belongs."""

    id: str
    kind: str
    pattern: str
    cylinders: tuple[int, ...]


@dataclass
class Element:
    """A part or site with an identity of its own; ``handled`` holds (time, mode, chance)."""

    id: str
    home: Place
    is_new: bool
    age_km: float
    since_new_km: float = 0.0
    handled: list[tuple[int, str, float]] = field(default_factory=list)


@dataclass
class Finding:
    """What was found at a time, and what was fitted where (place to element)."""

    time: int
    event: Event
    fitted: dict[str, str]


class Job:
    """Events replayed; times count the events that stand, the opening is 0."""

    def __init__(self, priors: Table, events: list[Event]) -> None:
        standing = list(_standing(events))
        self.priors, self.opening = priors, standing[0]
        fitment = self.opening["fitment"]
        layout = priors["layout"][self.opening["layout"]]
        self.banks = [tuple(bank) for bank in layout["banks"]]
        self.firing_order = list(self.opening.get("firing_order") or layout["firing_order"])
        self.cylinders = tuple(sorted(self.firing_order))
        self.kinds = {k: v for k, v in priors["element"].items() if _is_fitted(v, fitment)}
        self.tests = {k: v for k, v in priors["test"].items() if _is_fitted(v, fitment)}
        self.places = {
            place.id: place
            for kind, about in self.kinds.items()
            for place in self._places_of(kind, about["pattern"])
        }
        usual = priors["running"]["odometer_km"]
        odometer = self.opening.get("odometer_km", usual)
        newer = self.opening.get("newer", {})
        self.elements = {
            name: Element(name, place, is_new=False, age_km=newer.get(name, odometer))
            for name, place in self.places.items()
        }
        self.usual_km = usual
        self.fitted = {name: name for name in self.places}
        self.findings: list[Finding] = []
        self.worked_at: list[int] = []
        self.returns: list[tuple[Finding, float]] = []
        self.clock = self.opening.get("odometer_km")
        for time, event in enumerate(standing[1:], start=1):
            if event["type"] in ("swapped", "returned", "reseated", "replaced", "reopened"):
                self.worked_at.append(time)
            if event["type"] == "scanned":
                self.findings.append(Finding(0, event, {place: place for place in self.places}))
            else:
                self._take(time, event)

    def groups(self, pattern: str) -> list[tuple[int, ...]]:
        """Share the cylinders out among the things of a pattern."""
        if pattern == "pair":
            half = len(self.firing_order) // 2
            order = self.firing_order
            return sorted(tuple(sorted((order[i], order[i + half]))) for i in range(half))
        if pattern == "adjacent":
            return [tuple(sorted(two)) for bank in self.banks for two in pairwise(bank)]
        if pattern == "bank":
            return [tuple(sorted(bank)) for bank in self.banks]
        return [self.cylinders] if pattern == "engine" else [(c,) for c in self.cylinders]

    def firing_neighbours(self, cylinder: int) -> tuple[int, int]:
        """Cylinders that fire just before and just after."""
        at = self.firing_order.index(cylinder)
        return self.firing_order[at - 1], self.firing_order[(at + 1) % len(self.firing_order)]

    def target_cylinders(self, target: str) -> set[int]:
        """Cylinders that a test on a target looks at."""
        if target in self.places:
            return set(self.places[target].cylinders)
        if target.startswith("bank"):
            return set(self.banks[int(target.removeprefix("bank")) - 1])
        if target.startswith("cylinder"):
            return {int(target.removeprefix("cylinder"))}
        return set(self.cylinders)

    def in_order(self) -> list[Element]:
        """Elements in the order in which the first cause present is sought."""
        along = [c for bank in self.banks for c in bank]
        kinds = list(self.kinds)

        def key(element: Element) -> tuple[int, int, int, str]:
            home = element.home
            rank = {"engine": 0, "bank": 1}.get(home.pattern, 2)
            first = min(along.index(c) for c in home.cylinders)
            return rank, first, kinds.index(home.kind), element.id

        return sorted(self.elements.values(), key=key)

    def _places_of(self, kind: str, pattern: str) -> Iterator[Place]:
        for number, cylinders in enumerate(self.groups(pattern), start=1):
            named = "+".join(map(str, cylinders))
            suffix = {"engine": "", "bank": f"bank{number}", "adjacent": named.replace("+", "-")}
            yield Place(kind + suffix.get(pattern, named), kind, pattern, cylinders)

    def _take(self, time: int, event: Event) -> None:
        match event["type"]:
            case "ran" | "measured" | "inspected":
                self.findings.append(Finding(time, event, dict(self.fitted)))
                if event["type"] != "ran":
                    disturbs = self.tests[event["test"]].get("disturbs", {})
                    cylinders = self.target_cylinders(event["target"])
                    served = [p for p in self.places.values() if cylinders & {*p.cylinders}]
                    self._disturb(time, disturbs, served)
            case "reopened":
                self.findings.append(Finding(time, event, dict(self.fitted)))
                self.returns.append((self.findings[-1], self._driven_since(event)))
                self.clock = event.get("odometer_km", self.clock)
                for name in self.fitted.values():
                    self.elements[name].since_new_km += self.returns[-1][1]
            case "swapped":
                for first, second in event["swaps"]:
                    self._swap(time, first, second)
            case "returned":
                self._send_home(time)
            case "reseated":
                self._handle(time, event["place"])
            case "replaced":
                self._replace(time, event["place"])

    def _driven_since(self, event: Event) -> float:
        running, clock = self.priors["running"], event.get("odometer_km")
        if "driven_km" in event:
            return float(event["driven_km"])
        if clock is not None and self.clock is not None and clock > self.clock:
            return float(clock - self.clock)
        if "days" in event:
            return float(event["days"] * running["km_per_day"])
        return float(running["complaint_minutes"] * running["km_per_min"])

    def _disturb(self, time: int, handling: Table, places: list[Place]) -> None:
        """Disturb what sits at some places, if it is of the kinds handled."""
        for kind, modes in handling.items():
            for place in places:
                if place.kind == kind:
                    handled = self.elements[self.fitted[place.id]].handled
                    handled += [(time, m, p) for m, p in modes.items()] or [(time, "", 0.0)]

    def _handle(self, time: int, name: str) -> None:
        place = self.places[name]
        self.elements[self.fitted[name]].handled.append((time, "", 0.0))
        handling = self.kinds[place.kind].get("handling", {})
        within = [p for p in self.places.values() if {*p.cylinders} <= {*place.cylinders}]
        self._disturb(time, handling, within)

    def _swap(self, time: int, first: str, second: str) -> None:
        self._handle(time, first)
        self._handle(time, second)
        fitted = self.fitted
        fitted[first], fitted[second] = fitted[second], fitted[first]

    def _send_home(self, time: int) -> None:
        for place in self.places:
            belongs = self._owner(place)
            if belongs.id != self.fitted[place]:
                sits = next(other for other, e in self.fitted.items() if e == belongs.id)
                self._swap(time, place, sits)

    def _replace(self, time: int, name: str) -> None:
        self._handle(time, name)
        leaving, owner = self.elements[self.fitted[name]], self._owner(name)
        owner.home = leaving.home
        before = sum(one.startswith(f"{name}.new") for one in self.elements)
        new = f"{name}.new{before + 1 if before else ''}"
        self.elements[new] = Element(new, self.places[name], is_new=True, age_km=self.usual_km)
        self.fitted[name] = new

    def _owner(self, place: str) -> Element:
        fitted = (self.elements[name] for name in self.fitted.values())
        return next(element for element in fitted if element.home.id == place)


def _standing(events: list[Event]) -> Iterator[Event]:
    """Events that were not undone; an undoing can itself be undone."""
    undone: set[int] = set()
    for seq in range(len(events) - 1, -1, -1):
        if events[seq]["type"] == "undone" and seq not in undone:
            undone.add(events[seq]["seq"])
    return (event for seq, event in enumerate(events) if seq not in undone)


def _is_fitted(thing: Table, fitment: dict[str, str]) -> bool:
    return all(fitment[axis] in values for axis, values in thing.get("fitted", {}).items())
