"""Priors learned: from closed jobs, and lives from the exposure of a fleet."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar, Protocol

import typer
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.commands.app import LAST_SEED, command
from swapinfer.commands.page import Facts, Page, interval, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import is_watched, say_aside, watched
from swapinfer.commands.typed import decimal
from swapinfer.drafts import whole_folder
from swapinfer.errors import LearnError
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

if TYPE_CHECKING:
    from swapinfer.learn.counts import History
    from swapinfer.learn.history import Learned
    from swapinfer.learn.learn import LearnResult
    from swapinfer.learn.sampling import Sampling

LEARNED = "learned"
"""Grade of the sources that learning names in its overlays."""

SHOWN_CAUSES = 12

SAMPLING = "loading PyMC and sampling; this takes {} ..."


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

    Attributes
    ----------
    day : str
        On which the later jobs begin; empty where there are none.
    learned_from, jobs : int
        Verified jobs before and since.
    cost, saved, low, high : float
        Mean cost of checking suspects by the base priors, and what would have been saved of it,
        with its 90 % interval.
    bits : float
        How much more what was found was expected, a job.
    more : int
        Verified jobs after which to ask again, where the answer is "not yet".
    currency : str
        Of the costs.
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


class ChangeLine(Struct, frozen=True):
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
    changes: tuple[ChangeLine, ...]
    overlay: str
    report: str
    refused: str
    rows_used: int
    rows_refused: int
    causes: tuple[LearnedLine, ...]
    remarks: tuple[str, ...] = ()


class StrippedView(Facts, frozen=True):
    """Copies of history tables that say nothing about whose vehicles they were."""

    shape: ClassVar[str] = "stripped/1"

    jobs: int
    files: tuple[str, ...]


Seed = Annotated[
    int, typer.Option(min=0, max=LAST_SEED, help="The same seed gives the same overlay.")
]


@command("priors learn", "priors learn --out learned")
def learn_priors(
    shop: Shop,
    jobs: Annotated[Path | None, typer.Argument(help="Table of jobs; default our own.")] = None,
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("learned"),
    theirs: Annotated[
        list[Path] | None,
        typer.Option("--with", help="Cases of another shop, its cases.csv; may repeat."),
    ] = None,
    family: Annotated[str, typer.Option(help="Vehicle family; default the whole mix.")] = "",
    weight: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Weight of the base priors.")
    ] = 1.0,
    seed: Seed = 1,
) -> LearnedView:
    """Learn an overlay from closed jobs, of tables or of the shop's own store.

    Raises
    ------
    LearnError
        If the history cannot be read or the sampler does not become healthy; then nothing at all
        is written.
    """
    from swapinfer.learn.counts import History
    from swapinfer.learn.learn import learn_overlay

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        history = History(jobs, findings) if jobs else own_history(shop, pack)
        history = replace(history, others=tuple(theirs or ()))
        result = learn_overlay(
            history,
            pack,
            draft,
            sampling_of(seed, "a minute or more"),
            family=family,
            weight=weight,
            settings=PlanSettings.of_shop(
                pack, shop.settings.money, frozenset(shop.settings.missing_tools)
            ),
        )
    return view_learned(result, out, left_out)


def sampling_of(seed: int, takes: str) -> Sampling:
    """Say how to sample, and before it begins how long it takes."""
    from swapinfer.learn.sampling import Sampling

    starting = partial(say_aside, SAMPLING.format(takes))
    return Sampling(seed=seed, progress=is_watched(), starting=starting)


def view_learned(
    result: LearnResult[Learned], out: Path, remarks: tuple[str, ...] = ()
) -> LearnedView:
    """Say what learning wrote, and that it lies in a folder now."""
    rows, learned, trial = result.learned.counts.rows, result.learned, result.learned.trial
    is_told = trial.jobs > 0
    return LearnedView(
        switch_on=trial.answer,
        said=learned.first_words,
        trial=TrialLine(
            day=trial.day,
            learned_from=trial.learned_from,
            jobs=trial.jobs,
            cost=trial.cost.value,
            saved=trial.saved.value if is_told else None,
            low=trial.saved.low if is_told else None,
            high=trial.saved.high if is_told else None,
            bits=trial.bits.value,
            more=trial.more if trial.answer == "not yet" else 0,
            currency=trial.currency,
        ),
        changes=tuple(
            ChangeLine(
                one.kind, one.family, one.before, one.after, one.low, one.high, one.confirmed
            )
            for one in learned.changes
        ),
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
        rows_used=rows.jobs_used + rows.findings_used,
        rows_refused=rows.rows_refused,
        causes=tuple(
            LearnedLine(
                cause=c.cause,
                title=learned.titles[c.cause],
                before=c.base_share,
                after=c.share,
                low=c.share_low,
                high=c.share_high,
                confirmed=c.confirmed,
                cases=c.cases,
            )
            for c in learned.causes
        ),
        remarks=remarks,
    )


def pack_to_learn_on(shop: Shop) -> tuple[Pack, tuple[str, ...]]:
    """Give the shop's pack without what was learned before, which would count its jobs twice."""
    kept, remarks = [], []
    for path in map(Path, shop.settings.overlays):
        if any(source.grade == LEARNED for source in load_pack([path]).sources.values()):
            remarks.append(f"{path} was learned itself, so it was not learned on")
        else:
            kept.append(path)
    return load_pack(kept), tuple(remarks)


