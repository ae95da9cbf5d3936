"""Every element of a job with its states: which mode, how severe, and since when."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from swapinfer.evidence.problem import BoolArray, FloatArray, IntArray
from swapinfer.ledger.replay import Disturbance, Element, Job
from swapinfer.pack.hazard import mode_prior
from swapinfer.pack.model import GOOD, Kind, Mode, Severity

BEFORE = -1
"""Onset of faults that were there when the job was opened."""

LARGEST_PRIOR = 0.9
"""Faults of one element never add up to more; hazards beyond it are scaled down."""


@dataclass(frozen=True, slots=True)
class State:
    """One way for an element to be.

    Attributes
    ----------
    mode, severity : Mode, Severity or None
        None for the good state.
    onset : int
        Time of the handling that induced it, or `BEFORE`.
    """

    mode: Mode | None = None
    severity: Severity | None = None
    onset: int = BEFORE

    @property
    def name(self) -> str:
        """``good``, or mode and severity, with the onset of an induced fault."""
        if self.mode is None or self.severity is None:
            return GOOD
        induced = "" if self.onset == BEFORE else f"@{self.onset}"
        return f"{self.mode.id}/{self.severity.id}{induced}"


@dataclass(frozen=True)
class StateSpace:
    """States of all elements as arrays padded to one width.

    Attributes
    ----------
    elements : tuple of Element
        In the order of the pass: engine-wide, by bank, then along the cylinders.
    kinds : tuple of Kind
        Kind of each element.
    states : tuple of tuple of State
        States of each element, good first.
    prior_es : ndarray of float, shape (element, state)
        Prior probabilities.
    disturbed : dict of int to list of int
        Element index to the times at which it was disturbed.
    """

    elements: tuple[Element, ...]
    kinds: tuple[Kind, ...]
    states: tuple[tuple[State, ...], ...]
    prior_es: FloatArray
    disturbed: dict[int, list[int]]

    @cached_property
    def index(self) -> dict[str, int]:
        """Element id to its position."""
        return {element.id: i for i, element in enumerate(self.elements)}

    @cached_property
    def modes(self) -> list[tuple[str, str]]:
        """Distinct (kind, mode) in use; `mode_es` counts them from 1."""
        pairs = dict.fromkeys(
            (kind.id, state.mode.id)
            for kind, row in zip(self.kinds, self.states, strict=True)
            for state in row
            if state.mode
        )
        return list(pairs)

    @cached_property
    def mode_es(self) -> IntArray:
        """Index into `modes` plus 1 of each state, shape (element, state); 0 for good."""
        number = {pair: i for i, pair in enumerate(self.modes, start=1)}
        out = np.zeros(self.prior_es.shape, dtype=np.int64)
        for e, (kind, row) in enumerate(zip(self.kinds, self.states, strict=True)):
            for s, state in enumerate(row):
                out[e, s] = number[kind.id, state.mode.id] if state.mode else 0
        return out

    @cached_property
    def severities(self) -> list[Severity]:
        """Distinct severities in use; `severity_es` counts them from 1."""
        found = (state.severity for row in self.states for state in row)
        return list({severity.id: severity for severity in found if severity}.values())

    @cached_property
    def severity_es(self) -> IntArray:
        """Index into `severities` plus 1 of each state, shape (element, state); 0 for good."""
        number = {severity.id: i for i, severity in enumerate(self.severities, start=1)}
        out = np.zeros(self.prior_es.shape, dtype=np.int64)
        for e, row in enumerate(self.states):
            for s, state in enumerate(row):
                out[e, s] = number[state.severity.id] if state.severity else 0
        return out

    @cached_property
    def rate_es(self) -> FloatArray:
        """Misfire episodes a minute where no condition matters, shape (element, state)."""
        return self._of_state(lambda m, v: v.rate_per_min * m.misfire)

    @cached_property
    def show_rate_es(self) -> FloatArray:
        """Episodes a minute, whether or not they upset combustion, shape (element, state)."""
        return self._of_state(lambda _m, v: v.rate_per_min)

    @cached_property
    def onset_es(self) -> IntArray:
        """Onset of each state, shape (element, state)."""
        out = np.full(self.prior_es.shape, BEFORE, dtype=np.int64)
        for e, row in enumerate(self.states):
            out[e, : len(row)] = [state.onset for state in row]
        return out

    @cached_property
    def curable_es(self) -> BoolArray:
        """Whether the first disturbance ends the state, shape (element, state)."""
        cured = self._of_state(lambda m, _v: float(m.cured_by_disturbance))
        out: BoolArray = cured > 0
        return out

    def active_es(self, time: int, handled: Iterable[int] = ()) -> BoolArray:
        """Which states are present faults at a time.

        Parameters
        ----------
        time : int
            Time of the finding.
        handled : iterable of int
            Elements supposed to be disturbed just before it, beside what the job records.

        Returns
        -------
        ndarray of bool, shape (element, state)
        """
        active: BoolArray = (self.mode_es > 0) & (self.onset_es <= time)
        for e, times in self.disturbed.items():
            for t in times:
                if t <= time:
                    active[e] &= ~(self.curable_es[e] & (self.onset_es[e] < t))
        for e in handled:
            active[e] &= ~self.curable_es[e]
        return active

    def multiplier_es(self, conditions: Iterable[str]) -> FloatArray:
        """Product of each mode's factors under the given tags, shape (element, state)."""
        factors = np.ones(len(self.modes) + 1)
        tags = list(conditions)
        by_id = {kind.id: kind for kind in self.kinds}
        for i, (kind, mode) in enumerate(self.modes, start=1):
            when = by_id[kind].modes[mode].when
            for tag in tags:
                factors[i] *= when.get(tag, 1.0)
        out: FloatArray = factors[self.mode_es]
        return out

    def _of_state(self, value: Callable[[Mode, Severity], float]) -> FloatArray:
        out = np.zeros(self.prior_es.shape)
        for e, row in enumerate(self.states):
            for s, state in enumerate(row):
                if state.mode and state.severity:
                    out[e, s] = value(state.mode, state.severity)
        return out


