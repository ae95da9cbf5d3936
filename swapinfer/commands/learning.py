"""Priors learned: from closed jobs, and lives and rates from what a fleet drove and what failed."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.commands.app import LAST_SEED, command
from swapinfer.commands.page import Facts, Page, interval, percent, same_fields, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import is_watched, say_aside, watched
from swapinfer.commands.typed import decimal
from swapinfer.drafts import whole_folder
from swapinfer.errors import LearnError
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.units import NORMAL_90

if TYPE_CHECKING:
    from swapinfer.learn.counts import History
    from swapinfer.learn.history import Learned
    from swapinfer.learn.learn import LearnResult
    from swapinfer.learn.sampling import Sampling

SHOWN_CAUSES = 12


class LearnedLine(Struct, frozen=True):
    """A cause as learned: share among causes before and after, with a 90 % interval.

    `confirmed` counts verified cases, `cases` also others as far as their findings tell.
    """

    cause: str
    title: str
    before: float
    after: float
    low: float
    high: float
    confirmed: int
    cases: float


class TrialLine(Struct, frozen=True):
    """What priors learned from earlier jobs would have saved on later ones.

    It holds verified jobs from a day on, if there are any, to those before it. `cost` is their mean
    cost checking suspects by the base priors, `saved` what would have been saved of it, with its
    90 % interval; `bits` how much more what was found was expected, a job. Where the answer is "not
    yet", it is to be asked again after `more` jobs.
    """

    day: str
    learned_from: int
    jobs: int
    cost: float
    saved: float | None
    low: float | None
    high: float | None
    bits: float
    more: int
    currency: str


class KindLine(Struct, frozen=True):
    """A kind of element that is at fault more or less often; of one family, or of all jobs."""

    kind: str
    family: str
    before: float
    after: float
    low: float
    high: float
    confirmed: int


class LearnedView(Facts, frozen=True):
    """Whether to switch on what was learned, why, and what was written.

    `switch_on` is ``"yes"``, ``"not yet"`` or ``"no"``; `said` tells that and the changes that
    matter in sentences.
    """

    shape: ClassVar[str] = "learned/1"

    switch_on: str
    said: tuple[str, ...]
    trial: TrialLine
    changes: tuple[KindLine, ...]
    overlay: str
    report: str
    refused: str
    rows_used: int
    rows_refused: int
    causes: tuple[LearnedLine, ...]
    remarks: tuple[str, ...] = ()


class LifeLine(Struct, frozen=True):
    """Life in km and shape of a mode, before and as learned, each with a 90 % interval."""

    cause: str
    failures: int
    life_before: float
    life: float
    life_low: float
    life_high: float
    shape_before: float
    shape: float
    shape_low: float
    shape_high: float


class LivesView(Facts, frozen=True):
    """What learning lives wrote, from how many rows."""

    shape: ClassVar[str] = "lives/1"

    overlay: str
    report: str
    refused: str
    rows_used: int
    rows_refused: int
    element_km: dict[str, float]
    lives: tuple[LifeLine, ...]
    remarks: tuple[str, ...] = ()


class RateLine(Struct, frozen=True):
    """How often a mode failed, how often the base pack expected, and the hazard ratio, 90 %."""

    cause: str
    title: str
    failures: int
    expected: float
    ratio: float
    low: float
    high: float


class RatesView(Facts, frozen=True):
    """What learning rates wrote, from how many rows."""

    shape: ClassVar[str] = "rates/1"

    overlay: str
    refused: str
    rows_used: int
    rows_refused: int
    rates: tuple[RateLine, ...]
    remarks: tuple[str, ...] = ()


class StrippedView(Facts, frozen=True):
    """Copies of history tables that say nothing about whose vehicles they were."""

    shape: ClassVar[str] = "stripped/1"

    jobs: int
    files: tuple[str, ...]


Family = Annotated[str, typer.Option(help="Vehicle family; default the whole mix.")]
Folder = Annotated[Path, typer.Option(help="Folder to write to.")]
Seed = Annotated[
    int, typer.Option(min=0, max=LAST_SEED, help="The same seed gives the same overlay.")
]


@command("priors learn", "priors learn --out learned")
def learn_priors(
    shop: Shop,
    jobs: Annotated[Path | None, typer.Argument(help="Table of jobs; default our own.")] = None,
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Folder = Path("learned"),
    theirs: Annotated[
        list[Path] | None,
        typer.Option("--with", help="Cases of another shop, its cases.csv; may repeat."),
    ] = None,
    family: Family = "",
    weight: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Weight of the base priors.")
    ] = 1.0,
    seed: Seed = 1,
) -> LearnedView:
    """Learn an overlay from closed jobs, of tables or of the own store; whole or not at all."""
    from swapinfer.learn.counts import History
    from swapinfer.learn.learn import learn_overlay

    pack, left_out = pack_to_learn_on(shop)
    own = shop.settings
    with whole_folder(out) as draft:
        history = History(jobs, findings) if jobs else own_history(shop, pack)
        result = learn_overlay(
            replace(history, others=tuple(theirs or ())),
            pack,
            draft,
            _sampling(seed),
            family=family,
            weight=weight,
            settings=PlanSettings.of_shop(pack, own.money, frozenset(own.missing_tools)),
        )
    return view_learned(result, out, left_out)


def _sampling(seed: int) -> Sampling:
    """Say how to sample, and before it begins how long it takes."""
    from swapinfer.learn.sampling import Sampling

    starting = partial(
        say_aside, "loading the sampler and sampling; this takes half a minute or more ..."
    )
    return Sampling(seed=seed, progress=is_watched(), starting=starting)


def view_learned(
    result: LearnResult[Learned], out: Path, remarks: tuple[str, ...] = ()
) -> LearnedView:
    """Say what learning wrote, and that it lies in a folder now."""
    learned, trial = result.learned, result.learned.trial
    rows, saved = learned.counts.rows, trial.saved
    causes = []
    for c in learned.causes:
        title, shares = learned.titles[c.cause], (c.base_share, c.share, c.share_low, c.share_high)
        causes.append(LearnedLine(c.cause, title, *shares, c.confirmed, c.cases))
    return LearnedView(
        switch_on=trial.answer,
        said=learned.first_words,
        trial=TrialLine(
            day=trial.day,
            learned_from=trial.learned_from,
            jobs=trial.jobs,
            cost=trial.cost.value,
            saved=saved.value if trial.jobs else None,
            low=saved.low if trial.jobs else None,
            high=saved.high if trial.jobs else None,
            bits=trial.bits.value,
            more=trial.more if trial.answer == "not yet" else 0,
            currency=trial.currency,
        ),
        changes=tuple(KindLine(**same_fields(KindLine, one)) for one in learned.changes),
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
        rows_used=rows.jobs_used + rows.findings_used,
        rows_refused=rows.rows_refused,
        causes=tuple(causes),
        remarks=remarks,
    )


def pack_to_learn_on(shop: Shop) -> tuple[Pack, tuple[str, ...]]:
    """Give the shop's pack without what was learned before, which would count its jobs twice."""
    kept, remarks = [], []
    for path in map(Path, shop.settings.overlays):
        if any(source.grade == "learned" for source in load_pack([path]).sources.values()):
            remarks.append(f"{path} was learned itself, so it was not learned on")
        else:
            kept.append(path)
    return load_pack(kept), tuple(remarks)


