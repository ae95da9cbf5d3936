"""One call from a history, or from a fleet's exposure, to a folder with an overlay and a report.

An overlay is what the next job's pack is made with. Shops give each other cases, verified causes
counted by engine, age and family, that name no job, no day and no vehicle; who learns adds others'
counts to the own.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeAlias, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from swapinfer.errors import LearnError
from swapinfer.learn import tables
from swapinfer.learn.counts import CaseCounts, Counts, History, count_history
from swapinfer.learn.history import Learned, LearnedChance, learn_history
from swapinfer.learn.lives import LearnedLives, learn_exposure, read_exposure
from swapinfer.learn.prior import AGE_BANDS, MAX_FAMILIES, OTHER, Cell, Vocabulary, vocabulary
from swapinfer.learn.rates import LearnedRates
from swapinfer.learn.report import history_html, lives_html
from swapinfer.learn.sampling import Fit, Sampling, quiet
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

if TYPE_CHECKING:
    import pandas as pd

OVERLAY, REPORT, REFUSED = "overlay.toml", "report.html", "refused.csv"
CASES = "cases.csv"
"""Files in the folder that learning writes, beside the draws of each model."""
SOURCE, LIVES_SOURCE, RATES_SOURCE = "learned", "learned-lives", "learned-rates"
"""Names of an overlay and of the one source of all its numbers."""

Numbers = TypeVar("Numbers")

Case: TypeAlias = tuple[Cell, str, str, bool, int]
"""Cell, first and last verified cause (the last empty where there is no other), whether it came
back, and how many."""


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
    """Learn a shop's priors from its closed jobs, for a vehicle family or for the whole mix.

    The weight is what the base pack's precision is multiplied by; 1 takes its spreads as they
    stand. By the shop's figures, by default the pack's, it is reckoned what would have been saved.
    Where the sampler does not become healthy no overlay is written.
    """
    import pyarrow as pa

    if weight <= 0:
        raise LearnError(f"the base pack's weight must be above 0; got {weight:g}")
    out.mkdir(parents=True, exist_ok=True)
    words = vocabulary(pack)
    theirs, bad = read_cases(history.others, words)
    counts = count_history(history, words, refused_to=out / REFUSED, refused_before=bad)
    write_cases(counts, out / CASES)
    counts = add_cases(counts, theirs)
    pa.default_memory_pool().release_unused()  # what reading keeps for more of it
    settings = settings or PlanSettings(costs=pack.costs)
    learned = learn_history(counts, pack, sampling, settings=settings, weight=weight, family=family)
    return _write(out, learned, learned.fits, history_html(learned), history_overlay(learned))


def learn_lives(
    table: Path, pack: Pack, out: Path, sampling: Sampling, family: str = ""
) -> LearnResult[LearnedLives]:
    """Learn lives and shapes of modes from a table of exposure; as `learn_overlay`."""
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
        trace = fits[name].trace
        with quiet():  # both generations of ArviZ can read it
            tree = trace.to_datatree() if hasattr(trace, "to_datatree") else trace
            tree.to_zarr(str(path), mode="w")
    (out / REPORT).write_text(report, encoding="utf-8")
    (out / OVERLAY).write_text(overlay, encoding="utf-8")
    return LearnResult(out / OVERLAY, out / REPORT, out / REFUSED, draws, learned)


def history_overlay(learned: Learned) -> str:
    """Write what a history says as TOML."""
    version = f"{learned.counts.rows.digest[:8]}-{learned.fits['causes'].sampling.seed}"
    lines = _head("closed jobs", SOURCE, version, learned)
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
    lines = _head("how often elements failed", RATES_SOURCE, learned.rates.digest[:8], learned)
    for one in learned.modes:
        behind = f"{one.events} failures, {one.expected:.3g} expected"
        lines += _ratio(one.cause, behind, one.median, one.spread)
    return "\n".join(lines) + "\n"


def _ratio(cause: str, behind: str, median: float, spread: float) -> list[str]:
    """State a hazard ratio; the spread of life, now in that of the ratio, must not count twice."""
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
    lines = _head("a fleet's exposure", LIVES_SOURCE, version, learned)
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


def _head(
    origin: str, source: str, version: str, learned: Learned | LearnedLives | LearnedRates
) -> list[str]:
    """First lines of an overlay: its name and the one source of all its numbers."""
    name = f"{source}-{learned.family}" if learned.family else source
    return [
        f"# Written from {origin}; an overlay on the base pack.",
        "format = 1",
        f'name = "{name}"',
        f'version = "{version}"',
        f'from = "{source}"',
        "",
        f"[source.{source}]",
        'grade = "learned"',
        f"text = {json.dumps(learned.provenance)}",
    ]


def _rounded(unit: LearnedChance) -> dict[str, float]:
    """Chances rounded to five digits such that they add up to exactly 1."""
    rounded = [round(mean / sum(unit.mean), 5) for mean in unit.mean]
    most = rounded.index(max(rounded))
    rounded[most] = round(rounded[most] + 1.0 - sum(rounded), 5)
    return dict(zip(unit.outcomes, rounded, strict=True))


def write_cases(counts: Counts, path: Path) -> None:
    """Write the verified cases of the own history alone as a CSV file for other shops."""
    cells, causes, cases = counts.cells, counts.words.causes, counts.cases
    rows = [
        [*cells[cell], causes[cause], "", came_back, n]
        for came_back, counter in (("no", cases.stayed), ("yes", cases.returned))
        for (cell, cause), n in counter.items()
    ]
    for (cell, first, last), n in cases.chains.items():
        rows.append([*cells[cell], causes[first], causes[last], "yes", n])
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(tables.CASES.names)
        writer.writerows(sorted(rows))


def read_cases(
    paths: Sequence[Path], words: Vocabulary
) -> tuple[list[Case], dict[str, pd.DataFrame]]:
    """Read the cases of other shops; and refused rows, by the file's name."""
    seen: dict[str, Path] = {}
    read = [_read(path, words) for path in paths]
    for path in paths:
        before = seen.setdefault(tables.digest_of([path]), path)
        if before is not path:
            raise LearnError(f"{path} holds the same cases as {before}; name it once")
    refused = {str(path): bad for path, (_, bad) in zip(paths, read, strict=True)}
    return [case for cases, _ in read for case in cases], refused


