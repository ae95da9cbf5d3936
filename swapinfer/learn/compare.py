"""Two packs side by side: which numbers differ, by how much, and what it would have cost."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

import numpy as np
from msgspec import Struct

from swapinfer.errors import LearnError
from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.counts import Cell
from swapinfer.learn.prior import base_shares, cause_modes, chances_of
from swapinfer.pack.model import Mode, Pack

Job = TypeVar("Job")


class CauseChange(Struct, frozen=True):
    """How a cause differs between two packs.

    Attributes
    ----------
    cause : str
        ``"kind.mode"``.
    hazard_factor : float
        Median cumulative hazard in the second pack over the first, at the same age.
    spread_before, spread_after : float
        Geometric standard deviations of the hazard.
    share_before, share_after : float
        Chance given a complaint in the engine asked for; 0 when it cannot have the cause.
    """

    cause: str
    hazard_factor: float
    spread_before: float
    spread_after: float
    share_before: float
    share_after: float


class ChanceChange(Struct, frozen=True):
    """How an outcome's chance differs between two packs."""

    test: str
    profile: str
    outcome: str
    before: float
    after: float


def compare_causes(before: Pack, after: Pack, cell: Cell) -> tuple[CauseChange, ...]:
    """List the causes whose hazard differs.

    Parameters
    ----------
    before, after : Pack
        To compare; causes that only one of them knows are left out.
    cell : Cell
        Engine and age band for which shares are told.

    Returns
    -------
    tuple of CauseChange
        Largest change of share first.
    """
    old, new = cause_modes(before), cause_modes(after)
    old_share, new_share = (
        dict(zip(cause_modes(pack), base_shares(pack, (cell,))[0], strict=True))
        for pack in (before, after)
    )
    changes = [
        CauseChange(
            cause=cause,
            hazard_factor=_hazard(new[cause]) / _hazard(old[cause]),
            spread_before=_spread(old[cause]),
            spread_after=_spread(new[cause]),
            share_before=float(old_share[cause]),
            share_after=float(new_share[cause]),
        )
        for cause in old
        if cause in new and old[cause] != new[cause]
    ]
    return tuple(sorted(changes, key=lambda one: -abs(one.share_after - one.share_before)))


def _hazard(mode: Mode) -> float:
    """Median cumulative hazard up to the first pack's usual distance unit, up to a constant."""
    return float(mode.hazard_ratio.median * (1e5 / mode.life_km.median) ** mode.shape)


def _spread(mode: Mode) -> float:
    log_sd = np.hypot(mode.shape * np.log(mode.life_km.spread), np.log(mode.hazard_ratio.spread))
    return float(np.exp(log_sd))


def compare_chances(before: Pack, after: Pack) -> tuple[ChanceChange, ...]:
    """List the outcome chances that differ, largest change first."""
    changes = []
    for test in before.tests.values():
        other = after.tests.get(test.id)
        if other is None or other == test:
            continue
        for profile in test.profiles:
            if profile in other.profiles:
                old, new = chances_of(test, profile), chances_of(other, profile)
                changes += [
                    ChanceChange(test.id, profile, name, old[name], new[name])
                    for name in old
                    if name in new and old[name] != new[name]
                ]
    return tuple(sorted(changes, key=lambda one: -abs(one.after - one.before)))


class Replay(Struct, frozen=True):
    """Past jobs worked again under two packs.

    Attributes
    ----------
    jobs : int
        How many.
    cost_before, cost_after : float
        Mean cost of a job.
    saved : float
        Mean cost saved per job by the second pack; negative when it costs more.
    low, high : float
        90 % bootstrap interval of it.
    changed : int
        Jobs whose next step differs.
    """

    jobs: int
    cost_before: float
    cost_after: float
    saved: float
    low: float
    high: float
    changed: int


def replay_jobs(
    jobs: Iterable[Job],
    before: Callable[[Job], tuple[str, float]],
    after: Callable[[Job], tuple[str, float]],
    *,
    seed: int,
) -> Replay:
    """Work past jobs again under two packs.

    Parameters
    ----------
    jobs : iterable
        Jobs, whatever the callables take; gone through once.
    before, after : callable
        From a job to its first step and its cost, under either pack.
    seed : int
        Of the bootstrap.

    Returns
    -------
    Replay

    Raises
    ------
    LearnError
        If there is no job.

    Notes
    -----
    Costs of one job under both packs are paired, so the interval is of the mean difference:
    percentile bootstrap, 2,000 resamples (Efron, Annals of Statistics 7, 1979).
    """
    pairs = [(before(job), after(job)) for job in jobs]
    if not pairs:
        raise LearnError("there is no past job to work again")
    saved_j: FloatArray = np.array([old[1] - new[1] for old, new in pairs])
    rng = np.random.default_rng(seed)
    means = np.array([rng.choice(saved_j, size=len(saved_j)).mean() for _ in range(2000)])
    low, high = np.quantile(means, [0.05, 0.95])
    return Replay(
        jobs=len(pairs),
        cost_before=float(np.mean([old[1] for old, _ in pairs])),
        cost_after=float(np.mean([new[1] for _, new in pairs])),
        saved=float(saved_j.mean()),
        low=float(low),
        high=float(high),
        changed=sum(old[0] != new[0] for old, new in pairs),
    )
