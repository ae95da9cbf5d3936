"""What a pack says, as the words and arrays that learning starts from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.evidence.profiles import chances_of, profile_of
from swapinfer.pack.hazard import cause_chances, cause_modes, mode_prior_draws
from swapinfer.pack.model import GOOD, Mode, Pack, Test

NEVER = 1e-12
"""Share of a cause that an engine cannot have; keeps logs finite."""


MAX_FAMILIES = 12
"""Families that the models tell apart; rarer ones are pooled as one."""
OTHER = "other"
"""Family of all vehicles whose family is too rare to be one of the model's."""
AGE_BANDS_KM = (60_000.0, 120_000.0, 180_000.0)
"""Edges of the age bands; a missing odometer is a band of its own."""
AGE_BANDS = ("to-60", "60-120", "120-180", "over-180", "unknown")
"""In thousands of kilometres."""
AGE_MIDDLES_KM = (35_000.0, 90_000.0, 150_000.0, 220_000.0)
"""Odometer at which the base pack is evaluated for each band but the last."""


class Cell(NamedTuple):
    """What a job's chances of causes depend on."""

    layout: str
    ignition: str
    fuel: str
    family: str
    age: str
    complaint: str


class Vocabulary(Struct, frozen=True):
    """Words that a history may use.

    Causes are ``"kind.mode"``; `outcomes` are those of each test (bands of a reading), `fitments`
    what ``ignition`` and ``fuel`` may be, `needs` those with which alone a cause exists.
    """

    causes: tuple[str, ...]
    outcomes: dict[str, tuple[str, ...]]
    layouts: tuple[str, ...]
    fitments: dict[str, tuple[str, ...]]
    needs: dict[str, dict[str, tuple[str, ...]]]

    @property
    def shown(self) -> tuple[str, ...]:
        """Every outcome of every test, as ``"test=outcome"``, in the order of outcome numbers."""
        return tuple(f"{test}={name}" for test, names in self.outcomes.items() for name in names)


def titles_of(pack: Pack) -> dict[str, str]:
    """Kinds, and their modes by ``"kind.mode"``, as a person says them."""
    kinds = {kind.id: kind.title for kind in pack.kinds.values()}
    return kinds | {
        f"{kind.id}.{mode.id}": f"{kind.title}: {mode.title}"
        for kind in pack.kinds.values()
        for mode in kind.modes.values()
    }


def pack_text(pack: Pack) -> str:
    """Name a pack that was learned on."""
    return f"pack {pack.name} {pack.version} ({pack.digest[:12]})"


def vocabulary(pack: Pack) -> Vocabulary:
    """Words that a history may use under a pack."""
    return Vocabulary(
        causes=tuple(cause_modes(pack)),
        outcomes={test.id: outcome_names(test) for test in pack.tests.values()},
        layouts=tuple(pack.layouts),
        fitments={axis: tuple(values) for axis, values in pack.fitments.items()},
        needs={
            f"{kind.id}.{mode}": kind.fitted for kind in pack.kinds.values() for mode in kind.modes
        },
    )


def outcome_names(test: Test) -> tuple[str, ...]:
    """Outcomes of an inspection, or bands of a reading."""
    return tuple(band.id for band in test.bands) if test.form == "reading" else tuple(test.outcomes)


def base_shares(pack: Pack, cells: tuple[Cell, ...]) -> FloatArray:
    """Chance of each cause, given one, in each cell, at the median rates; shape (cell, cause).

    Proportional to the number of elements times the chance that the mode appeared in the pack's
    exposure window at the middle of the age band; an unknown age is the pack's. Causes that the
    cell's engine cannot have get `NEVER`.
    """
    exposure_km = pack.running.exposure_km

    @cache
    def chances(layout: str, ignition: str, fuel: str, age: str) -> FloatArray:
        known = age != AGE_BANDS[-1]
        age_km = AGE_MIDDLES_KM[AGE_BANDS.index(age)] if known else pack.running.odometer_km

        def at_median(mode: Mode) -> float:
            return float(mode_prior_draws(mode, age_km, exposure_km, np.zeros(1))[0])

        fitment = {"ignition": ignition, "fuel": fuel}
        return np.array(list(cause_chances(pack, layout, fitment, at_median).values()))

    chance_gc = np.stack([chances(*cell[:3], cell.age) for cell in cells])
    share_gc = np.maximum(chance_gc / chance_gc.sum(axis=1, keepdims=True), NEVER)
    out: FloatArray = share_gc / share_gc.sum(axis=1, keepdims=True)
    return out


