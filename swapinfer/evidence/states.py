"""Every element of a job with its states: which mode, how severe, and since when."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.evidence.monitor import Share
from swapinfer.ledger.events import Ran
from swapinfer.ledger.replay import Element, Job
from swapinfer.pack.hazard import mode_prior, mode_prior_draws
from swapinfer.pack.model import GOOD, Kind, Mode, Running, Severity

BEFORE = -1
"""Onset of faults that were there when the job was opened."""

LARGEST_PRIOR = 0.9
"""Faults of one element never add up to more; hazards beyond it are scaled down."""


class State(Struct, frozen=True):
    """One way for an element to be: good, or a mode, its severity and onset.

    The onset is the time of the handling that induced it, or `BEFORE`; where handling ends it, it
    sleeps for so many minutes of driving, or for good.
    """

    mode: Mode | None = None
    severity: Severity | None = None
    onset: int = BEFORE
    sleeps: float = math.inf

    @property
    def name(self) -> str:
        """``good``, or mode and severity, with the onset of an induced fault."""
        if self.mode is None or self.severity is None:
            return GOOD
        induced = "" if self.onset == BEFORE else f"@{self.onset}"
        returning = "" if math.isinf(self.sleeps) else f"~{self.sleeps:g}"
        return f"{self.mode.id}/{self.severity.id}{returning}{induced}"


class Life(Struct, frozen=True):
    """All that an element's states depend on."""

    kind: str
    is_new: bool  # whether it was fitted during the job
    age_km: float  # distance on it
    # Mode, onset and chance of faults that handling, or driving between two visits, may have
    # brought
    induced: tuple[tuple[str, int, float], ...]


