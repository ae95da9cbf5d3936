"""Invented histories whose truth is known: for calibration, benchmarks and the demo.

They are drawn from the same assumptions as the models make: each job has one true cause, findings
are independent given it, whether anybody verifies a cause depends on what was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.prior import (
    AGE_BANDS,
    AGE_MIDDLES_KM,
    Cell,
    Tests,
    Vocabulary,
    base_shares,
)
from swapinfer.learn.tables import FINDINGS, JOBS

if TYPE_CHECKING:
    import pandas as pd

    from swapinfer.pack.model import Pack

PLACE = "1"
FIRST_DAY = np.datetime64("2023-01-02")


@dataclass(frozen=True, slots=True)
class Fleet:
    """An invented shop's vehicles and habits.

    Attributes
    ----------
    families : dict of str to tuple of str
        Family to layout, ignition and fuel.
    complaints : tuple of str
        What customers complain of, regardless of the cause.
    log_ratio_lc : ndarray of float, shape (family, cause)
        True log hazard ratio of each cause in each family.
    findings_per_job : float
        Mean number of tests made on a job.
    verified : float
        Chance that a cause is established and verified.
    wrong : float
        Chance that an established cause is not the true one.
    returns_if_right, returns_if_wrong : float
        Chance of a comeback.
    missing_odometer : float
        Share of jobs without an odometer reading.
    days : int
        Length of the history.
    """

    families: dict[str, tuple[str, str, str]]
    complaints: tuple[str, ...]
    log_ratio_lc: FloatArray
    findings_per_job: float = 2.0
    verified: float = 0.75
    wrong: float = 0.04
    returns_if_right: float = 0.02
    returns_if_wrong: float = 0.6
    missing_odometer: float = 0.08
    days: int = 3 * 365


@dataclass(frozen=True, slots=True)
class Drawn:
    """An invented history.

    Attributes
    ----------
    jobs, findings : DataFrame
        The two tables.
    true_cause_j : ndarray of int, shape (job,)
        What was really wrong, first visits only.
    """

    jobs: pd.DataFrame
    findings: pd.DataFrame
    true_cause_j: IntArray


def true_shares(fleet: Fleet, pack: Pack) -> tuple[tuple[Cell, ...], FloatArray]:
    """Cells of a fleet's first complaint, and the true chance of each cause in them."""
    cells = tuple(
        Cell(*engine, family, age, "")
        for family, engine in fleet.families.items()
        for age in AGE_BANDS
    )
    log_ratio_gc = np.repeat(fleet.log_ratio_lc, len(AGE_BANDS), axis=0)
    share_gc = base_shares(pack, cells) * np.exp(log_ratio_gc)
    return cells, share_gc / share_gc.sum(axis=1, keepdims=True)


def draw_history(
    fleet: Fleet, pack: Pack, words: Vocabulary, tests: Tests, *, jobs: int, seed: int
) -> Drawn:
    """Draw a history.

    Parameters
    ----------
    fleet : Fleet
        Vehicles and habits.
    pack : Pack
        Base pack.
    words : Vocabulary
        Of the pack.
    tests : Tests
        Of the pack.
    jobs : int
        First visits.
    seed : int
        The same seed gives the same history.

    Returns
    -------
    Drawn
    """
    rng = np.random.default_rng(seed)
    cells, share_gc = true_shares(fleet, pack)
    family_j = rng.integers(len(fleet.families), size=jobs)
    known_age_j = rng.choice(len(AGE_MIDDLES_KM), size=jobs, p=[0.15, 0.35, 0.3, 0.2])
    missing_j = rng.random(jobs) < fleet.missing_odometer
    age_j = np.where(missing_j, len(AGE_BANDS) - 1, known_age_j)
    cell_j = family_j * len(AGE_BANDS) + age_j
    cause_j = _draw_rows(rng, share_gc, cell_j)
    verified_j = rng.random(jobs) < fleet.verified
    wrong_j = verified_j & (rng.random(jobs) < fleet.wrong)
    other_j = _draw_rows(rng, share_gc, cell_j)
    label_j = np.where(wrong_j, other_j, cause_j)
    returns_j = verified_j & (
        rng.random(jobs)
        < np.where(label_j == cause_j, fleet.returns_if_right, fleet.returns_if_wrong)
    )
    first = _job_rows(fleet, words, cells, cell_j, np.where(verified_j, label_j, -1), rng)
    jitter = rng.uniform(0.9, 1.1, size=jobs)
    middles = np.asarray(AGE_MIDDLES_KM)[known_age_j] * jitter
    first["odometer_km"] = np.where(missing_j, "", middles.round().astype(int).astype(str))
    again = _comebacks(first, words, cause_j, returns_j)
    return Drawn(
        jobs=_stack([first, again]),
        findings=_findings(fleet, tests, words, first["job"].to_numpy(), cause_j, rng),
        true_cause_j=cause_j,
    )


