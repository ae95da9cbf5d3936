"""What readings and inspections say, and the unknowns that they share."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from independent.priors import Table, by_mode
from independent.replay import Event, Finding, Job
from independent.states import Array, States
from independent.summing import Bit
from scipy.stats import norm

FLOOR = 1e-5
MIDMOST = 1e-9
MOST_EASED = 1.1
SPACING, WIDTH, BEYOND = 1.2, 5.0, 7.0
KPA = {"kPa": 1.0, "psi": 6.894757293168361, "bar": 100.0}


@dataclass
class Look:
    """Looks at one thing with nothing handled between, as one observation."""

    test: Table
    name: str
    events: list[Event]
    profile_s: list[str]
    shows_s: Array
    share: dict[str, float]

    @property
    def is_reading(self) -> bool:
        return bool(self.test["form"] == "reading")

    @property
    def unknown(self) -> str:
        """Name of what it shares with other looks; empty if nothing."""
        if "level" in self.test:
            return str(self.test["level"]["name"])
        return self.name if self.test.get("alike") else ""

    @property
    def is_log(self) -> bool:
        return bool(self.test.get("scale") == "log")

    def outcome(self) -> tuple[str, int]:
        """Outcome that leaves least to chance, and how many looks agree with it."""
        looks, names = [event["outcome"] for event in self.events], list(self.test["outcome"])
        slip = self.test.get("slip", {})
        chance = {name: max(slip.get(name, 0.0), FLOOR) for name in names}
        chance[names[0]] = max(self.test["fresh"], FLOOR)

        def left(shown: str) -> tuple[float, int]:
            lost = math.fsum(math.log(chance[one]) for one in looks if one != shown)
            return lost, names.index(shown)

        best = max(names, key=left)
        return best, looks.count(best)

    def value(self) -> tuple[float, int]:
        """Mean of the readings on the scale, infinite if most were over limit, and how many."""
        values = [self._beside(event) for event in self.events]
        finite = [value for value in values if math.isfinite(value)]
        if len(finite) < len(values) - len(finite) or not finite:
            return math.inf, len(values) - len(finite)
        return math.fsum(self._on_scale(v) for v in finite) / len(finite), len(finite)

    def missed_s(self) -> Array:
        """Chance that a present fault is missed in all looks; 1 where it is none of these."""
        m_s = 1.0 - self.shows_s
        m_s = m_s * (1.0 - self.test["fresh"] * (1.0 - m_s)) ** (len(self.events) - 1)
        return np.where(np.array(self.profile_s) == "good", 1.0, m_s)

    def _beside(self, event: Event) -> float:
        value = math.inf if event["value"] == "OL" else float(event["value"])
        if self.test.get("reference"):
            value -= event.get("reference", 0.0)
        alpha, kelvin = self.test.get("copper_alpha", 0.0), event.get("temperature_c")
        if alpha and kelvin is not None:
            value /= 1.0 + alpha * (kelvin - 20.0)
        if self.test.get("wanted") and event.get("wanted"):
            value *= max(self.test["profile"]["good"]["lobes"])[1] / event["wanted"]
        return value

    def _on_scale(self, value: float) -> float:
        return math.log(max(value, self.test["range"][0])) if self.is_log else value

    def bit(self, shared: float | str | None) -> Bit:
        """Make the bit, at a node of what it shares."""
        m_s = self.missed_s()
        if self.is_reading:
            exact, less, is_first = self._reading(shared)
            most, shared_good = {"good": 1.0}, (exact["good"], 1.0)
        else:
            exact, less, most, shared_good, is_first = self._inspection(shared)
        ones = np.ones_like(m_s)
        if is_first:
            b_s = (1.0 - m_s) * self._by_profile(exact)
            return Bit(m_s, b_s, ones, shared_good[0], 1.0)
        own = {p: min(less[p], _share(exact[p], exact["good"])) for p in less}
        new = {p: max(exact[p] - own[p] * exact["good"], 0.0) / most["good"] for p in exact}
        a_s = m_s + (1.0 - m_s) * self._by_profile(own)
        b_s = (1.0 - m_s) * self._by_profile(new)
        c_s = a_s if self.is_reading else a_s + b_s
        return Bit(a_s, b_s, c_s, *shared_good)

    def _by_profile(self, of: dict[str, float]) -> Array:
        return np.array([of[profile] for profile in self.profile_s])

    # Inspections

    def _chances(self, profile: str, looks: int, common: str = "") -> list[float]:
        """Chances of all outcomes, in their order."""
        names, slip = list(self.test["outcome"]), self.test.get("slip", {})
        chance = [self.test["profile"][profile].get(name, 0.0) for name in names]
        if profile == "good":
            slips = [slip.get(name, 0.0) ** looks for name in names]
            chance = [(1.0 - sum(slips)) * f + p for f, p in zip(chance, slips, strict=True)]
            if common:
                at = names.index(common)
                chance = [0.0] * at + [sum(chance[: at + 1])] + chance[at + 1 :]
        return [(1.0 - FLOOR) * f + FLOOR / len(names) for f in chance]

    def _inspection(self, common: float | str | None) -> tuple[Any, ...]:
        shown, agreeing = self.outcome()
        at = list(self.test["outcome"]).index(shown)
        table = {p: self._chances(p, agreeing) for p in self.test["profile"]}
        exact = {p: row[at] for p, row in table.items()}
        upto = {p: np.cumsum(row) for p, row in table.items()}
        shares = {p: [*upto[p] / upto["good"], 1.0] for p in table}
        less = {p: min(row[at - 1 :]) if at else 0.0 for p, row in shares.items()}
        most = {"good": upto["good"][at]}
        good = self._chances("good", agreeing, str(common or ""))
        return exact, less, most, (good[at], sum(good[: at + 1])), not self._are_steps()

    def _are_steps(self) -> bool:
        """Whether no profile makes the first outcomes likelier than good ones do, nearly."""
        table = {p: np.cumsum(self._chances(p, 1)) for p in self.test["profile"]}
        return all(np.all(row <= MOST_EASED * table["good"]) for row in table.values())

    # Readings

    def _lobes(self, profile: str, readings: int) -> list[tuple[float, float, float]]:
        """Weight, centre, spread on the scale of the mean of some readings."""
        gone = self.test.get("repeatability", 0.0) ** 2 * (1.0 - 1.0 / readings)
        return [
            (w, math.log(x) if self.is_log else x, math.sqrt(max(sd * sd - gone, sd * sd / 100)))
            for w, x, sd in self.test["profile"][profile].get("lobes", [])
        ]

    def _reading(
        self, level: float | str | None
    ) -> tuple[dict[str, float], dict[str, float], bool]:
        at, n = self.value()
        exact: dict[str, float] = {}
        less: dict[str, float] = {}
        _, middle, _ = max(self._lobes("good", n))
        low, high = (math.log(x) if self.is_log else x for x in self.test["range"])
        within = min(max(at, low), high)
        reach = abs(within - middle)
        for profile, curve in self.test["profile"].items():
            lobes = self._lobes(profile, n)
            offset = float(level or 0.0)
            if math.isinf(at):
                exact[profile] = 1.0 if math.isinf(offset) else curve.get("over_limit", 0.0)
                less[profile] = 1.0 - exact[profile]
            else:
                exact[profile] = sum(w * norm.pdf(within - offset, c, sd) for w, c, sd in lobes)
                less[profile] = sum(
                    w * (norm.cdf(middle + reach, c, sd) - norm.cdf(middle - reach, c, sd))
                    for w, c, sd in lobes
                )
        over = self.test.get("slip", {}).get("over-limit", 0.0) ** n
        exact = self._mixed(exact, n, over, over * math.isinf(at))
        less = self._mixed(less, n, over, 0.0)
        if less["good"] <= MIDMOST:
            less = exact
        less = {p: _share(f, less["good"]) for p, f in less.items()}
        return exact, less, "level" in self.test

    def _mixed(self, of: dict[str, float], n: int, over: float, more: float) -> dict[str, float]:
        """Let good ones read like faulty ones by coincidence or slip, and the other way round."""
        like = {p: self.test.get("coincidence", 0.0) * share for p, share in self.share.items()}
        for profile, slip in self.test.get("slip", {}).items():
            if profile != "over-limit":
                like[profile] = like.get(profile, 0.0) + slip**n
        good = (1.0 - sum(like.values()) - over) * of["good"] + more
        good += sum(share * of[profile] for profile, share in like.items())
        mixed = {p: (1.0 - FLOOR) * f + FLOOR * good for p, f in of.items()}
        return mixed | {"good": good}


def _share(of: float, good: float) -> float:
    return min(1.0, of / good) if good > 0.0 else float(of > 0.0)


def looks_of(job: Job, states: States) -> list[Look]:
    """Group the readings and inspections of a job, each group as its first look saw it."""
    grouped: dict[Any, Look] = {}
    for finding in job.findings:
        if "test" in finding.event:
            look, key = _look(job, states, finding)
            grouped.setdefault(key, look).events.append(finding.event)
    return list(grouped.values())


def _look(job: Job, states: States, finding: Finding) -> tuple[Look, Any]:
    event, time = finding.event, finding.time
    name, target = event["test"], event["target"]
    test = job.tests[name]
    within = _within(job, finding)
    active_s = states.active_s(time)
    sees, profile_s = by_mode(test["sees"]), []
    shows_s = np.zeros(len(states.states))
    share: dict[str, float] = {}
    for s, state in enumerate(states.states):
        element = states.elements[states.element_s[s]]
        profile = "good"
        if active_s[s] and element.id in within:
            profile = _profile(sees, element.home.kind, state.mode)
        profile_s.append(profile)
        if profile != "good":
            shows_s[s] = 1.0 - test["miss"].get(state.severity, 0.0)
            share[profile] = share.get(profile, 0.0) + states.prior_s[s] * shows_s[s]
    total = sum(share.values())
    share = {p: weight / total for p, weight in share.items()} if total else {}
    seen = sorted({states.element_s[s] for s, p in enumerate(profile_s) if p != "good"})
    tested = {f.time for f in job.findings}
    handled = sum(
        when < time and when not in tested
        for e in seen
        for when, _, _ in states.elements[e].handled
    )
    key = name, target, tuple(seen), handled
    return Look(test, name, [], profile_s, shows_s, share), key


def _within(job: Job, finding: Finding) -> set[str]:
    """Elements that a target involves, where a part that remembers last ran."""
    target, fitted = finding.event["target"], finding.fitted
    if target in job.places:
        return {fitted[target]}
    cylinders = job.target_cylinders(target)
    remembers = job.tests[finding.event["test"]].get("remembers", "")
    marked = [
        place
        for place in job.places.values()
        if place.kind == remembers and set(place.cylinders) <= cylinders
    ]
    for place in marked:
        part = finding.fitted[place.id]
        for then in _ran_before(job, finding.time):
            for where, element in then.items():
                if element == part:
                    cylinders, fitted = set(job.places[where].cylinders), then
    return {e for where, e in fitted.items() if set(job.places[where].cylinders) & cylinders}


def _ran_before(job: Job, time: int) -> list[dict[str, str]]:
    """What was fitted in each run before a time; first the driving that led to the complaint."""
    runs = [f.fitted for f in job.findings if f.event["type"] == "ran" and f.time < time]
    return [{name: name for name in job.places}, *runs]


def _profile(sees: list[tuple[str, str, str]], kind: str, mode: str) -> str:
    """As named, else the kind's, else anything's, else good."""
    for wanted in ({(kind, mode), ("*", mode)}, {(kind, "*")}, {("*", "*")}):
        for seen_kind, seen_mode, profile in sees:
            if (seen_kind, seen_mode) in wanted:
                return profile
    return "good"


def nodes_of(job: Job, looks: list[Look], spacing: float) -> Iterator[tuple[Any, float]]:
    """Nodes of one unknown and their weights; ``looks`` all share it."""
    first = looks[0].test
    if "level" not in first:
        yield "", 1.0 - sum(first["alike"].values())
        yield from first["alike"].items()
        return
    level = first["level"]
    middle, sd = _level_prior(job, first, level)
    values = [at for at, _ in (look.value() for look in looks) if math.isfinite(at)]
    lobes = looks[0]._lobes("good", 1)
    _, good_at, good_sd = max(lobes)
    low = min([middle - WIDTH * sd, *(x - good_at - BEYOND * good_sd for x in values)])
    high = max([middle + WIDTH * sd, *(x - good_at + BEYOND * good_sd for x in values)])
    finest = min(lobe[2] for lobe in lobes) / math.sqrt(max(len(values), 1))
    nodes = np.linspace(low, high, 1 + math.ceil((high - low) / (spacing * finest)))
    weights = np.exp(-(((nodes - middle) / sd) ** 2) / 2.0)
    over = first.get("alike", {}).get("over-limit", 0.0)
    weights *= (1.0 - over) / weights.sum()
    yield from zip(nodes.tolist(), weights.tolist(), strict=True)
    if over:
        yield math.inf, over


def _level_prior(job: Job, test: Table, level: Table) -> tuple[float, float]:
    spreads = level["spread"], level["gauge_spread"]
    if level["formula"] == "fixed":
        median = level["median"]
    else:
        ratio = job.opening.get("compression_ratio", level["compression_ratio"])
        metres = job.opening.get("altitude_m", 0.0)
        air = 101.325 * (1.0 - 0.0065 * metres / 288.15) ** (9.80665 / (287.05287 * 0.0065))
        median = level["fill"] * air * (ratio ** level["exponent"] - 1.0) / KPA[test["unit"]]
    if test.get("scale") == "log":
        return math.log(median), math.hypot(*map(math.log, spreads))
    return median, math.hypot(*spreads)
