"""One call from a history, or from a fleet's exposure, to a folder with an overlay and a report.

An overlay is what the next job's pack is made with.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Generic, TypeVar

from msgspec import Struct

from swapinfer.errors import LearnError
from swapinfer.learn.counts import History, count_history
from swapinfer.learn.exchange import add_cases, read_cases, write_cases
from swapinfer.learn.history import Learned, LearnedChance, learn_history
from swapinfer.learn.lives import LearnedLives, learn_exposure, read_exposure
from swapinfer.learn.prior import vocabulary
from swapinfer.learn.rates import LearnedRates
from swapinfer.learn.report import history_html, lives_html
from swapinfer.learn.sampling import Fit, Sampling, save_draws
from swapinfer.learn.tables import release_memory
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

OVERLAY, REPORT, REFUSED = "overlay.toml", "report.html", "refused.csv"
CASES = "cases.csv"
"""Files in the folder that learning writes, beside the draws of each model."""

SOURCE, LIVES_SOURCE, RATES_SOURCE = "learned", "learned-lives", "learned-rates"
"""Names of an overlay and of the one source of all its numbers."""

Numbers = TypeVar("Numbers")


class LearnResult(Struct, Generic[Numbers], frozen=True, eq=False):
    """Files that learning wrote, draws as Zarr stores in the ArviZ layout; and its numbers."""

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
    """Learn lives and shapes of modes from exposure; as `learn_overlay`.

    The table has the columns of `swapinfer.learn.tables.EXPOSURE`. A family's lives are pooled with
    the others'.
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


def history_overlay(learned: Learned) -> str:
    """Write what a history says as TOML."""
    name = f"{SOURCE}-{learned.family}" if learned.family else SOURCE
    version = f"{learned.counts.rows.digest[:8]}-{learned.fits['causes'].sampling.seed}"
    lines = _head("closed jobs", name, version, SOURCE, learned.provenance)
    for one in learned.causes:
        lines += _ratio(one.cause, f"{one.confirmed} confirmed cases", one.median, one.spread)
    open_test = ""
    for unit in learned.chances:
        if unit.test != open_test:  # TOML allows a table's header only once
            lines += ["", f"[test.{unit.test}.profile]  # {unit.findings:.1f} effective findings"]
            open_test = unit.test
        pairs = ", ".join(f"{name} = {chance:.5f}" for name, chance in _rounded(unit).items())
        lines.append(f"{unit.profile} = {{ {pairs} }}")
    return "\n".join(lines) + "\n"


def rates_overlay(learned: LearnedRates) -> str:
    """Write hazard ratios, and nothing else, as TOML."""
    name = f"{RATES_SOURCE}-{learned.family}" if learned.family else RATES_SOURCE
    version = learned.rates.digest[:8]
    lines = _head("how often elements failed", name, version, RATES_SOURCE, learned.provenance)
    for one in learned.modes:
        behind = f"{one.events} failures, {one.expected:.3g} expected"
        lines += _ratio(one.cause, behind, one.median, one.spread)
    return "\n".join(lines) + "\n"


def _ratio(cause: str, behind: str, median: float, spread: float) -> list[str]:
    """State a hazard ratio.

    The mode's spread of life is set to 1: what was uncertain about it is in the ratio's spread now,
    and would count twice otherwise.
    """
    kind, mode = cause.split(".")
    return [
        "",
        f"[element.{kind}.mode.{mode}]  # {behind}",
        "life_km = { spread = 1 }",
        f"hazard_ratio = {{ median = {median:.4g}, spread = {max(spread, 1.0):.4g} }}",
    ]


def lives_overlay(learned: LearnedLives) -> str:
    """Write life and shape of each mode, and nothing else, as TOML."""
    version = f"{learned.exposure.digest[:8]}-{learned.fitted.sampling.seed}"
    name = f"{LIVES_SOURCE}-{learned.family}" if learned.family else LIVES_SOURCE
    lines = _head("a fleet's exposure", name, version, LIVES_SOURCE, learned.provenance)
    for one in learned.modes:
        kind, mode = one.cause.split(".")
        spread = max(one.spread, 1.0)
        lines += [
            "",
            f"[element.{kind}.mode.{mode}]  # {one.failures} failures",
            f"life_km = {{ median = {one.median:.5g}, spread = {spread:.4g} }}",
            f"shape = {one.shape[1]:.4g}",
        ]
    return "\n".join(lines) + "\n"


def _head(origin: str, name: str, version: str, source: str, text: str) -> list[str]:
    """First lines of an overlay: its name and the one source of all its numbers."""
    return [
        f"# Written from {origin}; an overlay on the base pack.",
        "format = 1",
        f'name = "{name}"',
        f'version = "{version}"',
        f'from = "{source}"',
        "",
        f"[source.{source}]",
        'grade = "learned"',
        f"text = {json.dumps(text)}",
    ]


def _rounded(unit: LearnedChance) -> dict[str, float]:
    """Chances rounded to five digits such that they add up to exactly 1."""
    rounded = [round(mean / sum(unit.mean), 5) for mean in unit.mean]
    most = rounded.index(max(rounded))
    rounded[most] = round(rounded[most] + 1.0 - sum(rounded), 5)
    return dict(zip(unit.outcomes, rounded, strict=True))
