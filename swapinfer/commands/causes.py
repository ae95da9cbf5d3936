"""What a job's events lead to: causes by name, and the way on by the shop's own figures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import TYPE_CHECKING

from msgspec import Struct

from swapinfer.commands.page import money
from swapinfer.commands.shop import Shop
from swapinfer.errors import known_word
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, now_at
from swapinfer.posterior import Posterior, infer

if TYPE_CHECKING:
    from swapinfer.plan.costing import PlanSettings

WORTH_NAMING = 1e-4
"""Causes below this probability are not listed."""

SHOWN_MINUTES = 0.5
"""Less driving is not told."""

GONE = " [gone since it was touched]"
"""After a cause that touching it has more likely ended than not."""


class ModeShare(Struct, frozen=True):
    """One way in which an element may have failed: title and probability."""

    mode: str
    title: str
    probability: float


class Cause(Struct, frozen=True):
    """An element that may be at fault, or was until it was touched; `place` is empty on the bench.

    In the part of its probability that is `cured`, touching it has already ended the fault.
    """

    element: str
    label: str
    place: str
    probability: float
    cured: float
    modes: tuple[ModeShare, ...]

    @property
    def is_gone(self) -> bool:
        """Whether touching it has more likely ended the fault than not."""
        return self.cured > 0.5 * self.probability


class Belief(Struct, frozen=True):
    """Evidence and the posterior that it leads to."""

    evidence: Evidence
    posterior: Posterior


def believe(job: Job) -> Belief:
    """Gather a job's evidence and infer."""
    evidence = gather_evidence(job)
    return Belief(evidence, infer(evidence.arrays))


def list_causes(belief: Belief) -> tuple[Cause, ...]:
    """Causes by falling probability."""
    fault_e = belief.posterior.fault_e
    order = sorted(range(len(fault_e)), key=lambda e: (-round(float(fault_e[e]), 9), e))
    return tuple(_cause(belief, e) for e in order if fault_e[e] >= WORTH_NAMING)


def _cause(belief: Belief, e: int) -> Cause:
    job, space = belief.evidence.job, belief.evidence.space
    element, active_s = space.elements[e], space.active_es(job.time)[e]
    shares: dict[tuple[str, str], float] = defaultdict(float)
    cured = 0.0
    for state, p, is_active in zip(
        space.states[e], map(float, belief.posterior.marginal_es[e]), active_s, strict=False
    ):
        if state.mode:
            shares[state.mode.id, state.mode.title] += p
            cured += 0.0 if is_active else p
    modes = [ModeShare(mode, title, p) for (mode, title), p in shares.items()]
    place, where = job.place_of(element.id), now_at(job, element.id)
    label = element_label(job, element.id)
    return Cause(
        element=element.id,
        label=f"{label} ({where})" if where else label,
        place=place.id if place else "",
        probability=float(belief.posterior.fault_e[e]),
        cured=cured,
        modes=tuple(sorted(modes, key=lambda share: -share.probability)),
    )


def cause_words(cause: Cause) -> str:
    """Name a cause with its likeliest mode, and whether touching it has ended the fault."""
    words = cause.label
    if cause.modes:
        words += f": {cause.modes[0].title}"
    return words + (GONE if cause.is_gone else "")


class StepLine(Struct, frozen=True):
    """A next step in one line: id, title, minutes, money, and expected total cost."""

    id: str
    title: str
    minutes: float
    money: float
    expected_total: float


def plan_settings(shop: Shop, job: Job, lacking: Iterable[str] = ()) -> PlanSettings:
    """Shop's figures as planning takes them."""
    from swapinfer.plan.costing import PlanSettings

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
    settings = plan_settings(shop, job)
    best = next_steps(belief.evidence, belief.posterior, settings, detailed=0).best
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