def _draw_rows(rng: np.random.Generator, share_gc: FloatArray, cell_j: IntArray) -> IntArray:
    """Draw a column for each job from its cell's distribution."""
    cumulative_gc = share_gc.cumsum(axis=1)
    uniform_j = rng.random(len(cell_j))
    out = np.empty(len(cell_j), dtype=np.int64)
    for cell in np.unique(cell_j):
        mine = cell_j == cell
        out[mine] = np.searchsorted(cumulative_gc[cell], uniform_j[mine])
    last = share_gc.shape[1] - 1
    out[out > last] = last
    return out


def _job_rows(
    fleet: Fleet,
    words: Vocabulary,
    cells: tuple[Cell, ...],
    cell_j: IntArray,
    label_j: IntArray,
    rng: np.random.Generator,
) -> pd.DataFrame:
    import pandas as pd

    n = len(cell_j)
    table = np.array(cells, dtype=object)[cell_j]
    names = np.array([*words.causes, "."], dtype=object)[label_j]
    kinds, modes = np.array([name.split(".") for name in [*words.causes, "."]]).T
    day = FIRST_DAY + np.sort(rng.integers(fleet.days, size=n)).astype("timedelta64[D]")
    frame = pd.DataFrame({"job": [f"f{i:07d}" for i in range(n)], "opened": day.astype(str)})
    for at, column in enumerate(("layout", "ignition", "fuel", "family")):
        frame[column] = table[:, at]
    frame["complaint"] = np.array(fleet.complaints, dtype=object)[
        rng.integers(len(fleet.complaints), size=n)
    ]
    frame["place"] = PLACE
    frame["cause_kind"], frame["cause_mode"] = kinds[label_j], modes[label_j]
    frame["verified"] = np.where(names != ".", "yes", "no")
    frame["confirmed_by"] = np.where(names != ".", "repair", "")
    frame["comeback_of"] = ""
    frame["exposure_km"] = ""
    frame["advised"] = "no"
    return frame


def _comebacks(
    first: pd.DataFrame, words: Vocabulary, cause_j: IntArray, returns_j: np.ndarray
) -> pd.DataFrame:
    """Second visits: the true cause is found."""
    again = first.loc[returns_j].copy()
    named = [words.causes[cause].split(".") for cause in cause_j[returns_j]]
    again["comeback_of"] = again["job"]
    again["job"] = again["job"] + "r"
    again["cause_kind"] = [kind for kind, _ in named]
    again["cause_mode"] = [mode for _, mode in named]
    return again


def _findings(
    fleet: Fleet,
    tests: Tests,
    words: Vocabulary,
    job_j: np.ndarray,
    cause_j: IntArray,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Make tests at random; outcomes come by the pack's chances."""
    import pandas as pd

    names = list(words.outcomes)
    sizes = np.array([len(words.outcomes[name]) for name in names])
    starts = np.concatenate([[0], sizes.cumsum()[:-1]])
    number_j = rng.poisson(fleet.findings_per_job, size=len(job_j))
    of_f = np.repeat(np.arange(len(job_j)), number_j)
    test_f = rng.integers(len(names), size=len(of_f))
    chance_oc = tests.chance_oc
    outcome_f = np.zeros(len(of_f), dtype=np.int64)
    for test, (start, size) in enumerate(zip(starts, sizes, strict=True)):
        mine = test_f == test
        by_cause = chance_oc[start : start + size].T
        outcome_f[mine] = _draw_rows(rng, by_cause, cause_j[of_f[mine]])
    sequence_f = np.arange(len(of_f)) - np.repeat(number_j.cumsum() - number_j, number_j)
    shown = np.array([name for test in names for name in words.outcomes[test]], dtype=object)
    frame = pd.DataFrame({"job": job_j[of_f], "sequence": (sequence_f + 1).astype(str)})
    frame["test"] = np.array(names, dtype=object)[test_f]
    frame["target"] = PLACE
    frame["outcome"] = shown[starts[test_f] + outcome_f]
    return frame[list(FINDINGS.names)]


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    return pd.concat(parts, ignore_index=True)[list(JOBS.names)]
