"""A vehicle whose faults are known to us and not to the technician, and how one is drawn."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property

import numpy as np

from swapinfer.errors import InputError
from swapinfer.evidence.arrays import FloatArray, IntArray, Term
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.levels import level_prior
from swapinfer.evidence.looks import View, look
from swapinfer.evidence.profiles import averaged, outcome_chances
from swapinfer.evidence.running import (
    Drive,
    FaultCodes,
    blame_cc,
    expected_episodes,
    feel,
    is_shared,
    reach_ec,
)
from swapinfer.evidence.states import (
    BEFORE,
    State,
    StateSpace,
    build_states,
    lot_factors,
    ways_to_sleep,
)
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.engine import format_code
from swapinfer.pack.model import (
    COMPLAINT_WORD,
    GOOD,
    OVER_LIMIT,
    Curve,
    Handling,
    Mode,
    Monitor,
    Pack,
    Test,
)
from swapinfer.plan.actions import Action
from swapinfer.plan.repair_policy import LOOK_MINUTES
from swapinfer.posterior import FaultSets, fault_sets, infer
from swapinfer.simulate.cycle import MisfireSource, draw_cycle

FIRST_DRIVE = 20.0  # minutes in which the shop tries to see the misfire
COMEBACK_MINUTES = 3000.0  # a fault that stays quiet for so long brings nobody back
FOR_EVER = 10**9  # so many looks leave nothing to slips and to the scatter of the meter
MOST_DRIVES = 20  # first drives in which the misfire may show; if never, it is taken as it is
COVER = 0.99  # share of a job's posterior from which vehicles like its own are drawn
_BATCH = 2000  # vehicles drawn at once


class World:
    """One vehicle, what was done to it so far, and what is wrong with it.

    It behaves by the chances of its pack; the technician's may be another.
    """

    def __init__(
        self,
        pack: Pack,
        opening: ev.Opened,
        faults: dict[str, State],
        rng: np.random.Generator,
        events: Sequence[Event] = (),
    ) -> None:
        self.pack = pack
        self.opening = opening
        self.faults = faults
        self.rng = rng
        self.events: list[Event] = [*events] or [opening]
        self.ever_faulty = set(faults)  # what was cured or replaced since, too
        self._levels: dict[str, float] = {}
        self._commons: dict[str, str] = {}
        self._seen: dict[tuple[object, ...], tuple[frozenset[int], float | str]] = {}
        self._update()

    def copy(self, seed: int) -> World:
        """Return the same vehicle, job and faults, its further luck decided by a seed."""
        rng = np.random.default_rng(seed)
        return World(self.pack, self.opening, dict(self.faults), rng, self.events)

    def _update(self) -> None:
        self.job = replay(enumerate(self.events), self.pack)
        self.__dict__.pop("space", None)

    @cached_property
    def space(self) -> StateSpace:
        """What may be wrong with the vehicle as it stands."""
        return build_states(self.job)

    def _append(self, event: Event) -> None:
        self.events.append(event)
        self._update()

    @property
    def has_fault(self) -> bool:
        """Whether something that is fitted still causes misfires."""
        fitted = set(self.job.fitted.values())
        return any(
            element in fitted and state.mode is not None and state.mode.misfire > 0.0
            for element, state in self.faults.items()
        )

    def do(self, action: Action) -> None:
        """Do an action and record what it shows."""
        if action.test:
            self._test(action)
            return
        if action.swaps:
            self._handle(self.job.disturbed_by(action.moved))
            self._append(ev.Swapped(action.swaps))
        for place in action.replaced:
            self._handle(self.job.disturbed_by([place]))
            self._append(ev.Replaced(place))
            element = self.job.fitted[place]
            p_s = self.space.prior_es[self.space.index[element]]
            s = int(self.rng.choice(len(p_s), p=p_s / p_s.sum()))
            if s:  # bad out of the box
                self._add_fault(element, self.space.states[self.space.index[element]][s])
        for place in action.reseated:
            self._handle(self.job.disturbed_by([place]))
            self._append(ev.Reseated(place))
        if action.drive_minutes:
            self.drive(action.drive_minutes, action.conditions)

    def drive(self, minutes: float, conditions: tuple[str, ...] = ()) -> bool:
        """Drive until a misfire is seen or the minutes are over; say whether one was.

        A misfire is seen at the end of the interval of `LOOK_MINUTES` in which it occurs, or sets a
        code where the pack says how that comes about; the quiet part before and that interval are
        recorded as two runs.
        """
        if monitor := self.pack.monitor:
            return any(self._drive_cycle(monitor, leg, conditions) for leg in self._legs(minutes))
        return any(self._drive_episodes(leg, conditions) for leg in self._legs(minutes))

    def _legs(self, minutes: float) -> Iterator[float]:
        """Part a drive where a contact that handling ended fails again."""
        wakes = {self._asleep(name, state) for name, state in self.faults.items()}
        at = 0.0
        for wake in sorted(wakes):
            looked = math.ceil(wake / LOOK_MINUTES) * LOOK_MINUTES
            if at < looked < minutes:
                yield looked - at
                at = looked
        yield minutes - at

    def _asleep(self, element: str, state: State) -> float:
        """Minutes of driving until a fault fails again; 0 for one that is there."""
        handled = self.space.disturbed.get(self.space.index[element])
        if not handled or not _is_curable(state) or state.onset >= handled[-1]:
            return 0.0
        return max(state.sleeps - self.space.driven_since(handled[-1], self.job.time), 0.0)

    def _drive_cycle(self, monitor: Monitor, minutes: float, conditions: tuple[str, ...]) -> bool:
        cylinders = len(self.job.engine.layout.cylinders)
        speed = monitor.speed(conditions)
        sources = self._sources(conditions)
        cycle = draw_cycle(monitor, sources, minutes, speed, cylinders, self.rng)
        first = cycle.first()
        looks = round(minutes / LOOK_MINUTES)
        before = looks if first is None else min(math.ceil(first / LOOK_MINUTES), looks) - 1
        if before:
            self._record_run(before * LOOK_MINUTES, conditions, frozenset())
        if first is None:
            return False
        self._record_run(LOOK_MINUTES, conditions, cycle.coded((before + 1) * LOOK_MINUTES))
        return True

    def _sources(self, conditions: tuple[str, ...]) -> list[MisfireSource]:
        """Episodes of present faults: one for all cylinders, or its own in each that it serves."""
        space, engine, running = self.space, self.job.engine, self.pack.running
        reached_ec = reach_ec(space, self.job.fitted)
        shared_e, booked_cc = is_shared(reached_ec), blame_cc(engine, running)
        together_c = np.full(len(booked_cc), running.together)
        rate_es = space.rate_es * space.multiplier_es(conditions) * space.active_es(self.job.time)
        return [
            MisfireSource(space.severities[space.severity_es[e, s] - 1], rate_es[e, s], booked_c)
            for e, s in enumerate(self._truth_e().tolist())
            if rate_es[e, s] > 0.0
            for booked_c in ([together_c] if shared_e[e] else booked_cc[reached_ec[e] > 0.0])
        ]

    def _drive_episodes(self, minutes: float, conditions: tuple[str, ...]) -> bool:
        drive = Drive(LOOK_MINUTES, conditions, self.job.fitted, self.job.time)
        state_e = self._truth_e()
        every_e = np.arange(len(state_e))
        episodes = expected_episodes(self.space, drive)
        mean_c = episodes.own_ces[:, every_e, state_e].sum(axis=1)
        own_c: FloatArray = 1.0 - (1.0 - episodes.leak_chance()) * np.exp(-mean_c)
        shared_e = -np.expm1(-episodes.shared_es[every_e, state_e])
        missed = (1.0 - self.pack.running.together) ** len(own_c)
        quiet = float(np.prod(1.0 - own_c) * np.prod(1.0 - shared_e * (1.0 - missed)))
        looks = round(minutes / LOOK_MINUTES)
        before = int(min(self.rng.geometric(1.0 - quiet) - 1, looks)) if quiet < 1.0 else looks
        if before:
            self._record_run(before * LOOK_MINUTES, conditions, frozenset())
        if before == looks:
            return False
        self._record_run(LOOK_MINUTES, conditions, self._some(own_c, shared_e))
        return True

    def come_back(self) -> bool:
        """Let the owner, who feels what sets no code too, drive on; say whether it comes back."""
        return any(self._drive_episodes(leg, ()) for leg in self._legs(COMEBACK_MINUTES))

    def _some(self, own_c: FloatArray, shared_e: FloatArray) -> frozenset[int]:
        """Cylinders that misfire, given that at least one does."""
        while True:
            misfires_c = self.rng.random(len(own_c)) < own_c
            for _ in range(int((self.rng.random(len(shared_e)) < shared_e).sum())):
                misfires_c |= self.rng.random(len(own_c)) < self.pack.running.together
            if misfires_c.any():
                return frozenset(int(c) + 1 for c in np.flatnonzero(misfires_c))

    def state_of(self, e: int) -> int:
        """Index of the true state of an element in the job's state space."""
        truth = self.faults.get(self.space.elements[e].id)
        if truth is None or truth.mode is None:
            return 0
        active_s = self.space.active_es(self.job.time)[e]
        same = [
            s
            for s, state in enumerate(self.space.states[e])
            if state.mode and state.mode.id == truth.mode.id
            if (state.severity, state.sleeps) == (truth.severity, truth.sleeps)
        ]
        return next((s for s in same if active_s[s]), same[0])

    def _truth_e(self) -> IntArray:
        return np.array([self.state_of(e) for e in range(len(self.space.elements))])

    def _record_run(
        self, minutes: float, conditions: tuple[str, ...], misfired: frozenset[int]
    ) -> None:
        drive = Drive(minutes, conditions, self.job.fitted, self.job.time)
        codes = [format_code(300 + cylinder) for cylinder in sorted(misfired)]
        found = (*codes, *self._fault_codes(drive))
        self._append(ev.Ran(minutes, conditions, found, pending=found))

    def _fault_codes(self, drive: Drive) -> list[str]:
        codes = FaultCodes.of(self.space)
        pieces = codes.read(self.space, drive, codes.texts)
        terms = [piece for piece in pieces if isinstance(piece, Term)]
        state_e = self._truth_e()
        rows = np.arange(len(state_e))
        unset_t = [(1.0 - t.close_q2[0, 0]) * t.open_es[rows, state_e].prod() for t in terms]
        chances = zip(codes.texts, unset_t, strict=True)
        return [text for text, unset in chances if self.rng.random() >= unset]

    def _test(self, action: Action) -> None:
        test = self.job.engine.tests[action.test]
        for target in action.targets:
            time = self.job.time
            self._append(self._finding(target, look(self.space, test.id, target)))
            self._handle((d.element, d.handling) for d in self.job.disturbances if d.time == time)

    def _finding(self, target: str, view: View) -> Event:
        test, key = view.test, view.key
        # What is present, can be seen, and shows this time.
        shows_e = view.shows_es[np.arange(len(self.space.elements)), self._truth_e()]
        fresh = test.fresh if key in self._seen else 1.0
        drawn_e = self.rng.random(len(shows_e)) < fresh * shows_e
        showing = frozenset(np.flatnonzero(drawn_e).tolist())
        before, shown = self._seen.get(key, (frozenset[int](), None))
        if shown is None or showing - before:
            shown = self._draw_shown(test, view, showing | before)
            self._seen[key] = showing | before, shown
        slipped = self._one_of(test.slip)  # of the hand, this time
        if isinstance(shown, str):
            return ev.Inspected(test.id, target, slipped or shown)
        if slipped == OVER_LIMIT:
            value = math.inf
        elif slipped:
            value = self._draw_reading(test, test.curves[slipped])
        else:
            value = self._read_again(test, shown)
        return ev.Measured(test.id, target, value, reference=0.0 if test.reference else None)

    def _draw_shown(self, test: Test, view: View, showing: frozenset[int]) -> float | str:
        """Draw what each showing fault shows; what departs farthest from good is seen."""
        state_e = self._truth_e()
        profiles = [view.profiles[view.profile_es[e, state_e[e]]] for e in sorted(showing)]
        if test.level:
            profiles = profiles[:1]
        drawn = [self._draw(test, view, name) for name in profiles or [GOOD]]
        return max(drawn, key=lambda one: self._departure(test, one))

    def _departure(self, test: Test, shown: float | str) -> float:
        if isinstance(shown, str):
            return list(test.outcomes).index(shown)
        middle = test.as_shown(test.nominal, self._level(test))
        return abs(math.log(shown / middle) if test.scale == "log" else shown - middle)

    def _draw(self, test: Test, view: View, profile: str) -> float | str:
        if test.form == "inspection":
            chances = outcome_chances(test, profile, FOR_EVER)
            names = list(chances)
            p = np.array(list(chances.values()))
            drawn = names[int(self.rng.choice(len(names), p=p / p.sum()))]
            if test.id not in self._commons:  # what all sound ones of this engine show alike
                self._commons[test.id] = self._one_of(test.alike)
            common = self._commons[test.id]
            return max(drawn, common, key=names.index) if common and profile == GOOD else drawn
        if profile == GOOD and self.rng.random() < test.coincidence and view.share_p.any():
            profile = view.profiles[int(self.rng.choice(len(view.profiles), p=view.share_p))]
        return self._draw_reading(test, averaged(test, test.curves[profile], FOR_EVER))

    def _draw_reading(self, test: Test, curve: Curve) -> float:
        weights = np.array([weight for weight, _, _ in curve.lobes] + [curve.over_limit])
        lobe = int(self.rng.choice(len(weights), p=weights / weights.sum()))
        if lobe == len(curve.lobes):
            return math.inf
        _, centre, sd = curve.lobes[lobe]
        drawn = float(self.rng.normal(test.on_scale(centre), sd))
        return test.as_shown(test.off_scale(drawn), self._level(test))

    def _read_again(self, test: Test, value: float) -> float:
        """Let a meter scatter about what it shows."""
        noise = float(self.rng.normal(0.0, test.repeatability)) if test.repeatability else 0.0
        return value * math.exp(noise) if test.scale == "log" else value + noise

    def _one_of(self, chances: Mapping[str, float]) -> str:
        """Draw one of some names; empty for none of them."""
        u = self.rng.random()
        for name, chance in chances.items():
            u -= chance
            if u < 0.0:
                return name
        return ""

    def _level(self, test: Test) -> float | None:
        """Return what all sound ones show on this gauge, or of this make."""
        if test.level is None:
            return None
        if test.level.name not in self._levels:
            middle, sd = level_prior(test, test.level, self.opening)
            drawn = float(self.rng.normal(middle, sd))
            if test.alike and self.rng.random() < test.alike[OVER_LIMIT]:
                drawn = math.inf
            self._levels[test.level.name] = test.off_scale(drawn)
        return self._levels[test.level.name]

    def _handle(self, disturbed: Iterable[tuple[str, Handling]]) -> None:
        """Let handling cure contacts, and now and then break something."""
        for element, handling in disturbed:
            state = self.faults.get(element)
            if state is not None and _is_curable(state) and math.isinf(state.sleeps):
                del self.faults[element]
            if handling.mode and self.rng.random() < handling.chance:
                kind = self.job.engine.kinds[self.job.elements[element].home.kind]
                mode = kind.modes[handling.mode]
                self._add_fault(element, draw_fault(self.pack, mode, self.rng))

    def _add_fault(self, element: str, state: State) -> None:
        self.faults.setdefault(element, state)
        self.ever_faulty.add(element)


