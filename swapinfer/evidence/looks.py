"""What a reading or an inspection says of an engine, and what looking again adds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray, Term
from swapinfer.evidence.profiles import (
    FLOOR,
    TINY,
    are_steps,
    averaged,
    density,
    departing_less,
    outcome_table,
    own_part,
    own_parts,
    profile_of,
    reading_value,
)
from swapinfer.evidence.states import StateSpace
from swapinfer.ledger.events import Inspected, Measured
from swapinfer.ledger.replay import Finding, Job
from swapinfer.pack.model import GOOD, OVER_LIMIT, Symptom, Test

NO_LEVEL = np.zeros(1)
"""One node at which nothing is shared: an offset of 0, a factor of 1."""

MIDMOST = 1e-9
"""Readings as near to the middle of the good ones as this share of them: chances of departing less
are no longer told apart there, and their ratio is that of the densities."""


# What can be seen ---------------------------------------------------------------------------------


class View(Struct, frozen=True, eq=False):
    """What a test at one target, in one arrangement, at one time, can see."""

    test: Test
    # Looks with the same key repeat one another: test, target, elements seen, and how often they
    # were handled before
    key: tuple[object, ...]
    cylinders: set[int]  # of which it tells
    profiles: tuple[str, ...]  # names; the first is good
    profile_es: IntArray  # index of the profile that each state shows; 0 where it is not seen
    shows_es: FloatArray  # chance that a seen state shows in one look; 0 where it is not seen
    # How the faults that can be seen divide beforehand among the profiles; 0 for good
    share_p: FloatArray

    @property
    def seen_e(self) -> BoolArray:
        """Which elements can be seen."""
        out: BoolArray = self.profile_es.max(axis=1) > 0
        return out

    def shown_es(self, looks: int) -> FloatArray:
        """Chance that a seen state shows in at least one of several looks, shape (element, state).

        ``1 - (1 - s) (1 - c s)**(looks - 1)``, with ``s`` the chance in one look and ``c`` that
        looking again is a new look.
        """
        if looks == 1:
            return self.shows_es
        missed_es = (1.0 - self.shows_es) * (1.0 - self.test.fresh * self.shows_es) ** (looks - 1)
        return np.where(self.profile_es > 0, 1.0 - missed_es, 0.0)


def look(space: StateSpace, test_id: str, target: str, finding: Finding | None = None) -> View:
    """Work out which states a test at one of its targets sees, and how they look.

    In the arrangement and at the time of a finding of the job; by default as things stand now. What
    is looked at is looked at before the look disturbs it.
    """
    job = space.job
    test, when = job.engine.tests[test_id], finding or job
    profiles = (GOOD, *(name for name in test.profiles if name != GOOD))
    profile_m = _profile_of_modes(test.sees, profiles, space.modes)
    cylinders, fitted = _seen_where(space, test, target, when)
    within_e = _within_e(space, target, cylinders, fitted)
    profile_es = profile_m[space.mode_es] * (space.active_es(when.time) & within_e[:, None])
    shows_v = np.array([0.0] + [1.0 - test.miss.get(v.id, 0.0) for v in space.severities])
    shows_es = shows_v[space.severity_es] * (profile_es > 0)
    weight_p = np.bincount(
        profile_es.ravel(), (space.prior_es * shows_es).ravel(), minlength=len(profiles)
    )
    share_p = weight_p / max(float(weight_p.sum()), TINY)
    key = (test_id, target, *_handled(space, np.flatnonzero(profile_es.any(axis=1)), when.time))
    return View(test, key, cylinders, profiles, profile_es, shows_es, share_p)


def _handled(space: StateSpace, seen: IntArray, time: int) -> tuple[object, ...]:
    """Elements seen, and how often they were handled before, tests not counted."""
    tested = {finding.time for finding in space.job.findings}
    times = [t for e in seen.tolist() for t in space.disturbed.get(e, ()) if t < time]
    return tuple(space.elements[e].id for e in seen), sum(t not in tested for t in times)


@lru_cache(maxsize=1024)
def _profile_of_modes(
    sights: tuple[Symptom, ...], profiles: tuple[str, ...], modes: tuple[tuple[str, str], ...]
) -> IntArray:
    """Profile of each mode, in order of `profiles`; 0 first, for what is good."""
    shown = (profiles.index(profile_of(sights, kind, mode)) for kind, mode in modes)
    return np.array([0, *shown])


def _within_e(
    space: StateSpace, target: str, cylinders: set[int], fitted: Mapping[str, str]
) -> BoolArray:
    """Elements that the target involves: the one at the place, or all that reach its cylinders."""
    places = space.job.engine.places
    out = np.zeros(len(space.elements), dtype=np.bool_)
    for e, place in space.placed(fitted).items():
        if target in places:
            out[e] = place == target
        else:
            out[e] = bool(cylinders & set(places[place].cylinders))
    return out


def _seen_where(
    space: StateSpace, test: Test, target: str, when: Finding | Job
) -> tuple[set[int], Mapping[str, str]]:
    """Cylinders that a test tells of, and what was fitted when they left their mark.

    A part that remembers tells of where it last ran, and of what served it there; one that has
    not run yet, of where it sits.
    """
    engine = space.job.engine
    cylinders = set(engine.target_cylinders(target))
    for place in engine.places_for(test.remembers):
        part = when.fitted[place.id]
        if set(place.cylinders) <= cylinders:
            for time, fitted in reversed(space.ran):
                if time < when.time and part in fitted.values():
                    ran_at = next(name for name, one in fitted.items() if one == part)
                    return set(engine.places[ran_at].cylinders), fitted
    return cylinders, when.fitted


# What was seen ------------------------------------------------------------------------------------


class Seen(Struct, frozen=True):
    """What looking at one thing, once or several times, came to."""

    outcome: str = ""  # of an inspection; empty for a reading
    # Of a reading, as the curves speak of it; the mean of several, infinite for "over limit"
    value: float = math.nan
    # How often it was looked at with nothing handled between, and how many of these looks came to
    # this
    looks: int = 1
    agreeing: int = 1


def combine_looks(test: Test, events: Sequence[Measured | Inspected]) -> Seen:
    """Sum up looks at one thing, with nothing handled between but by tests.

    They are one observation, in whatever order they were made. Readings are taken at their mean;
    "over limit" only if most of them were. Of differing outcomes of an inspection the one is taken
    that leaves least to slips and to faults overlooked.
    """
    inspected = [event.outcome for event in events if isinstance(event, Inspected)]
    if inspected:
        outcomes = list(test.outcomes)
        slipped = {o: test.slip.get(o, FLOOR) for o in outcomes}
        slipped[outcomes[0]] = max(test.fresh, FLOOR)
        log_chance = {
            shown: math.fsum(math.log(slipped[o]) for o in inspected if o != shown)
            for shown in outcomes
        }
        chosen = max(outcomes, key=lambda shown: (log_chance[shown], outcomes.index(shown)))
        return Seen(chosen, looks=len(inspected), agreeing=inspected.count(chosen))
    values = [reading_value(test, event) for event in events if isinstance(event, Measured)]
    finite = [value for value in values if math.isfinite(value)]
    if len(finite) < len(values) - len(finite) or not finite:
        return Seen(value=math.inf, looks=len(values), agreeing=len(values) - len(finite))
    lowest = test.range[0] if test.scale == "log" else -math.inf
    mean = math.fsum(test.on_scale(max(value, lowest)) for value in finite) / len(finite)
    return Seen(value=test.off_scale(mean), looks=len(values), agreeing=len(finite))


class Look(Struct, frozen=True, eq=False):
    """One reading or inspection, number `n` of the job's findings, and what it could see."""

    n: int
    event: Measured | Inspected
    view: View


