"""The shop's priors: show a number with its source, check a file, learn, compare."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from msgspec import Struct

from swapinfer.commands.causes import believe
from swapinfer.commands.facts import Facts
from swapinfer.commands.planning import plan_settings
from swapinfer.commands.shop import Shop
from swapinfer.drafts import whole_folder
from swapinfer.errors import LearnError
from swapinfer.pack import load_pack
from swapinfer.pack.engine import choose
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import census, numbers_under
from swapinfer.plan.next import next_steps

if TYPE_CHECKING:
    from swapinfer.learn.aggregate import History
    from swapinfer.learn.learn import LearnResult

LEARNED = "learned"
"""Grade of the sources that learning names in its overlays."""


class NumberLine(Struct, frozen=True):
    """A number of the priors, where it stands and where it comes from."""

    path: str
    value: Any
    grade: str
    source: str


class PriorsView(Facts, frozen=True):
    """Numbers at or below a path, and how many there are of each provenance in all."""

    shape: ClassVar[str] = "priors/1"

    name: str
    version: str
    digest: str
    numbers: tuple[NumberLine, ...]
    grades: dict[str, int]


class LearnedLine(Struct, frozen=True):
    """A cause as learned: share among causes before and after, with a 90 % interval."""

    cause: str
    before: float
    after: float
    low: float
    high: float
    jobs: float


class LearnedView(Facts, frozen=True):
    """What learning wrote, from how many rows."""

    shape: ClassVar[str] = "learned/1"

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


class ChangeLine(Struct, frozen=True):
    """A cause whose hazard differs between two packs."""

    cause: str
    factor: float
    share_before: float
    share_after: float


class NextChange(Struct, frozen=True):
    """A job whose next step differs between two packs."""

    ro: str
    before: str
    after: str


class PastLine(Struct, frozen=True):
    """Jobs worked again under two packs.

    Attributes
    ----------
    jobs : int
        How many.
    is_drawn : bool
        Whether they were drawn from the second pack, the store holding none.
    cost_before, cost_after, saved, low, high : float
        Mean cost of a job under either pack, the difference, and its 90 % interval.
    changed : int
        Jobs that would begin with another step.
    currency : str
        Of the costs.
    """

    jobs: int
    is_drawn: bool
    cost_before: float
    cost_after: float
    saved: float
    low: float
    high: float
    changed: int
    currency: str


class ComparedView(Facts, frozen=True):
    """Two packs side by side, the open jobs that they disagree on, and past jobs worked again."""

    shape: ClassVar[str] = "compared/1"

    before: str
    after: str
    causes: tuple[ChangeLine, ...]
    open_jobs: int
    next_steps: tuple[NextChange, ...]
    past: PastLine | None = None


def show_priors(path: str = "", overlays: Sequence[Path] = ()) -> PriorsView:
    """Show numbers with their provenance.

    Parameters
    ----------
    path : str, optional
        Dotted keys as in the files; empty for the whole pack.
    overlays : sequence of Path, optional
        Overlays on the base pack.

    Raises
    ------
    InputError
        If there is no number at the path.
    PackError
        If a file is at fault: where, and what would be accepted.
    """
    pack = load_pack(overlays)
    numbers = tuple(
        NumberLine(name, value, source.grade, source.text)
        for name, (value, source) in numbers_under(pack, path).items()
    )
    return PriorsView(pack.name, pack.version, pack.digest, numbers, census(pack).by_grade)


class LearnOptions(Struct, frozen=True):
    """How to learn.

    Attributes
    ----------
    seed : int
        The same seed gives the same overlay.
    family : str
        Vehicle family; empty for the whole mix.
    weight : float
        What the base pack's precision is multiplied by.
    cluster : str
        Address of a Dask scheduler; empty for none.
    is_showing : bool
        Whether progress is shown.
    starting : callable
        Called when the history has been looked at and sampling is next.
    """

    seed: int = 1
    family: str = ""
    weight: float = 1.0
    cluster: str = ""
    is_showing: bool = False
    starting: Callable[[], None] = lambda: None


def learn_priors(
    shop: Shop, jobs: Path | None, findings: Path | None, out: Path, options: LearnOptions
) -> LearnedView:
    """Learn an overlay from closed jobs, of tables or of the shop's own store.

    Raises
    ------
    LearnError
        If the history cannot be read or the sampler does not become healthy; then nothing at all
        is written.
    """
    from swapinfer.learn.aggregate import History
    from swapinfer.learn.learn import learn_overlay

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        if jobs is None:
            history = _own_history(shop, pack, draft, options)
        else:
            history = History(jobs, findings, cluster=options.cluster)
        result = learn_overlay(
            history,
            pack,
            seed=options.seed,
            out=draft,
            family=options.family,
            weight=options.weight,
            progress=options.is_showing,
            starting=options.starting,
        )
    return view_learned(result, out, left_out)


def view_learned(result: LearnResult, out: Path, remarks: tuple[str, ...] = ()) -> LearnedView:
    """Say what learning wrote, and that it lies in a folder now."""
    rows = result.learned.counts.rows
    return LearnedView(
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
        rows_used=rows.jobs_used + rows.findings_used,
        rows_refused=rows.rows_refused,
        causes=tuple(
            LearnedLine(c.cause, c.base_share, c.share, c.share_low, c.share_high, c.cases)
            for c in result.learned.causes
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


def _own_history(shop: Shop, pack: Pack, out: Path, options: LearnOptions) -> History:
    """Write the tables of the shop's own visits, and weigh those without a cause exactly."""
    from rich.console import Console
    from rich.progress import track

    from swapinfer.commands.filing import write_tables
    from swapinfer.commands.visits import list_visits
    from swapinfer.commands.weighing import weigh_visits
    from swapinfer.learn.aggregate import History
    from swapinfer.learn.base import vocabulary

    visits = list_visits(shop)
    if not visits:
        raise LearnError(f"no job in {shop.store_place} is closed, so there is nothing to learn")
    jobs, findings = out / "jobs.csv", out / "findings.csv"
    write_tables(visits, jobs, findings)
    shown = track(
        visits,
        "weighing findings",
        console=Console(stderr=True),
        disable=not options.is_showing,
        transient=True,
    )
    exact = weigh_visits(shown, vocabulary(pack).causes, pack)
    return History(jobs, findings, exact, options.cluster)