def own_history(shop: Shop, pack: Pack) -> History:
    """Give the shop's own visits as a history, those without a cause weighed exactly."""
    from swapinfer.commands.visits import list_visits, table_rows, weigh_visits
    from swapinfer.learn.counts import History
    from swapinfer.learn.prior import vocabulary

    visits = list_visits(shop)
    if not visits:
        raise LearnError(f"no job in {shop.store_place} is closed, so there is nothing to learn")
    exact = weigh_visits(watched(visits, "weighing findings"), vocabulary(pack).causes, pack)
    return History(*table_rows(visits), exact=exact)


@command("priors lives", "priors lives fleet.csv --out lives", has_store=False)
def learn_fleet_lives(
    shop: Shop,
    table: Annotated[Path, typer.Argument(help="Table of a fleet's exposure.")],
    out: Folder = Path("lives"),
    family: Family = "",
    seed: Seed = 1,
) -> LivesView:
    """Learn an overlay of lives from a table of exposure, CSV or Parquet; whole or not at all."""
    from swapinfer.learn.learn import learn_lives

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        result = learn_lives(table, pack, draft, _sampling(seed), family)
    exposure, lives = result.learned.exposure, []
    for one in result.learned.modes:
        (low, middle, high), (least, usual, most) = one.life, one.shape
        life = one.base_life[1], middle, low, high
        shape = one.base_shape[1], usual, least, most
        lives.append(LifeLine(one.cause, one.failures, *life, *shape))
    return LivesView(
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
        rows_used=exposure.used,
        rows_refused=exposure.refused.total(),
        element_km=exposure.element_km,
        lives=tuple(lives),
        remarks=left_out,
    )