class Observation(Struct, frozen=True, eq=False):
    """Looks at one thing with nothing handled between, as the first of them could see it.

    They count from the last look on, number `n` of the job's findings.
    """

    n: int
    view: View
    seen: Seen

    def chances(self, value_q: FloatArray = NO_LEVEL) -> Chances:
        """Chances of what was seen, at the nodes of what is shared, shape (level,)."""
        if self.seen.outcome:
            return inspection_chances(self.view, self.seen)
        return reading_chances(self.view, self.seen, value_q)

    def term(self, value_q: FloatArray | None) -> Term:
        """Term of what was seen; `value_q` are nodes of the level that it is relative to."""
        if value_q is None:
            chances = self.chances()
        elif self.seen.outcome:
            chances = self.chances().at(value_q.astype(np.int64))
        else:
            chances = self.chances(value_q)
        return judge(self.view, chances, self.seen.looks)


def observations(looks: Sequence[Look]) -> list[Observation]:
    """Sum up what repeats itself among the looks of a job, in their order."""
    by_key: dict[tuple[object, ...], list[Look]] = {}
    for one in looks:
        by_key.setdefault(one.view.key, []).append(one)
    return [
        Observation(
            some[-1].n, view := some[0].view, combine_looks(view.test, [one.event for one in some])
        )
        for some in by_key.values()
    ]


# What that weighs ---------------------------------------------------------------------------------