def build_states(job: Job) -> StateSpace:
    """List the elements of a job and the states of each, with prior probabilities.

    A mode's prior is the chance that it appeared within the exposure window at the element's own
    age; a new element has the small chance of being bad out of the box instead. Every handling
    since may have induced a fault, which is a state of its own with that time as its onset;
    handlings between the same two findings count as one.

    Parameters
    ----------
    job : Job
        As replayed.

    Returns
    -------
    StateSpace
    """
    elements = sorted(job.elements.values(), key=_pass_order(job))
    kinds = tuple(job.engine.kinds[element.home.kind] for element in elements)
    number = {element.id: i for i, element in enumerate(elements)}
    rows = [_element_states(job, e, k) for e, k in zip(elements, kinds, strict=True)]
    width = max(len(states) for states, _ in rows)
    prior_es = np.zeros((len(rows), width))
    for e, (_, prior) in enumerate(rows):
        prior_es[e, : len(prior)] = prior
    disturbed: dict[int, list[int]] = {}
    for one in job.disturbances:
        disturbed.setdefault(number[one.element], []).append(one.time)
    states = tuple(tuple(states) for states, _ in rows)
    return StateSpace(tuple(elements), kinds, states, prior_es, disturbed)


def _pass_order(job: Job) -> Callable[[Element], tuple[int, int, int, str]]:
    along = {c: i for i, c in enumerate(c for bank in job.engine.layout.banks for c in bank)}
    rank = {"engine": 0, "bank": 1}
    kinds = {kind: i for i, kind in enumerate(job.engine.kinds)}

    def key(element: Element) -> tuple[int, int, int, str]:
        place = element.home
        first = min(along[c] for c in place.cylinders)
        return rank.get(place.pattern, 2), first, kinds[place.kind], element.id

    return key


def _element_states(job: Job, element: Element, kind: Kind) -> tuple[list[State], list[float]]:
    severities = job.pack.severities
    states, prior = [State()], [0.0]
    for mode, chance in _mode_chances(job, element, kind).items():
        for severity, share in kind.modes[mode].severity.items():
            if share > 0:
                states.append(State(kind.modes[mode], severities[severity]))
                prior.append(chance * share)
    prior[0] = 1.0 - sum(prior)
    for (mode, onset), chance in _induced(job, element).items():
        for severity, share in kind.modes[mode].severity.items():
            if share > 0:
                states.append(State(kind.modes[mode], severities[severity], onset))
                prior.append(prior[0] * chance * share)
        prior[0] *= 1.0 - chance
    return states, prior


def _mode_chances(job: Job, element: Element, kind: Kind) -> dict[str, float]:
    driven = job.opening.driven_km
    exposure = job.pack.running.exposure_km if driven is None else driven
    age = job.pack.running.odometer_km if element.is_new else element.age_km
    chances = {name: mode_prior(mode, age, exposure) for name, mode in kind.modes.items()}
    total = sum(chances.values())
    if element.is_new:
        scale = kind.new_fault / total if total else 0.0
    else:
        scale = min(1.0, LARGEST_PRIOR / total) if total else 0.0
    return {name: chance * scale for name, chance in chances.items()}


def _induced(job: Job, element: Element) -> dict[tuple[str, int], float]:
    """Chance that no, or at least one, handling between two findings did harm, by mode."""
    finding_times = [finding.time for finding in job.findings]
    spared: dict[tuple[str, int], float] = {}
    onset: dict[tuple[str, int], int] = {}
    for one in _harmful(job.disturbances, element.id):
        epoch = sum(1 for time in finding_times if time < one.time)
        key = one.handling.mode, epoch
        spared[key] = spared.get(key, 1.0) * (1.0 - one.handling.chance)
        onset[key] = one.time
    return {(mode, onset[mode, epoch]): 1.0 - left for (mode, epoch), left in spared.items()}


def _harmful(disturbances: Iterable[Disturbance], element: str) -> Iterable[Disturbance]:
    return (
        one
        for one in disturbances
        if one.element == element and one.handling.mode and one.handling.chance > 0
    )


def fitted_at(space: StateSpace, fitted: Mapping[str, str]) -> dict[int, str]:
    """Element index to the place where it sits in an arrangement."""
    return {space.index[element]: place for place, element in fitted.items()}
