"""One call from a history, or from a fleet's exposure, to a folder with an overlay and a report."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from swapinfer.errors import LearnError
from swapinfer.learn.counts import History, count_history
from swapinfer.learn.history import Learned, learn_history
from swapinfer.learn.lives import LearnedLives, learn_exposure, read_exposure
from swapinfer.learn.overlay import history_overlay, lives_overlay
from swapinfer.learn.prior import vocabulary
from swapinfer.learn.report import history_html, lives_html
from swapinfer.learn.sampling import Fit, Sampling, Starting, quietly, save_draws
from swapinfer.learn.tables import release_memory
from swapinfer.pack.model import Pack

OVERLAY, REPORT, REFUSED = "overlay.toml", "report.html", "refused.csv"
"""Files in the folder that learning writes, beside the draws of each model."""


class LearnResult(Struct, frozen=True, eq=False):
    """What learning from closed jobs wrote.

    Attributes
    ----------
    overlay, report, refused : Path
        Files.
    draws : dict of str to Path
        Zarr stores in the ArviZ layout.
    learned : Learned
        The numbers behind them.
    """

    overlay: Path
    report: Path
    refused: Path
    draws: dict[str, Path]
    learned: Learned


class LivesResult(Struct, frozen=True, eq=False):
    """What learning lives wrote; as `LearnResult`."""

    overlay: Path
    report: Path
    refused: Path
    draws: dict[str, Path]
    learned: LearnedLives


def learn_overlay(  # noqa: PLR0913  what is learned from, how, and what is seen of it
    history: History,
    pack: Pack,
    *,
    seed: int,
    out: Path,
    weight: float = 1.0,
    family: str = "",
    sampling: Sampling | None = None,
    progress: bool = False,
    starting: Starting = quietly,
) -> LearnResult:
    """Learn a shop's priors from its closed jobs.

    Parameters
    ----------
    history : History
        Tables of jobs and findings.
    pack : Pack
        Base pack, the prior.
    seed : int
        The same seed on the same data and libraries gives the same overlay.
    out : Path
        Folder to write to; it is made if need be.
    weight : float
        What the base pack's precision is multiplied by; 1 takes its spreads as they stand.
    family : str
        Learn for this vehicle family; empty for the shop's whole mix.
    sampling : Sampling, optional
        Settings of the first attempt.
    progress : bool
        Whether to show progress bars.
    starting : callable
        Called when everything has been looked at and sampling is next.

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
    counts = count_history(history, vocabulary(pack), refused_to=out / REFUSED)
    release_memory()
    learned = learn_history(
        counts,
        pack,
        seed=seed,
        weight=weight,
        family=family,
        sampling=sampling,
        progress=progress,
        starting=starting,
    )
    files = _write(out, learned.fits, history_html(learned), history_overlay(learned))
    return LearnResult(*files, learned)


def learn_lives(
    table: Path,
    pack: Pack,
    *,
    seed: int,
    out: Path,
    sampling: Sampling | None = None,
    progress: bool = False,
    starting: Starting = quietly,
) -> LivesResult:
    """Learn lives and shapes of the modes of every kind whose exposure is known.

    Parameters
    ----------
    table : Path
        Exposure of the fleet, with the columns of `swapinfer.learn.tables.EXPOSURE`.
    pack : Pack
        Base pack, the prior.
    seed : int
        The same seed on the same data and libraries gives the same overlay.
    out : Path
        Folder to write to; it is made if need be.
    sampling : Sampling, optional
        Settings of the first attempt.
    progress : bool
        Whether to show progress bars.
    starting : callable
        Called when everything has been looked at and sampling is next.

    Returns
    -------
    LivesResult

    Raises
    ------
    LearnError
        If the table cannot be read or the sampler does not become healthy; then no overlay is
        written.
    """
    out.mkdir(parents=True, exist_ok=True)
    exposure = read_exposure(table, pack, refused_to=out / REFUSED)
    learned = learn_exposure(
        exposure, pack, seed=seed, sampling=sampling, progress=progress, starting=starting
    )
    files = _write(out, {"lives": learned.fitted}, lives_html(learned), lives_overlay(learned))
    return LivesResult(*files, learned)


def _write(
    out: Path, fits: dict[str, Fit], report: str, overlay: str
) -> tuple[Path, Path, Path, dict[str, Path]]:
    draws = {name: out / f"draws-{name}.zarr" for name in fits}
    for name, path in draws.items():
        save_draws(fits[name].trace, path)
    (out / REPORT).write_text(report, encoding="utf-8")
    (out / OVERLAY).write_text(overlay, encoding="utf-8")
    return out / OVERLAY, out / REPORT, out / REFUSED, draws