def shop_sd(pack: Pack, causes: Sequence[str], weight: float = 1.0) -> FloatArray:
    """How far a shop's log hazards may lie from the pack's, whose precision is weighted.

    By the pack's spreads of life, and of the hazard ratio, where it was learned before.
    """
    modes = [cause_modes(pack)[cause] for cause in causes]
    life = [mode.shape * math.log(mode.life_km.spread) for mode in modes]
    out: FloatArray = np.hypot(life, [math.log(mode.hazard_ratio.spread) for mode in modes])
    return out / math.sqrt(weight)


class Tests(Struct, frozen=True, eq=False):
    """What every test shows under every cause.

    A *unit* is one profile of one test, a *slot* one outcome of one unit, ``o`` an outcome through
    all tests. Only an inspection is `learnable`, not a reading's curve. `seen_oc` and `unseen_oc`
    are slots under the cause's profile and that of a thing in order, `visible_oc` the part of the
    time it shows.
    """

    units: tuple[tuple[str, str], ...]
    outcomes: tuple[tuple[str, ...], ...]
    base: tuple[FloatArray, ...]
    learnable: tuple[bool, ...]
    seen_oc: IntArray
    unseen_oc: IntArray
    visible_oc: FloatArray

    @property
    def chance_oc(self) -> FloatArray:
        """The pack's chance of each outcome under each cause; shape (outcome, cause)."""
        slot = np.concatenate(self.base)
        out: FloatArray = (
            self.visible_oc * slot[self.seen_oc] + (1 - self.visible_oc) * slot[self.unseen_oc]
        )
        return out


def describe_tests(pack: Pack) -> Tests:
    """Lay the tests of a pack out as arrays."""
    units, outcomes, base, start, slots = [], [], [], {}, 0
    for test in pack.tests.values():
        for profile in test.profiles:
            chances = shares_of(test, profile)
            start[test.id, profile] = slots
            slots += len(chances)
            units.append((test.id, profile))
            outcomes.append(tuple(chances))
            base.append(np.array(list(chances.values())))

    def shows(test: Test, cause: str, mode: Mode) -> float:
        if profile_of(test.sees, *cause.split(".")) == GOOD:
            return 0.0
        return math.fsum(share * (1.0 - test.miss[name]) for name, share in mode.severity.items())

    causes = cause_modes(pack)
    rows = [
        (
            [start[test.id, profile_of(test.sees, *cause.split("."))] + at for cause in causes],
            [start[test.id, GOOD] + at for _ in causes],
            [shows(test, cause, mode) for cause, mode in causes.items()],
        )
        for test in pack.tests.values()
        for at in range(len(outcome_names(test)))
    ]
    seen, unseen, visible = zip(*rows, strict=True)
    return Tests(
        units=tuple(units),
        outcomes=tuple(outcomes),
        base=tuple(base),
        learnable=tuple(pack.tests[test].form == "inspection" for test, _ in units),
        seen_oc=np.array(seen),
        unseen_oc=np.array(unseen),
        visible_oc=np.array(visible),
    )


def shares_of(test: Test, profile: str) -> dict[str, float]:
    """Chance of each outcome or band under a profile, in `outcome_names` order."""
    chances = chances_of(test, profile)
    names = outcome_names(test)
    total = math.fsum(chances[name] for name in names)
    return {name: chances[name] / total for name in names}
