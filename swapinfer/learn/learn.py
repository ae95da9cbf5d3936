"""One call from a history, or from a fleet's exposure, to a folder with an overlay and a report."""

from __future__ import annotations

from pathlib import Path
from typing import Generic, TypeVar

from msgspec import Struct

from swapinfer.errors import LearnError
from swapinfer.learn.counts import History, count_history
from swapinfer.learn.exchange import add_cases, read_cases, write_cases
from swapinfer.learn.history import Learned, learn_history
from swapinfer.learn.lives import LearnedLives, learn_exposure, read_exposure
from swapinfer.learn.overlay import history_overlay, lives_overlay
from swapinfer.learn.prior import vocabulary
from swapinfer.learn.report import history_html, lives_html
from swapinfer.learn.sampling import Fit, Sampling, save_draws
from swapinfer.learn.tables import release_memory
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

OVERLAY, REPORT, REFUSED = "overlay.toml", "report.html", "refused.csv"
CASES = "cases.csv"
"""Files in the folder that learning writes, beside the draws of each model."""


Numbers = TypeVar("Numbers")


class LearnResult(Struct, Generic[Numbers], frozen=True, eq=False):
    """What learning wrote.

    Attributes
    ----------
    overlay, report, refused : Path
        Files.
    draws : dict of str to Path
        Zarr stores in the ArviZ layout.
    learned : Learned or LearnedLives
        The numbers behind them.
    """

    overlay: Path
    report: Path
    refused: Path
    draws: dict[str, Path]
    learned: Numbers


def learn_overlay(
    history: History,
    pack: Pack,
    out: Path,
    sampling: Sampling,
    *,
    weight: float = 1.0,
    family: str = "",
    settings: PlanSettings | None = None,
) -> LearnResult[Learned]:
    """Learn a shop's priors from its closed jobs.

    Parameters
    ----------
    history : History
        Tables of jobs and findings.
    pack : Pack
        Base pack, the prior.
    out : Path
        Folder to write to; it is made if need be.
    sampling : Sampling
        Seed, and settings of the first attempt.
    weight : float
        What the base pack's precision is multiplied by; 1 takes its spreads as they stand.
    family : str
        Learn for this vehicle family; empty for the shop's whole mix.
    settings : PlanSettings, optional
        Shop's figures, for what it would have saved; default the pack's.

    Returns
    -------
    LearnResult

    Raises
    ------
    LearnError
        If the history cannot be read, the family is not in it, or the sampler does not become
        healthy; then no overlay is written.
    """
    if weight <= 0:
        raise LearnError(f"the base pack's weight must be above 0; got {weight:g}")
    out.mkdir(parents=True, exist_ok=True)
    words = vocabulary(pack)
    theirs, bad = read_cases(history.others, words)
    counts = count_history(history, words, refused_to=out / REFUSED, refused_before=bad)
    write_cases(counts, out / CASES)
    counts = add_cases(counts, theirs)
    release_memory()
    settings = settings or PlanSettings(costs=pack.costs)
    learned = learn_history(counts, pack, sampling, settings=settings, weight=weight, family=family)
    return _write(out, learned, learned.fits, history_html(learned), history_overlay(learned))


def learn_lives(
    table: Path, pack: Pack, out: Path, sampling: Sampling, family: str = ""
) -> LearnResult[LearnedLives]:
    """Learn lives and shapes of the modes of every kind whose exposure is known.

    Parameters
    ----------
    table : Path
        Exposure of the fleet, with the columns of `swapinfer.learn.tables.EXPOSURE`.
    pack : Pack
        Base pack, the prior.
    out : Path
        Folder to write to; it is made if need be.
    sampling : Sampling
        Seed, and settings of the first attempt.
    family : str, optional
        Family whose lives are learned, pooled with the others'; default the fleet's whole mix.

    Returns
    -------
    LearnResult

    Raises
    ------
    LearnError
        If the table cannot be read, the family is not in it, or the sampler does not become
        healthy; then no overlay is written.
    """
    out.mkdir(parents=True, exist_ok=True)
    exposure = read_exposure(table, pack, refused_to=out / REFUSED)
    learned = learn_exposure(exposure, pack, sampling, family)
    fits = {"lives": learned.fitted}
    return _write(out, learned, fits, lives_html(learned), lives_overlay(learned))


def _write(
    out: Path, learned: Numbers, fits: dict[str, Fit], report: str, overlay: str
) -> LearnResult[Numbers]:
    draws = {name: out / f"draws-{name}.zarr" for name in fits}
    for name, path in draws.items():
        save_draws(fits[name].trace, path)
    (out / REPORT).write_text(report, encoding="utf-8")
    (out / OVERLAY).write_text(overlay, encoding="utf-8")
    return LearnResult(out / OVERLAY, out / REPORT, out / REFUSED, draws, learned)