class StateSpace(Struct, frozen=True, eq=False, dict=True):
    """States of all elements as arrays padded to one width.

    Elements of one kind and age, handled alike, have the same states: each such row is held once.
    """

    job: Job
    # In the order of the pass: engine-wide, by bank, then along the cylinders
    elements: tuple[Element, ...]
    # Distinct lives of elements, and the states of each, good first
    lives: tuple[Life, ...]
    rows: tuple[tuple[State, ...], ...]
    row_e: IntArray  # row of each element
    prior_es: FloatArray  # prior probabilities

    @cached_property
    def kinds(self) -> tuple[Kind, ...]:
        """Kind of each element."""
        return tuple(self.job.engine.kinds[element.home.kind] for element in self.elements)

    @cached_property
    def states(self) -> tuple[tuple[State, ...], ...]:
        """States of each element, good first."""
        return tuple(self.rows[row] for row in self.row_e)

    @cached_property
    def index(self) -> dict[str, int]:
        """Element id to its position."""
        return {element.id: i for i, element in enumerate(self.elements)}

    @cached_property
    def disturbed(self) -> dict[int, list[int]]:
        """Position of an element to the times at which it was disturbed."""
        found: dict[int, list[int]] = {}
        for one in self.job.disturbances:
            found.setdefault(self.index[one.element], []).append(one.time)
        return found

    @cached_property
    def ran(self) -> list[tuple[int, Mapping[str, str]]]:
        """Time of each run, and place to element in it.

        Before the first comes the driving that led to the complaint.
        """
        original = {place: place for place in self.job.engine.places}
        runs = [one for one in self.job.findings if isinstance(one.event, Ran)]
        return [(BEFORE, original), *((run.time, run.fitted) for run in runs)]

    @cached_property
    def modes(self) -> tuple[tuple[str, str], ...]:
        """Distinct (kind, mode) in use; `mode_es` counts them from 1."""
        pairs = dict.fromkeys(
            (life.kind, state.mode.id)
            for life, row in zip(self.lives, self.rows, strict=True)
            for state in row
            if state.mode
        )
        return tuple(pairs)

    @cached_property
    def mode_es(self) -> IntArray:
        """Index into `modes` plus 1 of each state, shape (element, state); 0 for good."""
        number = {pair: i for i, pair in enumerate(self.modes, start=1)}
        return self._of_state(lambda k, m, _v, _t: number[k, m.id]).astype(np.int64)

    @cached_property
    def severities(self) -> list[Severity]:
        """Distinct severities in use; `severity_es` counts them from 1."""
        found = (state.severity for row in self.rows for state in row)
        return list({severity.id: severity for severity in found if severity}.values())

    @cached_property
    def severity_es(self) -> IntArray:
        """Index into `severities` plus 1 of each state, shape (element, state); 0 for good."""
        number = {severity.id: i for i, severity in enumerate(self.severities, start=1)}
        return self._of_state(lambda _k, _m, v, _t: number[v.id]).astype(np.int64)

    @cached_property
    def rate_es(self) -> FloatArray:
        """Misfire episodes a minute where no condition matters, shape (element, state)."""
        return self._of_state(lambda _k, m, v, _t: v.rate_per_min * m.misfire)

    @cached_property
    def show_rate_es(self) -> FloatArray:
        """Episodes a minute, whether or not they upset combustion, shape (element, state)."""
        return self._of_state(lambda _k, _m, v, _t: v.rate_per_min)

    @cached_property
    def onset_es(self) -> IntArray:
        """Onset of each state, shape (element, state)."""
        return self._of_state(lambda _k, _m, _v, onset: onset).astype(np.int64)

    @cached_property
    def curable_es(self) -> BoolArray:
        """Whether a disturbance ends the state, shape (element, state)."""
        cured: BoolArray = self._of_state(lambda _k, m, _v, _t: m.cured_by_disturbance) > 0
        return cured

    @cached_property
    def ended_es(self) -> BoolArray:
        """Whether a disturbance ends the state for good, shape (element, state)."""
        ended: BoolArray = self.curable_es & np.isinf(self.sleeps_es)
        return ended

    @cached_property
    def sleeps_es(self) -> FloatArray:
        """Minutes of driving for which handling ends a state, shape (element, state)."""
        out_rs = np.full((len(self.rows), self.prior_es.shape[1]), np.inf)
        for r, row in enumerate(self.rows):
            out_rs[r, : len(row)] = [state.sleeps for state in row]
        return out_rs[self.row_e]

    def driven_since(self, handled: int, time: int) -> float:
        """Minutes driven between a handling and a finding; of a run there, the first half."""
        minutes = 0.0
        for one in self.job.findings:
            if handled < one.time <= time:
                minutes += self.job.returns.get(one.time, 0.0) / self.job.pack.running.km_per_min
                if isinstance(one.event, Ran):
                    minutes += one.event.minutes * (0.5 if one.time == time else 1.0)
        return minutes

    def placed(self, fitted: Mapping[str, str]) -> dict[int, str]:
        """Position of an element to the place where it sits in an arrangement."""
        return {self.index[element]: place for place, element in fitted.items()}

    def active_es(self, time: int) -> BoolArray:
        """Which states are present faults at a time.

        At that of a finding: a test shows what there was before it disturbed anything.
        """
        active: BoolArray = (self.mode_es > 0) & (self.onset_es < time)
        for e, times in self.disturbed.items():
            last = max((t for t in times if t < time), default=BEFORE)
            if last > BEFORE:
                is_asleep_s = self.driven_since(last, time) < self.sleeps_es[e]
                active[e] &= ~(self.curable_es[e] & (self.onset_es[e] < last) & is_asleep_s)
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

    def share_es(
        self, share: Share, conditions: tuple[str, ...], minutes: float = 0.0
    ) -> FloatArray | float:
        """Share of each state's misfire episodes of which something comes, shape (element, state).

        `share` is one of `monitor`, such as `share_that_sets`; `minutes` the length of the driving
        cycle, if not the usual one.
        """
        monitor = self.job.pack.monitor
        if monitor is None:
            return 1.0
        minutes = minutes or monitor.cycle_minutes
        key = share, conditions, minutes
        if key not in self._shares:
            cylinders, rpm = len(self.job.engine.layout.cylinders), monitor.speed(conditions)
            rate_rs = (self.rate_es * self.multiplier_es(conditions))[self._first_r]
            severity_rs = np.where(rate_rs > 0.0, self.severity_es[self._first_r], 0)
            out_rs = np.zeros_like(rate_rs)
            for v, severity in enumerate(self.severities, start=1):
                rates, at = np.unique(rate_rs[severity_rs == v], return_inverse=True)
                shares = [
                    share(monitor, severity, rate, cylinders, rpm, minutes)
                    for rate in rates.tolist()
                ]
                out_rs[severity_rs == v] = np.array(shares)[at] if shares else 0.0
            self._shares[key] = out_rs[self.row_e]
        return self._shares[key]

    @cached_property
    def _shares(self) -> dict[tuple[Share, tuple[str, ...], float], FloatArray]:
        return {}

    @cached_property
    def _first_r(self) -> IntArray:
        """An element of each row."""
        return np.unique(self.row_e, return_index=True)[1]

    def _of_state(self, value: Callable[[str, Mode, Severity, int], float]) -> FloatArray:
        """Look a value up once for each row, and spread it over the elements."""
        out_rs = np.zeros((len(self.rows), self.prior_es.shape[1]))
        for r, (life, row) in enumerate(zip(self.lives, self.rows, strict=True)):
            for s, state in enumerate(row):
                if state.mode and state.severity:
                    out_rs[r, s] = value(life.kind, state.mode, state.severity, state.onset)
        out: FloatArray = out_rs[self.row_e]
        return out


