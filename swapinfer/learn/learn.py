"""One call from a history to an overlay and its report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from swapinfer.errors import LearnError, near_match
from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn import compat
from swapinfer.learn.base import Tests, describe_tests, vocabulary
from swapinfer.learn.counts import Counts, History, count_history
from swapinfer.learn.fit import Fit, Sampling, Starting, fit, quietly
from swapinfer.learn.models import CauseCounts, CausePriors, cause_model, reliability_model
from swapinfer.learn.overlay import Provenance, overlay_text, provenance_of
from swapinfer.learn.prepare import all_causes, cause_priors, prepare_causes, prepare_outcomes
from swapinfer.learn.ratios import (
    LearnedCause,
    LearnedChance,
    ShareDraws,
    draw_shares,
    learned_causes,
    learned_chances,
)
from swapinfer.learn.tables import release_memory
from swapinfer.pack.model import Pack

OVERLAY, REPORT, REFUSED = "overlay.toml", "report.html", "refused.csv"
"""Files in the folder that learning writes."""


@dataclass(frozen=True, slots=True)
class Learned:
    """Everything that the report needs, in memory.

    Attributes
    ----------
    counts : Counts
        Of the history.
    data : CauseCounts
        What the cause model was fitted to.
    priors : CausePriors
        Its priors.
    shares : ShareDraws
        Draws of the chance of each cause.
    causes : tuple of LearnedCause
        Summaries.
    chances : tuple of LearnedChance
        Summaries.
    fits : dict of str to Fit
        ``"causes"``, and ``"tests"`` when there were findings.
    provenance : Provenance
        Of all of it.
    titles : dict of str to str
        Kinds and causes as a person says them.
    """

    counts: Counts
    data: CauseCounts
    priors: CausePriors
    shares: ShareDraws
    causes: tuple[LearnedCause, ...]
    chances: tuple[LearnedChance, ...]
    fits: dict[str, Fit]
    provenance: Provenance
    titles: dict[str, str]


@dataclass(frozen=True, slots=True)
class LearnResult:
    """What learning wrote.

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
    from swapinfer.learn.report import report_html

    if weight <= 0:
        raise LearnError(f"the base pack's weight must be above 0; got {weight:g}")
    out.mkdir(parents=True, exist_ok=True)
    refused = out / REFUSED
    counts = count_history(history, vocabulary(pack), refused_to=refused)
    release_memory()
    learned = learn_from_counts(
        counts,
        pack,
        seed=seed,
        weight=weight,
        family=family,
        sampling=sampling,
        progress=progress,
        starting=starting,
    )
    draws = {name: out / f"draws-{name}.zarr" for name in learned.fits}
    for name, path in draws.items():
        compat.save_draws(learned.fits[name].trace, path)
    overlay, report = out / OVERLAY, out / REPORT
    report.write_text(report_html(learned), encoding="utf-8")
    text = overlay_text(learned.causes, learned.chances, learned.provenance)
    overlay.write_text(text, encoding="utf-8")
    return LearnResult(overlay, report, refused, draws, learned)


def learn_from_counts(
    counts: Counts,
    pack: Pack,
    *,
    seed: int,
    weight: float = 1.0,
    family: str = "",
    sampling: Sampling | None = None,
    progress: bool = False,
    starting: Starting = quietly,
) -> Learned:
    """Learn from counts; as `learn_overlay`, without files."""
    tests = describe_tests(pack)
    data = prepare_causes(counts, pack, tests)
    priors = cause_priors(pack, data, weight)
    weight_g = _mix(counts, family)
    settings = sampling or Sampling()
    starting()
    fits = {
        "causes": fit(cause_model(data, priors), seed=seed, sampling=settings, progress=progress)
    }
    shares = draw_shares(fits["causes"], data, weight_g)
    chances = _learn_tests(counts, data, tests, shares, fits, (seed, settings, progress))
    return Learned(
        counts=counts,
        data=data,
        priors=priors,
        shares=shares,
        causes=learned_causes(shares, data, priors, weight_g),
        chances=chances,
        fits=fits,
        provenance=provenance_of(pack, counts.rows, fits, seed=seed, weight=weight, family=family),
        titles=_titles(pack),
    )


def _titles(pack: Pack) -> dict[str, str]:
    kinds = {kind.id: kind.title for kind in pack.kinds.values()}
    return kinds | {
        f"{kind.id}.{mode.id}": f"{kind.title}: {mode.title}"
        for kind in pack.kinds.values()
        for mode in kind.modes.values()
    }


def _learn_tests(
    counts: Counts,
    data: CauseCounts,
    tests: Tests,
    shares: ShareDraws,
    fits: dict[str, Fit],
    settings: tuple[int, Sampling, bool],
) -> tuple[LearnedChance, ...]:
    outcomes = prepare_outcomes(counts, tests, all_causes(shares.mean_gc, data, counts))
    if not len(outcomes.count_k):
        return ()
    seed, sampling, progress = settings
    fits["tests"] = fit(
        reliability_model(outcomes), seed=seed, sampling=sampling, progress=progress
    )
    return learned_chances(fits["tests"], outcomes)


def _mix(counts: Counts, family: str) -> FloatArray:
    """Jobs of each cell, of one family if one is named."""
    jobs_g = counts.jobs_by_cell
    if not family:
        return jobs_g
    families = sorted({cell.family for cell in counts.cells})
    if family not in families:
        raise LearnError(f'no family "{family}" in this history{near_match(family, families)}')
    mine = np.array([cell.family == family for cell in counts.cells])
    return np.where(mine, jobs_g, 0.0)
