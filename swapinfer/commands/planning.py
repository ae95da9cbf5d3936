"""How a shop plans: by its own figures; and the step that comes first, in one line."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct

from swapinfer.commands.causes import Belief
from swapinfer.commands.page import money
from swapinfer.commands.shop import Shop
from swapinfer.errors import known_word
from swapinfer.ledger.replay import Job
from swapinfer.plan.costing import PlanSettings

SHOWN_MINUTES = 0.5
"""Less driving is not told."""


class StepLine(Struct, frozen=True):
    """A next step in one line: id, title, minutes, money, and expected total cost."""

    id: str
    title: str
    minutes: float
    money: float
    expected_total: float


def plan_settings(shop: Shop, job: Job, lacking: Iterable[str] = ()) -> PlanSettings:
    """Shop's figures as planning takes them.

    Parameters
    ----------
    shop : Shop
        Whose settings hold.
    job : Job
        Whose pack's costs and tools hold where the shop has none of its own.
    lacking : iterable of str, optional
        Tools that are not at hand now, beside those the shop has not.

    Raises
    ------
    InputError
        If a tool is unknown, or nobody said what the pack's currency is worth.
    """
    tools = job.pack.tools
    missing = frozenset(
        known_word(name, tools, f'no tool "{name}"')
        for name in (*shop.settings.missing_tools, *lacking)
    )
    return PlanSettings.of_shop(job.pack, shop.settings.money, missing)


def first_step(shop: Shop, belief: Belief) -> StepLine:
    """Cheapest next step in one line."""
    from swapinfer.plan.next import next_steps

    job = belief.evidence.job
    best = next_steps(belief.evidence, belief.posterior, plan_settings(shop, job)).best
    minutes = best.minutes + best.drive_minutes
    return StepLine(best.id, best.title, minutes, best.money, best.expected_total)


def step_words(step: StepLine, currency: str) -> str:
    """One line of a next step."""
    spent = spent_words(step.minutes, 0.0, step.money, currency)
    return f"{step.title} ({spent}; {whole_way(step.expected_total, currency)})"


def spent_words(minutes: float, drive_minutes: float, amount: float, currency: str) -> str:
    """Say what a step takes and costs."""
    on_average = " on average" if drive_minutes >= SHOWN_MINUTES else ""
    return f"{time_words(minutes, drive_minutes)}{on_average}, {money(amount, currency)}"


def time_words(minutes: float, drive_minutes: float) -> str:
    """Say how long work takes, and driving if there is any."""
    driving = f" + {drive_minutes:.0f} driving" if drive_minutes >= SHOWN_MINUTES else ""
    return f"{minutes:.0f} min{driving}"


def whole_way(expected_total: float, currency: str) -> str:
    """Say what it is expected to cost until the vehicle is verified."""
    return f"in all about {money(expected_total, currency)}"