ChanceOf = Callable[[str, Mode, float, float], FloatArray]
"""Prior chances of a kind's mode at an age in km and an exposure in km, shape (draw,)."""


def build_states(job: Job) -> StateSpace:
    """List the elements of a job and the states of each, with prior probabilities.

    A mode's prior is the chance that it appeared within the exposure window at the element's own
    age; a new element has the small chance of being bad out of the box instead. Every handling
    since may have induced a fault, which is a state of its own with that time as its onset;
    handlings between the same two findings count as one.
    """
    elements = sorted(job.elements.values(), key=_pass_order(job))
    new_km = job.pack.running.odometer_km
    lives = [
        Life(e.home.kind, e.is_new, new_km if e.is_new else e.age_km, _induced(job, e))
        for e in elements
    ]
    number = {life: r for r, life in enumerate(dict.fromkeys(lives))}
    rows = [_states_of(job, life) for life in number]
    row_e = np.array([number[life] for life in lives])
    prior_es: FloatArray = _priors(job, number, rows, _mean_chance)[0, row_e]
    return StateSpace(job, tuple(elements), tuple(number), tuple(rows), row_e, prior_es)


def _mean_chance(_kind: str, mode: Mode, age_km: float, exposure_km: float) -> FloatArray:
    return np.array([mode_prior(mode, age_km, exposure_km)])


def draw_priors(space: StateSpace, count: int, seed: int) -> FloatArray:
    """Draw priors from the pack's uncertainty about its rates, shape (draw, element, state).

    Each mode of each kind has one unknown rate, shared by all elements of the kind.
    """
    z_md = np.random.default_rng(seed).standard_normal((len(space.modes), count))
    z_of = dict(zip(space.modes, z_md, strict=True))

    def chance(kind: str, mode: Mode, age_km: float, exposure_km: float) -> FloatArray:
        return mode_prior_draws(mode, age_km, exposure_km, z_of[kind, mode.id])

    out: FloatArray = _priors(space.job, space.lives, space.rows, chance)[:, space.row_e]
    return out