def strip_tables(jobs: Path, findings: Path | None, out: Path) -> StrippedView:
    """Copy history tables with running numbers for jobs and months for days.

    Raises
    ------
    LearnError
        If a table cannot be read, or would be overwritten.
    """
    from swapinfer.learn.aggregate import History
    from swapinfer.learn.strip import strip_history

    jobs_to = out / "jobs.csv"
    findings_to = out / "findings.csv" if findings else None
    sources = {path.resolve() for path in (jobs, findings) if path}
    files = tuple(path for path in (jobs_to, findings_to) if path)
    for path in files:
        if path.resolve() in sources:
            raise LearnError(f"{path} would be overwritten; name another folder with --out")
    with whole_folder(out) as draft:
        count = strip_history(
            History(jobs, findings),
            jobs_to=draft / jobs_to.name,
            findings_to=draft / findings_to.name if findings_to else None,
        )
    return StrippedView(count, tuple(map(str, files)))


class CompareOptions(Struct, frozen=True):
    """How to compare.

    Attributes
    ----------
    engine : (str, str, str)
        Layout, ignition and fuel kind for the shares given a complaint.
    past : int
        Past jobs to work again; 0 for none.
    seed : int
        Of what chance decides in them.
    is_showing : bool
        Whether progress is shown.
    """

    engine: tuple[str, str, str]
    past: int = 0
    seed: int = 1
    is_showing: bool = False


def compare_priors(
    shop: Shop, before: Sequence[Path], after: Sequence[Path], options: CompareOptions
) -> ComparedView:
    """Say what differs between two sets of overlays, and whether any next step does.

    Parameters
    ----------
    shop : Shop
        Whose open jobs are worked under both, and past jobs if asked for.
    before, after : sequence of Path
        Overlays on the base pack; none for the base itself.
    options : CompareOptions
        How.

    Raises
    ------
    InputError
        If the priors have no such layout.
    """
    from swapinfer.learn.compare import compare_causes
    from swapinfer.learn.scan import AGE_BANDS, Cell

    old, new = load_pack(before), load_pack(after)
    layout, ignition, fuel = options.engine
    choose(old, "layout", layout, old.layouts)
    for axis, kind in (("ignition", ignition), ("fuel", fuel)):
        choose(old, f"{axis} kind", kind, old.fitments[axis])
    cell = Cell(layout, ignition, fuel, family="", age=AGE_BANDS[-1], complaint="misfire")
    open_rows = shop.store.jobs("open")
    changes = []
    for row in open_rows:
        records = shop.store.records(row.job)
        steps = [_step_under(shop, records, pack) for pack in (old, new)]
        if steps[0] != steps[1]:
            changes.append(NextChange(row.ro, steps[0], steps[1]))
    return ComparedView(
        before=f"{old.name} {old.version}",
        after=f"{new.name} {new.version}",
        causes=tuple(
            ChangeLine(c.cause, c.hazard_factor, c.share_before, c.share_after)
            for c in compare_causes(old, new, cell)
        ),
        open_jobs=len(open_rows),
        next_steps=tuple(changes),
        past=_past(shop, old, new, options) if options.past > 0 else None,
    )


def _past(shop: Shop, before: Pack, after: Pack, options: CompareOptions) -> PastLine:
    """Work past jobs again; faults are those that were found, their show is drawn by `before`."""
    from rich.console import Console
    from rich.progress import track

    from swapinfer.commands.past import drawn_vehicles, past_vehicles, work_again
    from swapinfer.commands.visits import list_visits

    vehicles = past_vehicles(list_visits(shop), before, options.past, options.seed)
    is_drawn = not vehicles
    if is_drawn:
        vehicles = drawn_vehicles(after, options.engine, options.past, options.seed)
    shown = track(
        vehicles,
        "working jobs again",
        console=Console(stderr=True),
        disable=not options.is_showing,
        transient=True,
    )
    settings = plan_settings(shop, vehicles[0].world.job)
    found = work_again(shown, before, after, settings, options.seed)
    return PastLine(
        jobs=found.jobs,
        is_drawn=is_drawn,
        cost_before=found.cost_before,
        cost_after=found.cost_after,
        saved=found.saved,
        low=found.low,
        high=found.high,
        changed=found.changed,
        currency=settings.costs.currency,
    )


def _step_under(shop: Shop, records: Any, pack: Pack) -> str:  # noqa: ANN401  store records
    from swapinfer.ledger.replay import replay

    belief = believe(replay(records, pack))
    settings = plan_settings(shop, belief.evidence.job)
    return next_steps(belief.evidence, belief.posterior, settings).best.title
