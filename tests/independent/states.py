"""All states of all elements, one after another, with their priors."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from independent.priors import Table
from independent.replay import Element, Job
from numpy.typing import NDArray

Array = NDArray[np.float64]

BEFORE = -1
NODES, WIDTH = 121, 9.0
"""Of the trapezoid rule over life and ratio: nodes, and standard deviations to either side."""

LARGEST = 0.9
"""To which the faults of one element are capped together."""


@dataclass
class State:
    """One way for an element to be; ``good`` has no mode."""

    mode: str = ""
    severity: str = ""
    onset: int = BEFORE
    sleeps: float = math.inf

    @property
    def name(self) -> str:
        if not self.mode:
            return "good"
        returning = "" if self.sleeps == math.inf else f"~{self.sleeps:g}"
        return f"{self.mode}/{self.severity}{returning}" + (
            f"@{self.onset}" if self.onset >= 0 else ""
        )


class States:
    """States laid end to end; arrays named ``_s`` run over all of them."""

    def __init__(self, job: Job) -> None:
        self.job, self.elements = job, job.in_order()
        self.states: list[State] = []
        self.element_s: list[int] = []
        priors: list[float] = []
        for e, element in enumerate(self.elements):
            for state, prior in _states_of(job, element):
                self.states.append(state)
                self.element_s.append(e)
                priors.append(prior)
        self.prior_s = np.array(priors)
        self.first_e = np.unique(self.element_s, return_index=True)[1]
        self.is_fault_s = np.array([bool(state.mode) for state in self.states])

    def mode_of(self, s: int) -> Table:
        """Return what the pack says of a fault's mode."""
        kind = self.elements[self.element_s[s]].home.kind
        about: Table = self.job.kinds[kind]["mode"][self.states[s].mode]
        return about

    def of_faults(self, value: Callable[[str, State, Table], float]) -> Array:
        """Fill an array by ``value(kind, state, mode)``; 0 for good."""
        out = np.zeros(len(self.states))
        for s, state in enumerate(self.states):
            if state.mode:
                kind = self.elements[self.element_s[s]].home.kind
                out[s] = value(kind, state, self.mode_of(s))
        return out

    def active_s(self, time: int) -> Array:
        """1 for faults that had their onset before a time and were not cured before it."""
        out = np.zeros(len(self.states))
        for s, state in enumerate(self.states):
            if state.mode and state.onset < time:
                handled = self.elements[self.element_s[s]].handled
                since = [when for when, _, _ in handled if state.onset < when < time]
                is_cured = self.mode_of(s).get("cured_by_disturbance", False) and bool(since)
                out[s] = float(not is_cured or self._driven(max(since), time) >= state.sleeps)
        return out

    def _driven(self, since: int, time: int) -> float:
        """Minutes between a handling and a finding, half of a run at that time."""
        back = {finding.time: km for finding, km in self.job.returns}
        minutes = 0.0
        for finding in self.job.findings:
            if since < finding.time <= time:
                minutes += back.get(finding.time, 0.0) / self.job.priors["running"]["km_per_min"]
                if finding.event["type"] == "ran":
                    share = 0.5 if finding.time == time else 1.0
                    minutes += share * finding.event["minutes"]
        return minutes

    def serving(self, fitted: dict[str, str]) -> list[frozenset[int]]:
        """Cylinders that each element serves in an arrangement."""
        serves = {e: frozenset(self.job.places[p].cylinders) for p, e in fitted.items()}
        return [serves.get(element.id, frozenset()) for element in self.elements]

    def spread(self, of_element: list[Any]) -> NDArray[Any]:
        """Repeat a value of each element for its states."""
        return np.array([of_element[e] for e in self.element_s])


def _states_of(job: Job, element: Element) -> list[tuple[State, float]]:
    kind, driven = job.kinds[element.home.kind], job.opening.get("driven_km")
    exposure = job.priors["running"]["exposure_km"] if driven is None else driven
    chance = {name: _prior(m, element.age_km, exposure) for name, m in kind["mode"].items()}
    total = sum(chance.values())
    if total:
        cap = kind.get("new_fault", 0.0) / total if element.is_new else min(1.0, LARGEST / total)
        chance = {name: p * cap for name, p in chance.items()}
    faults = [
        (State(name, severity), chance[name] * share)
        for name, mode in kind["mode"].items()
        for severity, share in mode["severity"].items()
        if share
    ]
    faults = [each for fault in faults for each in _returning(job, kind, *fault)]
    good = 1.0 - sum(chance.values())
    later = sorted([*_induced(job, element), *_failed_since(job, element)], key=lambda one: one[1])
    for mode, onset, harm in later:
        for severity, share in kind["mode"][mode]["severity"].items():
            if share:
                induced = State(mode, severity, onset)
                faults += _returning(job, kind, induced, good * harm * share)
        good *= 1.0 - harm
    return [(State(), good), *faults]


def _returning(job: Job, kind: Table, state: State, chance: float) -> Iterator[tuple[State, float]]:
    """Part a contact that handling ends by whether it does so for good."""
    is_curable = kind["mode"][state.mode].get("cured_by_disturbance", False)
    back = job.priors["running"].get("comes_back", []) if is_curable else []
    for sleeps, share in [(math.inf, 1.0 - sum(p for _, p in back)), *back]:
        yield State(state.mode, state.severity, state.onset, sleeps), chance * share


def _failed_since(job: Job, element: Element) -> list[tuple[str, int, float]]:
    """Modes that appeared on the way between a closing and the reopening."""
    failed = []
    for finding, km in job.returns:
        if element.id in finding.fitted.values():
            age = element.since_new_km if element.is_new else element.age_km + km
            for name, mode in job.kinds[element.home.kind]["mode"].items():
                chance = _prior({**mode, "latent_km": 0.0}, age, km)
                failed.append((name, finding.time - 1, chance))
    return failed


def _induced(job: Job, element: Element) -> list[tuple[str, int, float]]:
    """Chance of each induced fault; handlings between two findings count as one, at the last."""
    spared: dict[tuple[str, int], float] = {}
    onset: dict[tuple[str, int], int] = {}
    for time, mode, chance in element.handled:
        if chance:
            key = mode, sum(finding.time <= time for finding in job.findings)
            spared[key] = spared.get(key, 1.0) * (1.0 - chance)
            onset[key] = time
    return [(key[0], onset[key], 1.0 - left) for key, left in spared.items()]


def _prior(mode: Table, age: float, exposure: float) -> float:
    """Chance that a mode appeared in the window, averaged over life and ratio."""
    if age <= 0.0:
        return 0.0
    window, shape = min(max(exposure, mode["latent_km"]), age), mode["shape"]
    life = mode["life_km"]
    ratio = mode.get("hazard_ratio", {"median": 1.0, "spread": 1.0})
    hazard = ratio["median"] * ((age / life["median"]) ** shape)
    hazard *= 1.0 - (1.0 - window / age) ** shape
    sd = math.hypot(shape * math.log(life["spread"]), math.log(ratio["spread"]))
    z = np.linspace(-WIDTH, WIDTH, NODES)
    weight = np.exp(-z * z / 2.0)
    return float(weight @ -np.expm1(-hazard * np.exp(sd * z)) / weight.sum())
