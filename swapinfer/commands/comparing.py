"""Two sets of priors side by side: what differs, for which jobs, and what that would have cost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
import typer
from msgspec import Struct

from swapinfer.commands.app import LAST_SEED, Fuel, Ignition, command
from swapinfer.commands.causes import believe, first_step, plan_settings
from swapinfer.commands.page import Facts, Page, money, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import watched
from swapinfer.commands.visits import Visit, list_visits
from swapinfer.errors import LearnError
from swapinfer.learn.prior import AGE_BANDS, Cell, base_shares
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import replay
from swapinfer.pack.engine import require_engine
from swapinfer.pack.hazard import cause_modes
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Mode, Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.play import Decision, Planner, Situation, play
from swapinfer.simulate.world import FIRST_DRIVE, World, draw_fault, draw_job

SHOWN_CAUSES = 12

TRIES = 200
"""Attempts to let a fault show in the first drive."""

Vehicle = tuple[World, int]
"""A vehicle, and the number that decides its further luck."""

Worked = tuple[str, float]
"""What a job that was worked began with, and what it cost."""


class HazardLine(Struct, frozen=True):
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
    """Jobs worked again under two packs: mean costs of a job, what is saved, its 90 % interval.

    `is_drawn` says that they were drawn from the second pack, the store holding none; `changed`
    counts those that would begin with another step.
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
    causes: tuple[HazardLine, ...]
    open_jobs: int
    next_steps: tuple[NextChange, ...]
    past: PastLine | None = None


