"""How a shop plans: by its own figures, and by what the technician said about this moment."""

from __future__ import annotations

from msgspec import Struct

from swapinfer.commands.causes import Belief
from swapinfer.commands.page import money
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, near_match
from swapinfer.ledger.replay import Job
from swapinfer.plan.costing import PlanSettings
from swapinfer.plan.next import next_steps


class StepLine(Struct, frozen=True):
    """A next step in one line: id, title, minutes, money, and expected total cost."""

    id: str
    title: str
    minutes: float
    money: float
    expected_total: float


class Limits(Struct, frozen=True):
    """What the technician said about this moment.

    Attributes
    ----------
    lacking : tuple of str
        Tools that are not at hand, beside those the shop lacks.
    minutes, money : float or None
        Most that a step may take or cost.
    cheapest : str
        What "cheapest" means: money, minutes or driving.
    depth : int
        Steps looked ahead.
    """

    lacking: tuple[str, ...] = ()
    minutes: float | None = None
    money: float | None = None
    cheapest: str = "money"
    depth: int = 2

    @property
    def restrict(self) -> bool:
        """Whether anything is limited."""
        return bool(self.lacking) or self.minutes is not None or self.money is not None


def plan_settings(shop: Shop, job: Job, limits: Limits | None = None) -> PlanSettings:
    """Shop's figures and this moment's limits as planning takes them.

    Raises
    ------
    InputError
        If a tool or the meaning of "cheapest" is unknown.
    """
    limits = limits or Limits()
    known = job.pack.tools
    lacking = [_tool(name, known) for name in (*shop.settings.missing_tools, *limits.lacking)]
    return PlanSettings(
        costs=shop.settings.costs(job.pack),
        missing_tools=frozenset(lacking),
        part_prices=shop.settings.part_prices,
        objective=limits.cheapest,
        minutes_left=limits.minutes,
        money_left=limits.money,
        depth=limits.depth,
    )


def _tool(name: str, known: dict[str, str]) -> str:
    word = "-".join(name.lower().split())
    if word not in known:
        raise InputError(f'no tool "{name}"{near_match(word, known)}')
    return word


def first_step(shop: Shop, belief: Belief) -> StepLine:
    """Cheapest next step in one line."""
    job = belief.evidence.job
    best = next_steps(belief.evidence, belief.posterior, plan_settings(shop, job)).best
    minutes = best.minutes + best.drive_minutes
    return StepLine(best.id, best.title, minutes, best.money, best.expected_total)


def step_words(step: StepLine, currency: str) -> str:
    """One line of a next step."""
    return (
        f"{step.title} ({step.minutes:.0f} min, {money(step.money, currency)}; "
        f"whole way out about {money(step.expected_total, currency)})"
    )