def draw_fault(pack: Pack, mode: Mode, rng: np.random.Generator) -> State:
    """Draw how severe a fault of a mode is, and whether handling will end it for good."""
    names = [name for name, share in mode.severity.items() if share > 0.0]
    shares = np.array([mode.severity[name] for name in names])
    chosen = names[int(rng.choice(len(names), p=shares / shares.sum()))]
    sleeps, chances = zip(*ways_to_sleep(pack.running, mode), strict=True)
    for_ever = sleeps[int(rng.choice(len(sleeps), p=chances))] if len(sleeps) > 1 else sleeps[0]
    return State(mode, pack.severities[chosen], sleeps=for_ever)


def _is_curable(state: State) -> bool:
    return state.mode is not None and state.mode.cured_by_disturbance


def draw_states(space: StateSpace, count: int, rng: np.random.Generator) -> IntArray:
    """Draw lots, and the state of every element from the prior, shape (draw, element)."""
    kinds = dict.fromkeys(kind.id for kind in space.kinds if kind.lot_spread > 1.0)
    lot_z, lot_zes = lot_factors(space, list(kinds))
    top_zes = np.cumsum(space.prior_es * lot_zes, axis=2)
    top_zes[:, :, -1] = 1.0
    z_d = rng.choice(len(lot_z), count, p=lot_z)
    draws = rng.random((count, len(space.elements)))
    state_de = (draws[:, :, None] > top_zes[z_d]).sum(axis=2)
    last_e = np.array([len(row) - 1 for row in space.states])
    drawn: IntArray = np.minimum(state_de, last_e)
    return drawn