@command("priors compare", "priors compare base learned/overlay.toml")
def compare_priors(
    shop: Shop,
    before: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    after: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    layout: Annotated[str, typer.Option(help="Engine for the shares.")] = "inline-4",
    ignition: Ignition = "coil-on-plug",
    fuel: Fuel = "port",
    past: Annotated[
        int, typer.Option(min=0, help="Past jobs to work again under both; takes seconds each.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=0, max=LAST_SEED, help="The same seed draws the same luck.")
    ] = 1,
) -> ComparedView:
    """Say what differs between two sets of priors, and whether any next step does."""
    old, new = (load_pack(() if one == "base" else [Path(one)]) for one in (before, after))
    fitment = {"ignition": ignition, "fuel": fuel}
    require_engine(old, layout, fitment)
    cell = Cell(layout, ignition, fuel, family="", age=AGE_BANDS[-1], complaint="misfire")
    open_rows = shop.store.jobs("open")
    changes = []
    for row in open_rows:
        events = list(read_events(shop.store.records(row.job)))
        was, now = (first_step(shop, believe(replay(events, pack))).title for pack in (old, new))
        if was != now:
            changes.append(NextChange(row.ro, was, now))
    again = None
    if past:
        vehicles = past_vehicles(list_visits(shop), old, past, seed)
        is_drawn = not vehicles  # a shop that has no past yet gets vehicles of the second pack
        if is_drawn:
            vehicles = drawn_vehicles(new, layout, fitment, past, seed)
        settings = plan_settings(shop, vehicles[0][0].job)
        shown = watched(vehicles, "working jobs again")
        again = work_again(shown, old, new, settings, seed, is_drawn=is_drawn)
    return ComparedView(
        before=f"{old.name} {old.version}",
        after=f"{new.name} {new.version}",
        causes=compare_causes(old, new, cell),
        open_jobs=len(open_rows),
        next_steps=tuple(changes),
        past=again,
    )


def compare_causes(before: Pack, after: Pack, cell: Cell) -> tuple[HazardLine, ...]:
    """List the causes of both packs whose hazard differs, largest change of share first."""
    old, new = cause_modes(before), cause_modes(after)
    old_share, new_share = (
        dict(zip(cause_modes(pack), base_shares(pack, (cell,))[0].tolist(), strict=True))
        for pack in (before, after)
    )
    changes = [
        HazardLine(
            cause, _hazard(new[cause]) / _hazard(old[cause]), old_share[cause], new_share[cause]
        )
        for cause in old
        if cause in new and old[cause] != new[cause]
    ]
    return tuple(sorted(changes, key=lambda one: -abs(one.share_after - one.share_before)))


def _hazard(mode: Mode) -> float:
    """Median cumulative hazard up to the usual distance unit, up to a constant."""
    return float(mode.hazard_ratio.median * (1e5 / mode.life_km.median) ** mode.shape)


def past_vehicles(visits: Iterable[Visit], pack: Pack, count: int, seed: int) -> list[Vehicle]:
    """Rebuild the vehicles of the latest past jobs whose one cause is known and was verified.

    The faults are those that were found; how severe they are, and the first drive, in which the
    misfire was seen, are drawn from the pack.
    """
    every = list(visits)
    returned = {visit.comeback_of for visit in every}
    plain = [v for v in every if not v.comeback_of and v.name not in returned]
    found: list[Vehicle] = []
    for number, visit in enumerate(reversed(plain)):
        if len(found) == count:
            break
        world = _seen_again(visit, pack, np.random.default_rng([seed, number]))
        if world is not None:
            found.append((world, number))
    return found


def _seen_again(visit: Visit, pack: Pack, rng: np.random.Generator) -> World | None:
    closing, job = visit.closing, visit.job
    if closing is None or not closing.verified or len(closing.causes) != 1:
        return None
    (cause,), name = closing.causes, closing.modes[0]
    kind = pack.kinds.get(job.elements[cause].home.kind)
    mode = kind.modes.get(name) if kind else None
    if mode is None or job.elements[cause].is_new:
        return None
    for _ in range(TRIES):
        world = World(pack, job.opening, {cause: draw_fault(pack, mode, rng)}, rng)
        if world.drive(FIRST_DRIVE):
            return world
    return None


def drawn_vehicles(
    pack: Pack, layout: str, fitment: Mapping[str, str], count: int, seed: int
) -> list[Vehicle]:
    """Draw vehicles from a pack."""
    return [
        (draw_job(pack, layout, fitment, np.random.default_rng([seed, number])), number)
        for number in range(count)
    ]


def work_again(
    vehicles: Iterable[Vehicle],
    before: Pack,
    after: Pack,
    settings: PlanSettings,
    seed: int,
    *,
    is_drawn: bool = False,
) -> PastLine:
    """Let the planner work on the same vehicles, gone through once, believing either pack."""
    planner = Planner(settings.depth)

    def work(world: World, pack: Pack) -> Worked:
        decisions: list[Decision] = []

        def decide(situation: Situation) -> Decision:
            decisions.append(planner(situation))
            return decisions[-1]

        cost = play(world, decide, settings, pack).cost
        return str(decisions[0]), cost

    pairs = [
        (work(world.copy(luck), before), work(world.copy(luck), after)) for world, luck in vehicles
    ]
    return compare_costs(pairs, seed, settings.costs.currency, is_drawn=is_drawn)


def compare_costs(
    pairs: Sequence[tuple[Worked, Worked]], seed: int, currency: str, *, is_drawn: bool = False
) -> PastLine:
    """Compare what jobs cost that were worked twice.

    Notes
    -----
    Costs of one job under both packs are paired, so the interval is of the mean difference:
    percentile bootstrap, 2,000 resamples (Efron, Annals of Statistics 7, 1979).
    """
    if not pairs:
        raise LearnError("there is no past job to work again")
    cost_jp = np.array([[old[1], new[1]] for old, new in pairs])
    saved_j = cost_jp[:, 0] - cost_jp[:, 1]
    rng = np.random.default_rng(seed)
    means = np.array([rng.choice(saved_j, size=len(saved_j)).mean() for _ in range(2000)])
    low, high = np.quantile(means, [0.05, 0.95]).tolist()
    before, after = cost_jp.mean(axis=0).tolist()
    changed = sum(old[0] != new[0] for old, new in pairs)
    saved = float(saved_j.mean())
    return PastLine(len(pairs), is_drawn, before, after, saved, low, high, changed, currency)


@show.register
def _(facts: ComparedView, page: Page) -> str:
    lines = page.wrap(f"{facts.before} -> {facts.after}")
    rows = [["hazard", "share before", "after", "cause"]]
    rows += [
        [f"x {c.factor:.2f}", percent(c.share_before), percent(c.share_after), c.cause]
        for c in facts.causes[:SHOWN_CAUSES]
    ]
    lines += page.table(rows, right=[0, 1, 2])
    lines += page.wrap(
        f"{len(facts.next_steps)} of {facts.open_jobs} open jobs get another next step"
    )
    for change in facts.next_steps:
        lines += page.wrap(f"{change.ro}: {change.before} -> {change.after}", indent=2)
    lines += _say_past(facts.past, page) if facts.past else []
    return "\n".join(lines)


def _say_past(past: PastLine, page: Page) -> list[str]:
    origin = "drawn jobs, worked" if past.is_drawn else "past jobs, worked again"
    lines = page.wrap(
        f"{past.jobs} {origin} under both: {money(past.cost_before, past.currency)} -> "
        f"{money(past.cost_after, past.currency)} a job, saved {money(past.saved, past.currency)} "
        f"(90 % {money(past.low, past.currency)} to {money(past.high, past.currency)}); "
        f"{past.changed} begin with another step",
        hang=4,
    )
    caution = (
        "the store holds no verified job, so these were drawn from the second priors: it is what "
        "they save if they are right"
        if past.is_drawn
        else "the faults are those that were found, what tests and drives show is drawn by the "
        "first priors; priors that were learned from these very jobs look better than they are"
    )
    return lines + page.wrap(caution, indent=4)
