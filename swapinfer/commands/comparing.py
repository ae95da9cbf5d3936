"""Two sets of priors side by side: what differs, for which jobs, and what that would have cost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, ClassVar

import numpy as np
import typer
from msgspec import Struct

from swapinfer.commands.app import LAST_SEED, command
from swapinfer.commands.causes import believe, first_step, plan_settings
from swapinfer.commands.page import Facts, Page, money, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import watched
from swapinfer.commands.visits import Visit, list_visits
from swapinfer.errors import LearnError
from swapinfer.learn.cells import AGE_BANDS, Cell
from swapinfer.learn.prior import base_shares
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import replay
from swapinfer.pack.engine import require_offered
from swapinfer.pack.hazard import cause_modes
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Mode, Pack
from swapinfer.plan.costing import PlanSettings
from swapinfer.simulate.play import Decision, Planner, Situation, play
from swapinfer.simulate.world import FIRST_DRIVE, World, draw_fault, draw_job

SHOWN_CAUSES = 12

TRIES = 200
"""Attempts to let a fault show in the first drive."""


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


@command("priors compare", "priors compare base learned/overlay.toml")
def compare_priors(
    shop: Shop,
    before: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    after: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    layout: Annotated[str, typer.Option(help="Engine for the shares.")] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
    past: Annotated[
        int, typer.Option(min=0, help="Past jobs to work again under both; takes seconds each.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=0, max=LAST_SEED, help="The same seed draws the same luck.")
    ] = 1,
) -> ComparedView:
    """Say what differs between two sets of priors, and whether any next step does.

    Parameters
    ----------
    shop : Shop
        Whose open jobs are worked under both, and past jobs if asked for.
    before, after : str
        Overlays on the base pack; ``base`` for the base itself.
    layout, ignition, fuel : str
        Engine of the shares given a complaint.
    past : int, optional
        Past jobs to work again; 0 for none.
    seed : int, optional
        Of what chance decides in them.

    Raises
    ------
    InputError
        If the priors have no such layout.
    """
    old, new = _pack_of(before), _pack_of(after)
    require_offered(old, "layout", layout, old.layouts)
    for axis, kind in (("ignition", ignition), ("fuel", fuel)):
        require_offered(old, f"{axis} kind", kind, old.fitments[axis])
    cell = Cell(layout, ignition, fuel, family="", age=AGE_BANDS[-1], complaint="misfire")
    open_rows = shop.store.jobs("open")
    changes = []
    for row in open_rows:
        events = list(read_events(shop.store.records(row.job)))
        was, now = (first_step(shop, believe(replay(events, pack))).title for pack in (old, new))
        if was != now:
            changes.append(NextChange(row.ro, was, now))
    return ComparedView(
        before=f"{old.name} {old.version}",
        after=f"{new.name} {new.version}",
        causes=compare_causes(old, new, cell),
        open_jobs=len(open_rows),
        next_steps=tuple(changes),
        past=_work_past(shop, past, (layout, ignition, fuel), (old, new), seed) if past else None,
    )


def compare_causes(before: Pack, after: Pack, cell: Cell) -> tuple[ChangeLine, ...]:
    """List the causes whose hazard differs, largest change of share first.

    Parameters
    ----------
    before, after : Pack
        To compare; causes that only one of them knows are left out.
    cell : Cell
        Engine and age band for which shares are told.
    """
    old, new = cause_modes(before), cause_modes(after)
    old_share, new_share = (
        dict(zip(cause_modes(pack), base_shares(pack, (cell,))[0].tolist(), strict=True))
        for pack in (before, after)
    )
    changes = [
        ChangeLine(
            cause=cause,
            factor=_hazard(new[cause]) / _hazard(old[cause]),
            share_before=old_share[cause],
            share_after=new_share[cause],
        )
        for cause in old
        if cause in new and old[cause] != new[cause]
    ]
    return tuple(sorted(changes, key=lambda one: -abs(one.share_after - one.share_before)))


def _hazard(mode: Mode) -> float:
    """Median cumulative hazard up to the usual distance unit, up to a constant."""
    return float(mode.hazard_ratio.median * (1e5 / mode.life_km.median) ** mode.shape)


def _pack_of(name: str) -> Pack:
    return load_pack(() if name == "base" else [Path(name)])


def _work_past(
    shop: Shop, count: int, engine: tuple[str, str, str], packs: tuple[Pack, Pack], seed: int
) -> PastLine:
    """Work past jobs again; faults are those that were found, what they show is drawn by the first.

    A shop that has no past yet gets vehicles drawn from the second.
    """
    before, after = packs
    vehicles = past_vehicles(list_visits(shop), before, count, seed)
    is_drawn = not vehicles
    if is_drawn:
        vehicles = drawn_vehicles(after, engine, count, seed)
    settings = plan_settings(shop, vehicles[0].world.job)
    shown = watched(vehicles, "working jobs again")
    return work_again(shown, before, after, settings, seed, is_drawn=is_drawn)


class TrialVehicle(Struct, frozen=True):
    """A vehicle, and the number that decides its further luck."""

    world: World
    luck: int


class _Noting(Struct):
    """A policy that notes what it decided first."""

    policy: Planner
    first: list[Decision] = []

    def __call__(self, situation: Situation) -> Decision:
        decision = self.policy(situation)
        self.first = self.first or [decision]
        return decision


def past_vehicles(visits: Iterable[Visit], pack: Pack, count: int, seed: int) -> list[TrialVehicle]:
    """Rebuild the vehicles of past jobs whose one cause is known and was verified.

    Parameters
    ----------
    visits : iterable of Visit
        In order of time; the latest are taken.
    pack : Pack
        By which they behave; how severe the fault was is drawn from it.
    count : int
        At most.
    seed : int
        Of everything that is drawn.

    Returns
    -------
    list of TrialVehicle
        With the first drive, in which the misfire was seen, recorded.
    """
    every = list(visits)
    returned = {visit.comeback_of for visit in every}
    plain = [v for v in every if not v.comeback_of and v.name not in returned]
    found: list[TrialVehicle] = []
    for number, visit in enumerate(reversed(plain)):
        if len(found) == count:
            break
        rng = np.random.default_rng([seed, number])
        world = _seen_again(visit, pack, rng)
        if world is not None:
            found.append(TrialVehicle(world, number))
    return found


def _seen_again(visit: Visit, pack: Pack, rng: np.random.Generator) -> World | None:
    closing, job = visit.closing, visit.job
    if closing is None or not closing.verified or len(closing.causes) != 1:
        return None
    kind = pack.kinds.get(job.elements[closing.causes[0]].home.kind)
    mode = kind.modes.get(closing.modes[0]) if kind else None
    if mode is None or job.elements[closing.causes[0]].is_new:
        return None
    for _ in range(TRIES):
        faults = {closing.causes[0]: draw_fault(pack, mode, rng)}
        world = World(pack, job.opening, faults, rng)
        if world.drive(FIRST_DRIVE):
            return world
    return None


def drawn_vehicles(
    pack: Pack, engine: tuple[str, str, str], count: int, seed: int
) -> list[TrialVehicle]:
    """Draw vehicles from a pack, for a shop that has no past yet.

    Parameters
    ----------
    pack : Pack
        Priors.
    engine : (str, str, str)
        Layout, ignition and fuel kind.
    count, seed : int
        How many, and of what seed.
    """
    layout, ignition, fuel = engine
    fitment = {"ignition": ignition, "fuel": fuel}
    return [
        TrialVehicle(draw_job(pack, layout, fitment, np.random.default_rng([seed, number])), number)
        for number in range(count)
    ]


def work_again(
    vehicles: Iterable[TrialVehicle],
    before: Pack,
    after: Pack,
    settings: PlanSettings,
    seed: int,
    *,
    is_drawn: bool = False,
) -> PastLine:
    """Let the planner work on the same vehicles under either pack.

    Parameters
    ----------
    vehicles : iterable of TrialVehicle
        Gone through once.
    before, after : Pack
        What the technician believes.
    settings : PlanSettings
        Shop's figures.
    seed : int
        Of the interval.
    is_drawn : bool, optional
        Whether the vehicles were drawn from a pack.
    """

    def work(vehicle: TrialVehicle, pack: Pack) -> tuple[str, float]:
        policy = _Noting(Planner(settings.depth))
        result = play(vehicle.world.copy(vehicle.luck), policy, settings, pack)
        return str(policy.first[0]), result.cost

    pairs = [(work(one, before), work(one, after)) for one in vehicles]
    return sum_up(pairs, seed, settings.costs.currency, is_drawn=is_drawn)


def sum_up(
    pairs: Sequence[tuple[tuple[str, float], tuple[str, float]]],
    seed: int,
    currency: str,
    *,
    is_drawn: bool = False,
) -> PastLine:
    """Compare what jobs cost that were worked twice.

    Parameters
    ----------
    pairs : sequence of ((str, float), (str, float))
        First step and cost of each job, under either pack.
    seed : int
        Of the bootstrap.
    currency : str
        Of the costs.
    is_drawn : bool, optional
        Whether the jobs were drawn from a pack.

    Raises
    ------
    LearnError
        If there is no job.

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
    low, high = np.quantile(means, [0.05, 0.95])
    return PastLine(
        jobs=len(pairs),
        is_drawn=is_drawn,
        cost_before=float(cost_jp[:, 0].mean()),
        cost_after=float(cost_jp[:, 1].mean()),
        saved=float(saved_j.mean()),
        low=float(low),
        high=float(high),
        changed=sum(old[0] != new[0] for old, new in pairs),
        currency=currency,
    )


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