@command("priors rates", "priors rates fleet.csv --out rates", has_store=False)
def learn_fleet_rates(
    shop: Shop,
    tables: Annotated[list[Path], typer.Argument(help="Tables of failures and distances.")],
    out: Folder = Path("rates"),
    family: Family = "",
) -> RatesView:
    """Learn an overlay from how often parts failed, and how far they were driven in all."""
    from swapinfer.learn.learn import OVERLAY, REFUSED, rates_overlay
    from swapinfer.learn.rates import learn_from_rates, read_rates

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        draft.mkdir(parents=True, exist_ok=True)
        rates = read_rates(tables, pack, refused_to=draft / REFUSED)
        learned = learn_from_rates(rates, pack, family)
        (draft / OVERLAY).write_text(rates_overlay(learned), encoding="utf-8")
    lines = []
    for one in learned.modes:
        title, half = learned.titles[one.cause], one.spread**NORMAL_90
        ratio = one.median, one.median / half, one.median * half
        lines.append(RateLine(one.cause, title, one.events, one.expected, *ratio))
    return RatesView(
        overlay=str(out / OVERLAY),
        refused=str(out / REFUSED),
        rows_used=rates.used,
        rows_refused=rates.refused.total(),
        rates=tuple(lines),
        remarks=left_out,
    )


@command("priors strip", "priors strip jobs.csv findings.csv --out stripped")
def strip_tables(
    jobs: Annotated[Path, typer.Argument(help="Table of jobs.")],
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Folder = Path("stripped"),
) -> StrippedView:
    """Copy history tables with running numbers for jobs and months for days."""
    from swapinfer.learn.tables import strip_history

    names = ("jobs.csv", "findings.csv") if findings else ("jobs.csv",)
    sources = {path.resolve() for path in (jobs, findings) if path}
    for path in (out / name for name in names):
        if path.resolve() in sources:
            raise LearnError(f"{path} would be overwritten; name another folder with --out")
    with whole_folder(out) as draft:
        findings_to = draft / "findings.csv" if findings else None
        count = strip_history(jobs, findings, jobs_to=draft / "jobs.csv", findings_to=findings_to)
    return StrippedView(count, tuple(str(out / name) for name in names))


@show.register
def _(facts: LearnedView, page: Page) -> str:
    first, *others = facts.said
    said = [*page.wrap(page.strong(first)), *page.each(others), ""]
    rows = [["before", "after", "90 %", "cases", "share of misfires"]]
    likeliest = sorted(facts.causes, key=lambda cause: -max(cause.before, cause.after))
    for cause in likeliest[:SHOWN_CAUSES]:
        between = interval(cause.low, cause.high)
        shares = percent(cause.before), percent(cause.after)
        rows.append([*shares, between, str(cause.confirmed), cause.title])
    lines = page.table(rows, right=[0, 1, 2, 3])
    if len(facts.causes) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.causes) - SHOWN_CAUSES} rarer causes are in the report")
    use = f"settings --set overlays={facts.overlay}" if facts.switch_on == "yes" else ""
    return "\n".join(said + _among_files(facts, lines, page, use, facts.report))


@show.register
def _(facts: LivesView, page: Page) -> str:
    rows = [["life before", "after", "90 %, 1000 km", "shape", "failed", "mode"]]
    for one in sorted(facts.lives, key=lambda life: -life.failures)[:SHOWN_CAUSES]:
        before, middle, low, high = (
            f"{km / 1000:,.0f}" for km in (one.life_before, one.life, one.life_low, one.life_high)
        )
        shape, failed = f"{one.shape:.2f}", str(one.failures)
        rows.append([before, middle, f"{low} to {high}", shape, failed, one.cause])
    lines = page.table(rows, right=[0, 1, 2, 3, 4])
    if len(facts.lives) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.lives) - SHOWN_CAUSES} more modes are in the report")
    return "\n".join(_among_files(facts, lines, page, report=facts.report))


@show.register
def _(facts: RatesView, page: Page) -> str:
    rows = [["failed", "expected", "ratio", "90 %", "mode"]]
    for one in sorted(facts.rates, key=lambda rate: -rate.failures):
        between = f"{one.low:.2f} to {one.high:.2f}"
        rows.append(
            [str(one.failures), f"{one.expected:.1f}", f"{one.ratio:.2f}", between, one.title]
        )
    return "\n".join(_among_files(facts, page.table(rows, right=[0, 1, 2, 3]), page))


def _among_files(
    facts: LearnedView | LivesView | RatesView,
    lines: list[str],
    page: Page,
    use: str = "",
    report: str = "",
) -> list[str]:
    """Say before what was learned how many rows there were, and after it where everything is."""
    before = page.wrap(f"{facts.rows_used} rows used, {facts.rows_refused} refused")
    after = [f"overlay: {facts.overlay}"]
    after += [f"report: {report}"] if report else []
    if facts.rows_refused:
        after.append(f"refused rows, each with its reason: {facts.refused}")
    after.append(f"use it with: swapinfer {use or f'open RO --priors {facts.overlay}'}")
    return [*before, *page.each(facts.remarks), *lines, *page.each(after, hang=4)]


@show.register
def _(facts: StrippedView, page: Page) -> str:
    lines = page.wrap(f"{facts.jobs} jobs got running numbers, days became months")
    return "\n".join([*lines, *page.each(facts.files)])
