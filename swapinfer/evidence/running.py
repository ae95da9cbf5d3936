"""What a period of running says: which cylinders misfired, how often, and how it felt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, expm1, log

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.evidence.states import StateSpace, fitted_at
from swapinfer.evidence.terms import Factor, Term, at_least_one, none_at_all
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Feeling, Running


@dataclass(frozen=True)
class Drive:
    """A run, real or supposed, in one arrangement.

    Attributes
    ----------
    minutes : float
        Running time.
    conditions : tuple of str
        Condition tags.
    fitted : mapping of str to str
        Place to element.
    time : int
        Index in the job's time.
    handled : tuple of int
        Elements supposed to be disturbed just before it.
    """

    minutes: float
    conditions: tuple[str, ...]
    fitted: Mapping[str, str]
    time: int
    handled: tuple[int, ...] = ()


def reach_ec(engine: Engine, space: StateSpace, fitted: Mapping[str, str]) -> FloatArray:
    """Say which cylinders each element serves in an arrangement.

    Returns
    -------
    ndarray of float, shape (element, cylinder)
        1 where it does; a part on the bench serves none.
    """
    out = np.zeros((len(space.elements), len(engine.layout.cylinders)))
    for e, place in fitted_at(space, fitted).items():
        out[e, [cylinder - 1 for cylinder in engine.places[place].cylinders]] = 1.0
    return out


def blame_cc(engine: Engine, running: Running) -> FloatArray:
    """Share of an episode in one cylinder that the control unit books on another.

    Returns
    -------
    ndarray of float, shape (cylinder at fault, cylinder blamed)
        Rows sum to 1.
    """
    share = running.misattribution
    out = np.eye(len(engine.layout.cylinders)) * (1.0 - 2.0 * share)
    for cylinder in engine.layout.cylinders:
        for neighbour in engine.layout.firing_neighbours(cylinder):
            out[cylinder - 1, neighbour - 1] += share
    return out


def expected_episodes(
    engine: Engine, running: Running, space: StateSpace, drive: Drive
) -> FloatArray:
    """Misfire episodes that each state of each element lays on each cylinder in a drive.

    Returns
    -------
    ndarray of float, shape (cylinder, element, state)
        Mean of a Poisson number.
    """
    blamed_ec = reach_ec(engine, space, drive.fitted) @ blame_cc(engine, running)
    active_es = space.active_es(drive.time, drive.handled)
    mean_es = space.rate_es * space.multiplier_es(drive.conditions) * active_es * drive.minutes
    out: FloatArray = blamed_ec.T[:, :, None] * mean_es
    return out


def shown_es(space: StateSpace, drive: Drive) -> FloatArray:
    """Chance that each state shows itself at all in a drive, shape (element, state)."""
    active_es = space.active_es(drive.time, drive.handled)
    rate_es = space.show_rate_es * space.multiplier_es(drive.conditions) * active_es
    out: FloatArray = -np.expm1(-rate_es * drive.minutes)
    return out


def leak_chance(running: Running, minutes: float, cylinders: int = 1) -> float:
    """Chance of a misfire code that no modelled fault accounts for."""
    return -expm1(-running.leak_per_min * minutes * cylinders)


def read_misfires(
    expected_ces: FloatArray,
    cylinders: Iterable[int],
    minutes: float,
    misfired: frozenset[int],
    running: Running,
) -> list[Term | Factor]:
    """Take in which cylinders have a misfire code after a drive and which have none.

    Parameters
    ----------
    expected_ces : ndarray of float, shape (cylinder, element, state)
        From `expected_episodes`.
    cylinders : iterable of int
        Numbers of those for which the codes speak.
    minutes : float
        Running time.
    misfired : frozenset of int
        Cylinder numbers with a code.
    running : Running
        Leak.
    """
    leak = leak_chance(running, minutes)
    return [
        at_least_one(expected_ces[c - 1], leak)
        if c in misfired
        else none_at_all(expected_ces[c - 1], leak)
        for c in cylinders
    ]


def read_random_only(
    expected_ces: FloatArray, cylinders: Sequence[int], minutes: float, running: Running
) -> Term:
    """Take in a misfire code that names no cylinder: one of these cylinders misfired."""
    leak = leak_chance(running, minutes, len(cylinders))
    return at_least_one(expected_ces[[c - 1 for c in cylinders]].sum(axis=0), leak)


def feel(mean_es: FloatArray, word: Feeling, leak: float = 0.0) -> Term:
    """Take in a word for how a drive felt: likelier, or less so, if any cylinder misfired.

    Parameters
    ----------
    mean_es : ndarray of float, shape (element, state)
        Expected episodes in all cylinders together.
    word : Feeling
        Chance of the word with and without an episode.
    leak : float
        Chance of an episode that no modelled fault accounts for.
    """
    unexplained = word.without * (1.0 - leak) + word.with_misfire * leak
    ones = np.ones_like(mean_es)
    close = unexplained, word.with_misfire
    return Term.plain(np.exp(-mean_es), -np.expm1(-mean_es), ones, close)


def suspect(mean_es: FloatArray, right: float, leak: float) -> Term:
    """Take in that someone heard or felt a cylinder misfire, without a code to say so.

    Parameters
    ----------
    mean_es : ndarray of float, shape (element, state)
        Expected episodes in that cylinder.
    right : float
        Chance that the ear is right; otherwise it says nothing about the cylinder.
    leak : float
        Chance of an episode that no modelled fault accounts for.

    Notes
    -----
    The likelihood is ``right * misfired + (1 - right)``, with ``misfired`` 1 or 0.
    """
    return feel(mean_es, Feeling("", "", 1.0, 1.0 - right), leak)


def count_misfires(
    space: StateSpace, mean_es: FloatArray, minutes: float, count: int, running: Running
) -> Term | Factor:
    """Take in one cylinder's misfire counter.

    The count is the largest of the causes' independent counts. A cause has no episode with
    probability ``exp(-mean)`` and then counts nothing; otherwise its count is negative binomial
    with its severity's mean a minute and dispersion.

    Parameters
    ----------
    space : StateSpace
        Severities.
    mean_es : ndarray of float, shape (element, state)
        Expected episodes laid on the cylinder.
    minutes : float
        Time over which the counter ran.
    count : int
        What it shows.
    running : Running
        Background count.
    """
    background = negative_binomial(
        running.leak_counts_per_min * minutes, running.leak_dispersion, count
    )
    quiet_es = np.exp(-mean_es)
    loud_es = -np.expm1(-mean_es)
    pairs = [(0.0, 0.0)] + [
        negative_binomial(v.counts_per_min * minutes, v.dispersion, count) for v in space.severities
    ]
    below_es, exactly_es = np.moveaxis(np.array(pairs)[space.severity_es], -1, 0)
    exactly_es = loud_es * exactly_es + (quiet_es if count == 0 else 0.0)
    if count == 0:
        return Factor(np.log(exactly_es), log(background[1]))
    below_es = loud_es * below_es + quiet_es
    close = background[1], background[0] + background[1]
    return Term.plain(below_es, exactly_es, below_es + exactly_es, close)


def negative_binomial(mean: float, size: float, count: int) -> tuple[float, float]:
    """Chance of fewer than, and of exactly, `count` under a negative binomial.

    Parameters
    ----------
    mean : float
        Mean count, positive.
    size : float
        Dispersion: variance is ``mean + mean**2 / size``.
    count : int
        At least 0.

    Returns
    -------
    (float, float)
        Both floored at 1e-300, so that no count is impossible.

    References
    ----------
    Hilbe, J. M. (2011), Negative Binomial Regression, 2nd ed., section 8.1 (NB2).
    """
    k = np.arange(count + 1)
    ratio = np.log((k[:-1] + size) / (k[:-1] + 1) * mean / (mean + size))
    start = size * log(size / (mean + size))
    log_pmf = np.concatenate([[start], start + np.cumsum(ratio)])
    below = float(np.exp(log_pmf[:-1]).sum())
    return max(below, 1e-300), max(exp(float(log_pmf[-1])), 1e-300)