def space_faults(space: StateSpace, state_e: IntArray) -> dict[str, State]:
    """Faulty elements of one draw."""
    return {
        space.elements[e].id: space.states[e][s] for e, s in enumerate(state_e.tolist()) if s > 0
    }


def draw_job(
    pack: Pack, layout: str, fitment: Mapping[str, str], rng: np.random.Generator
) -> World:
    """Draw a vehicle that came in with a misfire which the shop then saw, the first drive recorded.

    Rejection sampling: faults are drawn from the prior until someone complains of them and they
    show in the first drive.
    """
    opening = ev.Opened("simulated", layout, dict(fitment))
    job = replay(enumerate([opening]), pack)
    space = build_states(job)
    while True:
        state_de = draw_states(space, _BATCH, rng)
        chance_d = _complaint_chances(job, space, state_de)
        for d in np.flatnonzero(rng.random(_BATCH) < chance_d):
            world = World(pack, opening, space_faults(space, state_de[d]), rng)
            if world.drive(FIRST_DRIVE):
                return world


def _complaint_chances(job: Job, space: StateSpace, state_de: IntArray) -> FloatArray:
    """Chance that somebody complains, shape (draw,)."""
    running = job.pack.running
    drive = Drive(running.complaint_minutes, (), job.fitted, time=0)
    episodes = expected_episodes(space, drive)
    mean_es = episodes.in_any(job.engine.layout.cylinders)
    term = feel(mean_es, job.pack.feelings[COMPLAINT_WORD])
    quiet_d = term.open_es[np.arange(state_de.shape[1]), state_de].prod(axis=1)
    chance_d: FloatArray = quiet_d * term.close_q2[0, 0] + (1.0 - quiet_d) * term.close_q2[0, 1]
    return chance_d