def lot_factors(space: StateSpace, kinds: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Factors on the prior for lots better or worse than usual, at the nodes ``z`` of all lots.

    The original parts of each kind make up a lot. Its factor on the hazard is log-normal with mean
    1, taken at the two nodes of the Gauss-Hermite rule, ``exp(+-sigma) / cosh(sigma)`` with equal
    weights; 1 for parts fitted later, and for faults that handling induced. Returns the weights of
    the nodes, and the factors, (lot node, element, state).

    References
    ----------
    Vaupel, J. W., Manton, K. G. & Stallard, E. (1979), Demography 16, 439-454, for frailty;
    Abramowitz, M. & Stegun, I. A. (1964), 25.4.46, for the rule.
    """
    lot_zes = np.ones((1, *space.prior_es.shape))
    for name in kinds:
        in_lot_e = np.array(
            [
                k.id == name and not e.is_new
                for k, e in zip(space.kinds, space.elements, strict=True)
            ]
        )
        spread = next(kind.lot_spread for kind in space.kinds if kind.id == name)
        sigma = np.log(spread)
        original_es = in_lot_e[:, None] & (space.mode_es > 0) & (space.onset_es == BEFORE)
        fault_e = (space.prior_es * original_es).sum(axis=1)
        good_prior_e = space.prior_es[:, 0]
        both = []
        for factor in np.exp([-sigma, sigma]) / np.cosh(sigma):
            factor_e = LARGEST_PRIOR / np.maximum(fault_e, LARGEST_PRIOR / factor)
            good_e = 1.0 + (1.0 - factor_e) * fault_e / good_prior_e
            one_es = np.where(original_es, factor_e[:, None], 1.0)
            one_es[in_lot_e, 0] = good_e[in_lot_e]
            both.append(one_es)
        lot_zes = (lot_zes[:, None] * np.stack(both)).reshape(-1, *space.prior_es.shape)
    return np.full(len(lot_zes), 1.0 / len(lot_zes)), lot_zes


def _pass_order(job: Job) -> Callable[[Element], tuple[int, int, int, str]]:
    along = {c: i for i, c in enumerate(c for bank in job.engine.layout.banks for c in bank)}
    rank = {"engine": 0, "bank": 1}
    kinds = {kind: i for i, kind in enumerate(job.engine.kinds)}

    def key(element: Element) -> tuple[int, int, int, str]:
        place = element.home
        first = min(along[c] for c in place.cylinders)
        return rank.get(place.pattern, 2), first, kinds[place.kind], element.id

    return key


def _states_of(job: Job, life: Life) -> tuple[State, ...]:
    modes = job.engine.kinds[life.kind].modes
    onsets = [(modes[mode], BEFORE) for mode in modes]
    onsets += [(modes[mode], onset) for mode, onset, _ in life.induced]
    faults = (
        State(mode, severity, onset, sleeps)
        for mode, onset in onsets
        for severity, sleeps, _ in _ways(job, mode)
    )
    return (State(), *faults)


def _ways(job: Job, mode: Mode) -> Iterator[tuple[Severity, float, float]]:
    """Severities of a mode, minutes for which handling ends it, and the share of each of both."""
    for severity, share in mode.severity.items():
        for sleeps, part in ways_to_sleep(job.pack.running, mode) if share > 0 else ():
            yield job.pack.severities[severity], sleeps, share * part


def ways_to_sleep(running: Running, mode: Mode) -> list[tuple[float, float]]:
    """List minutes of driving for which handling may end a mode, with the chance of each."""
    back = running.comes_back if mode.cured_by_disturbance else ()
    return [(math.inf, 1.0 - sum(chance for _, chance in back)), *back]


def _priors(
    job: Job, lives: Iterable[Life], rows: Sequence[tuple[State, ...]], chance_of: ChanceOf
) -> FloatArray:
    """Prior of each row, shape (draw, row, state)."""
    width = max(map(len, rows))
    padded = []
    for life, row in zip(lives, rows, strict=True):
        prior_sd = np.stack(_prior(job, life, chance_of))
        padded.append(np.pad(prior_sd, ((0, width - len(row)), (0, 0))))
    out: FloatArray = np.stack(padded).transpose(2, 0, 1)
    return out


def _prior(job: Job, life: Life, chance_of: ChanceOf) -> list[FloatArray]:
    modes = job.engine.kinds[life.kind].modes
    prior = [
        chance_d * share
        for mode, chance_d in _mode_chances(job, life, chance_of).items()
        for *_, share in _ways(job, modes[mode])
    ]
    good_d = 1.0 - np.sum(prior, axis=0)
    for mode, _, harm in life.induced:
        prior += [good_d * harm * share for *_, share in _ways(job, modes[mode])]
        good_d = good_d * (1.0 - harm)
    return [good_d, *prior]


def _mode_chances(job: Job, life: Life, chance_of: ChanceOf) -> dict[str, FloatArray]:
    kind = job.engine.kinds[life.kind]
    driven = job.opening.driven_km
    exposure = job.pack.running.exposure_km if driven is None else driven
    chances = {
        name: chance_of(kind.id, mode, life.age_km, exposure) for name, mode in kind.modes.items()
    }
    total_d = np.maximum(np.sum(list(chances.values()), axis=0), np.finfo(float).tiny)
    scale_d = kind.new_fault / total_d if life.is_new else np.minimum(1.0, LARGEST_PRIOR / total_d)
    return {name: chance_d * scale_d for name, chance_d in chances.items()}


def _induced(job: Job, element: Element) -> tuple[tuple[str, int, float], ...]:
    """Mode, onset and chance of harm by the handlings between each two findings.

    What a test disturbs it disturbs after its own finding.
    """
    finding_times = [finding.time for finding in job.findings]
    spared: dict[tuple[str, int], float] = {}
    onset: dict[tuple[str, int], int] = {}
    for one in job.disturbances:
        if one.element != element.id or not one.handling.mode or one.handling.chance <= 0:
            continue
        epoch = sum(1 for time in finding_times if time <= one.time)
        key = one.handling.mode, epoch
        spared[key] = spared.get(key, 1.0) * (1.0 - one.handling.chance)
        onset[key] = one.time
    handled = [(mode, onset[mode, epoch], 1.0 - left) for (mode, epoch), left in spared.items()]
    return tuple(sorted([*handled, *_worn_out(job, element)], key=lambda one: one[1]))


def _worn_out(job: Job, element: Element) -> Iterator[tuple[str, int, float]]:
    """Mode, onset and chance of what failed between a closing and the vehicle's coming back."""
    for finding in job.findings:
        driven_km = job.returns.get(finding.time, 0.0)
        if driven_km > 0.0 and element.id in finding.fitted.values():
            age_km = element.age_km + driven_km * (not element.is_new)
            for name, mode in job.engine.kinds[element.home.kind].modes.items():
                then = replace(mode, latent_km=0.0)
                yield name, finding.time - 1, mode_prior(then, age_km, driven_km)