def own_history(shop: Shop, pack: Pack) -> History:
    """Give the shop's own visits as a history, those without a cause weighed exactly.

    Raises
    ------
    LearnError
        If no job is closed.
    """
    from swapinfer.commands.visits import list_visits, table_rows, weigh_visits
    from swapinfer.learn.counts import History
    from swapinfer.learn.prior import vocabulary

    visits = list_visits(shop)
    if not visits:
        raise LearnError(f"no job in {shop.store_place} is closed, so there is nothing to learn")
    exact = weigh_visits(watched(visits, "weighing findings"), vocabulary(pack).causes, pack)
    return History(*table_rows(visits), exact=exact)


@command("priors strip", "priors strip jobs.csv findings.csv --out stripped")
def strip_tables(
    jobs: Annotated[Path, typer.Argument(help="Table of jobs.")],
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("stripped"),
) -> StrippedView:
    """Copy history tables with running numbers for jobs and months for days.

    Raises
    ------
    LearnError
        If a table cannot be read, or would be overwritten.
    """
    from swapinfer.learn.tables import strip_history

    jobs_to = out / "jobs.csv"
    findings_to = out / "findings.csv" if findings else None
    sources = {path.resolve() for path in (jobs, findings) if path}
    files = tuple(path for path in (jobs_to, findings_to) if path)
    for path in files:
        if path.resolve() in sources:
            raise LearnError(f"{path} would be overwritten; name another folder with --out")
    with whole_folder(out) as draft:
        count = strip_history(
            jobs,
            findings,
            jobs_to=draft / jobs_to.name,
            findings_to=draft / findings_to.name if findings_to else None,
        )
    return StrippedView(count, tuple(map(str, files)))


@show.register
def _(facts: LearnedView, page: Page) -> str:
    first, *others = facts.said
    lines = page.wrap(page.strong(first))
    for sentence in others:
        lines += page.wrap(sentence)
    lines += ["", *say_rows(facts.rows_used, facts.rows_refused, facts.remarks, page)]
    rows = [["before", "after", "90 %", "cases", "share of misfires"]]
    likeliest = sorted(facts.causes, key=lambda cause: -max(cause.before, cause.after))
    for cause in likeliest[:SHOWN_CAUSES]:
        between = interval(cause.low, cause.high)
        shares = percent(cause.before), percent(cause.after)
        rows.append([*shares, between, str(cause.confirmed), cause.title])
    lines += page.table(rows, right=[0, 1, 2, 3])
    if len(facts.causes) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.causes) - SHOWN_CAUSES} rarer causes are in the report")
    use = f"open RO --priors {facts.overlay}"
    if facts.switch_on == "yes":
        use = f"settings --set overlays={facts.overlay}"
    return "\n".join(lines + say_files(facts, page, use, facts.report))


def say_rows(used: int, refused: int, remarks: Sequence[str], page: Page) -> list[str]:
    """Say how many rows there were, and what else there is to say of them."""
    lines = page.wrap(f"{used} rows used, {refused} refused")
    for remark in remarks:
        lines += page.wrap(remark)
    return lines


class Written(Protocol):
    """What learning wrote."""

    @property
    def overlay(self) -> str:
        """File of the overlay."""
        ...

    @property
    def refused(self) -> str:
        """File of the rows that were refused."""
        ...

    @property
    def rows_refused(self) -> int:
        """How many those are."""
        ...


def say_files(facts: Written, page: Page, use: str, report: str = "") -> list[str]:
    """Say where everything is, and what to do with it."""
    lines = page.wrap(f"overlay: {facts.overlay}", hang=4)
    if report:
        lines += page.wrap(f"report: {report}", hang=4)
    if facts.rows_refused:
        lines += page.wrap(f"refused rows, each with its reason: {facts.refused}", hang=4)
    return lines + page.wrap(f"use it with: swapinfer {use}", hang=4)


@show.register
def _(facts: StrippedView, page: Page) -> str:
    lines = page.wrap(f"{facts.jobs} jobs got running numbers, days became months")
    for file in facts.files:
        lines += page.wrap(file)
    return "\n".join(lines)