def vehicles_like(job: Job, count: int, seed: int) -> Iterator[World]:
    """Draw vehicles such as a job's, each driven until its misfire was seen.

    Their faults are drawn from what the whole job says was wrong at the start; what is found out
    about them is left to chance anew.
    """
    evidence = gather_evidence(job)
    posterior = infer(evidence.arrays)
    if not posterior.exact:
        raise InputError(f"{job.opening.ro} is too entangled for exact belief: no comparison")
    sets = fault_sets(evidence.arrays, posterior, cover=COVER)
    faulty = _faults_at_the_start(evidence, sets)
    misfires_h = [any(s.mode and s.mode.misfire > 0 for s in f.values()) for f in faulty]
    weight_h = sets.belief_h * misfires_h
    if not weight_h.any():
        raise InputError(f"{job.opening.ro} does not say that anything was wrong")
    rng = np.random.default_rng(seed)
    for h in rng.choice(len(faulty), count, p=weight_h / weight_h.sum()).tolist():
        world = World(job.pack, job.opening, dict(faulty[h]), rng)
        for _ in range(MOST_DRIVES):
            if world.drive(FIRST_DRIVE):
                break
        yield world


def _faults_at_the_start(evidence: Evidence, sets: FaultSets) -> list[dict[str, State]]:
    """Faults that each fault set says were there when the job was opened."""
    job, space = evidence.job, evidence.space
    original = replay(enumerate([job.opening]), job.pack).elements
    return [
        {
            space.elements[e].id: space.states[e][s]
            for e, s in zip(element_k, state_k, strict=True)
            if s > 0 and space.elements[e].id in original and space.states[e][s].onset == BEFORE
        }
        for element_k, state_k in zip(sets.element_hk.tolist(), sets.state_hk.tolist(), strict=True)
    ]