def _read(path: Path, words: Vocabulary) -> tuple[list[Case], pd.DataFrame]:
    frame = tables.read_table(path, tables.CASES)
    rows = tables.Checks(frame, tables.CASES)
    rows.unknown("layout", words.layouts)
    for axis, values in words.fitments.items():
        rows.unknown(axis, values)
    rows.not_word("family")
    rows.not_word("complaint")
    rows.unknown("age", AGE_BANDS)
    rows.unknown("cause", words.causes)
    rows.unknown("then", ("", *words.causes))
    rows.unknown("came_back", ("yes", "no"))
    rows.unlike("cases", tables.WHOLE, "a whole number from 1")
    for axis in words.fitments:
        rows.misfits(axis, words.needs)
        rows.misfits(axis, words.needs, "then")
    rows.refuse(
        (frame["then"] != "") & (frame["came_back"] == "no"),
        lambda _: "then names a cause, but came_back is no",
    )
    good, refused = rows.split()
    numbers = tables.numbers_of(good["cases"])
    told = good[[*Cell._fields, "cause", "then", "came_back"]].astype(object)
    cases = [
        (Cell(*row[:6]), row[6], row[7], row[8] == "yes", int(n))
        for row, n in zip(told.itertuples(index=False, name=None), numbers, strict=True)
    ]
    return cases, refused


def add_cases(counts: Counts, others: Iterable[Case]) -> Counts:
    """Add cases of other shops to a history, as if all shops were one.

    A family that is not among the own counts as `OTHER` once there are many.
    """
    own = {cell.family for cell in counts.cells}

    def of_few(cell: Cell) -> Cell:
        is_kept = cell.family in own or len(own) < MAX_FAMILIES
        return cell if is_kept else cell._replace(family=OTHER)

    theirs: list[Case] = [(of_few(one[0]), *one[1:]) for one in others]
    cells = tuple(sorted({*counts.cells, *(one[0] for one in theirs)}))
    number = {cell: at for at, cell in enumerate(cells)}
    moved = [number[cell] for cell in counts.cells]
    cause = {name: at for at, name in enumerate(counts.words.causes)}
    added = CaseCounts()
    for cell, first, last, came_back, n in theirs:
        at = number[cell], cause[first]
        if last:
            added.chains[*at, cause[last]] += n
        elif came_back:
            added.returned[at] += n
        else:
            added.stayed[at] += n

    def with_others(part: Counts) -> Counts:
        mine = part.cases
        return replace(
            part,
            cells=cells,
            cases=CaseCounts(
                stayed=_moved(mine.stayed, moved) + added.stayed,
                returned=_moved(mine.returned, moved) + added.returned,
                chains=_moved(mine.chains, moved) + added.chains,
                open_by_cell=Counter({moved[at]: n for at, n in mine.open_by_cell.items()}),
            ),
            patterns=_moved(part.patterns, moved),
            weighed_patterns=_moved(part.weighed_patterns, moved),
            exact=_moved(part.exact, moved),
            unconfirmed=Counter({moved[at]: n for at, n in part.unconfirmed.items()}),
        )

    if split := counts.split:
        earlier, later = with_others(split.earlier), _moved(split.later, moved)
        split = replace(split, earlier=earlier, later=later)
    rows = replace(counts.rows, theirs=sum(n for *_, n in theirs))
    return replace(with_others(counts), rows=rows, split=split)


def _moved(counter: Counter[Any], to: list[int]) -> Counter[Any]:
    """Give the cells in a counter's keys other numbers."""
    return Counter({(to[key[0]], *key[1:]): n for key, n in counter.items()})