class Chances(Struct, frozen=True, eq=False):
    """How likely each profile makes what was seen."""

    # (level, profile): chance, or density on the test's scale, of just that. Positive.
    exact_qp: FloatArray
    # (level,): chance that a good one shows that, or departs less; 1 where the first cause decides,
    # and for readings
    good_upto_q: FloatArray
    # (profile,): how a fault that shows leaves the bit open, and explains it, where what departs
    # farthest from good is seen; None where the first cause decides
    own_parts: tuple[FloatArray, FloatArray] | None
    is_density: bool  # whether it is a reading

    def at(self, node_q: IntArray) -> Chances:
        """Return the chances at some nodes, in that order."""
        exact_qp, good_upto_q = self.exact_qp[node_q], self.good_upto_q[node_q]
        return replace(self, exact_qp=exact_qp, good_upto_q=good_upto_q)


def inspection_chances(view: View, seen: Seen) -> Chances:
    """Chances of a named outcome under each profile, at every node of what all have in common.

    The first node is that sound ones have nothing in common, the others the outcomes that they may
    show alike.
    """
    test, rank = view.test, list(view.test.outcomes).index(seen.outcome)
    tables = [outcome_table(test, view.profiles, seen.agreeing, c) for c in ("", *test.alike)]
    exact_qp = np.stack([chance_po[:, rank] for chance_po in tables])
    if not are_steps(test):
        return Chances(exact_qp, np.ones(len(tables)), None, is_density=False)
    good_upto_q = np.array([np.cumsum(chance_po[0])[rank] for chance_po in tables])
    open_po, explain_po = own_parts(tables[0])
    own = open_po[:, rank], explain_po[:, rank]
    return Chances(exact_qp, good_upto_q, own, is_density=False)


def reading_chances(view: View, seen: Seen, offset_q: FloatArray = NO_LEVEL) -> Chances:
    """Chances of a reading under each profile, at offsets of the shared level on the test's scale.

    Densities on that scale, of the value or of its natural log, or chances where the meter shows
    "over limit". A sound thing reads like a faulty one with the test's chance of coincidence, a
    faulty one like a sound one with `FLOOR`.
    """
    test = view.test
    curves = [averaged(test, test.curves[name], seen.agreeing) for name in view.profiles]
    density_qp = np.stack([density(test, curve, seen.value, offset_q) for curve in curves], axis=1)
    exact_qp = _mixed(view, seen, density_qp, float(math.isinf(seen.value)))
    all_q = np.ones(len(exact_qp))
    if test.level:
        return Chances(exact_qp, all_q, None, is_density=True)
    less_p = np.array([departing_less(test, curve, seen.value) for curve in curves])
    nearer_p = _mixed(view, seen, less_p[None])[0]
    if nearer_p[0] <= MIDMOST:
        nearer_p = exact_qp[0]
    own = own_part(nearer_p / nearer_p[0], exact_qp[0])
    return Chances(exact_qp, all_q, own, is_density=True)


def _mixed(view: View, seen: Seen, of_qp: FloatArray, of_over: float = 0.0) -> FloatArray:
    """Let sound ones now and then read like faulty ones, and the other way round.

    `of_over` is the chance of the same where a slip makes the meter show "over limit".
    """
    test = view.test
    over = test.slip.get(OVER_LIMIT, 0.0) ** seen.agreeing
    like_p = test.coincidence * view.share_p
    like_p = like_p + [test.slip.get(name, 0.0) ** seen.agreeing for name in view.profiles]
    good_q = (1.0 - like_p.sum() - over) * of_qp[:, 0] + of_qp @ like_p
    good_q = good_q + over * of_over
    out: FloatArray = (1.0 - FLOOR) * of_qp + FLOOR * good_q[:, None]
    out[:, 0] = good_q
    return np.maximum(out, TINY)


def judge(view: View, chances: Chances, looks: int = 1) -> Term:
    """Turn what was seen into a term.

    A present fault that shows draws what its profile says, the rest of the engine what `good`
    says; what departs farthest from good is what is seen, so that faults that show together count
    alike in any order. Only where a reading is relative to a shared level, or outcomes are no steps
    away from the usual one, does the first cause in the order of elements decide. A fault that was
    missed in one of several looks may show in the next.

    Notes
    -----
    With ``m`` the chance of being missed and ``G`` that a cause's own part departs less, see
    `swapinfer.evidence.profiles.own_part`, the bit stays open with ``m + (1 - m) G``; the good
    draw's ``f`` closes it, and what ``f`` has beyond ``G f_good`` explains it.
    """
    shows_es = view.shown_es(looks)
    close_q2 = np.stack([chances.exact_qp[:, 0], chances.good_upto_q], axis=1)
    if chances.own_parts is None:
        ones = np.ones_like(shows_es)
        shown = view.profile_es, chances.exact_qp
        return Term(1.0 - shows_es, shows_es, ones, close_q2, *shown)
    open_p, explain_p = chances.own_parts
    open_es = (1.0 - shows_es) + shows_es * open_p[view.profile_es]
    explain_es = shows_es * explain_p[view.profile_es]
    explained_es = open_es if chances.is_density else open_es + explain_es
    return Term(open_es, explain_es, explained_es, close_q2)
