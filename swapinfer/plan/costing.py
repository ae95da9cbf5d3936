"""What work costs in this job: access, parts, driving, and the risk of handling."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct, field

from swapinfer.errors import InputError, near_match
from swapinfer.evidence.states import StateSpace
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Costs, Fix, Handling, Kind, Pack, Test, known_fix
from swapinfer.pack.money import OwnMoney
from swapinfer.posterior import Posterior

OBJECTIVES: dict[str, tuple[float, float, float]] = {
    "money": (1.0, 1.0, 1.0),
    "minutes": (1.0, 1.0, 0.1),
    "driving": (1.0, 10.0, 1.0),
}
"""What "cheapest" means: weights of labour, driving, and parts; risks always count in full."""


class PlanSettings(Struct, frozen=True):
    """What planning must know about the shop and its wishes.

    Attributes
    ----------
    costs : Costs
        Of the pack, with the shop's own figures in their place.
    missing_tools : frozenset of str
        Tools that the shop has not.
    part_prices : mapping of str to float
        Kind to price, instead of the pack's typical price.
    exchange : float
        What the pack's other amounts are multiplied by; `costs` and `part_prices` hold as they are.
    away : frozenset of str
        Kinds of part that are not in stock.
    objective : str
        One of `OBJECTIVES`.
    minutes_left : float or None
        Longest step that fits; None for no limit.
    money_left : float or None
        Most that a step may cost; None for no limit.
    avoided : frozenset of str
        Tests not to be proposed.
    depth : int
        Steps looked ahead.
    """

    costs: Costs
    missing_tools: frozenset[str] = frozenset()
    part_prices: Mapping[str, float] = field(default_factory=dict)
    exchange: float = 1.0
    away: frozenset[str] = frozenset()
    objective: str = "money"
    minutes_left: float | None = None
    money_left: float | None = None
    avoided: frozenset[str] = frozenset()
    depth: int = 2

    @classmethod
    def of_shop(
        cls, pack: Pack, own: OwnMoney, missing_tools: frozenset[str] = frozenset()
    ) -> PlanSettings:
        """Take a shop's own figures, and everything else from a pack, in the shop's currency."""
        return cls(
            costs=own.costs(pack),
            missing_tools=missing_tools,
            part_prices=own.part_prices,
            exchange=own.factor(pack),
        )

    def __post_init__(self) -> None:
        if self.objective not in OBJECTIVES:
            raise InputError(
                f'no objective "{self.objective}"{near_match(self.objective, OBJECTIVES)}'
            )


class Effort(Struct, frozen=True):
    """What a step takes."""

    minutes: float = 0.0  # labour, driving not counted
    drive_minutes: float = 0.0
    parts: float = 0.0
    risk: float = 0.0  # expected cost of what handling may break, or of a comeback

    def __add__(self, other: Effort) -> Effort:
        return Effort(
            self.minutes + other.minutes,
            self.drive_minutes + other.drive_minutes,
            self.parts + other.parts,
            self.risk + other.risk,
        )


class Cost(Struct, frozen=True):
    """An effort in terms of the objective."""

    labour: float
    driving: float
    parts: float
    risk: float

    @property
    def total(self) -> float:
        """All together."""
        return self.labour + self.driving + self.parts + self.risk


class Task(Struct, frozen=True):
    """Hands-on work on one thing."""

    effort: Effort  # once it can be reached
    opens_p: dict[str, float]  # what must be off, outermost first, and the chance of it


class RepairTask(Task, frozen=True):
    """What putting an element right takes, on average over how it may have failed."""

    fix: Fix  # the likeliest


class WorkSum(Struct, frozen=True):
    """What tasks done in one go come to."""

    effort: Effort  # access counted once
    disturbs: tuple[tuple[str, Handling], ...]
    opens: tuple[str, ...]


def mode_weights(space: StateSpace, posterior: Posterior, element: str) -> dict[str, float]:
    """Probability of each way in which an element may have failed."""
    e = space.index[element]
    weights: dict[str, float] = {}
    for state, p in zip(space.states[e], posterior.marginal_es[e].tolist(), strict=False):
        if state.mode:
            weights[state.mode.id] = weights.get(state.mode.id, 0.0) + p
    return weights


class Costing(Struct, frozen=True):
    """Says what each task of a job takes and costs, planned or done."""

    job: Job  # what is open already is free to reach
    settings: PlanSettings
    _broken: dict[tuple[str, str], float] = field(default_factory=dict)

    @property
    def per_minute(self) -> float:
        """Money a minute of labour."""
        return self.settings.costs.rate_per_hour / 60.0

    @property
    def per_drive_minute(self) -> float:
        """Money a minute of driving."""
        return self.per_minute + self.settings.costs.drive_cost_per_min

    def money(self, effort: Effort) -> float:
        """Money that an effort costs."""
        labour = self.per_minute * effort.minutes
        return labour + self.per_drive_minute * effort.drive_minutes + effort.parts + effort.risk

    def weigh(self, effort: Effort) -> float:
        """Cost in terms of the objective; money when that is the objective."""
        return self.split(effort).total

    def split(self, effort: Effort) -> Cost:
        """Cost in terms of the objective, by what it is for."""
        work, drive, parts = OBJECTIVES[self.settings.objective]
        return Cost(
            work * self.per_minute * effort.minutes,
            drive * self.per_drive_minute * effort.drive_minutes,
            parts * effort.parts,
            effort.risk,
        )

    def reach(
        self, *needed: Mapping[str, float], now: bool = True
    ) -> tuple[float, tuple[str, ...]]:
        """Mean minutes to open, and later close, what is not open yet; and what that may be."""
        spared: dict[str, float] = {}
        for work in needed:
            for name, chance in work.items():
                spared[name] = spared.get(name, 1.0) * (1.0 - chance)
        opened = self.job.open_access if now else ()
        fresh = tuple(name for name in spared if name not in opened)
        tables = self.job.pack.access
        minutes = sum(
            (1.0 - spared[name]) * (tables[name].open_minutes + tables[name].close_minutes)
            for name in fresh
        )
        return minutes, fresh

    def testing(self, test: Test, *, is_further: bool = False) -> Task:
        """Work out what a test takes on one target."""
        effort = Effort(test.minutes_each if is_further else test.minutes)
        if not is_further:
            effort += Effort(parts=self.settings.exchange * test.consumables)
        return self._task(effort, test.access)

    def moving(self, kind: Kind) -> Task:
        """Work out what it takes two parts of a kind to change places."""
        return self._task(Effort(kind.swap_minutes), kind.access)

    def reseating(self, kind: Kind) -> Task:
        """Work out what unplugging, cleaning and refitting a contact takes."""
        costs = self.settings.costs
        return self._task(Effort(costs.reseat_minutes, parts=costs.reseat_price), kind.access)

    def reading(self) -> Task:
        """Work out what reading and clearing the codes of a drive takes."""
        return self._task(Effort(self.settings.costs.read_minutes), "")

    def waiting(self, conditions: Iterable[str]) -> Task:
        """Work out what having the conditions of a drive takes."""
        price = self.settings.costs.condition_price
        return self._task(Effort(parts=sum(price.get(tag, 0.0) for tag in conditions)), "")

    def _task(self, effort: Effort, access: str) -> Task:
        return Task(effort, dict.fromkeys(self.job.needs_open(access), 1.0))

    def repair(self, kind: Kind, mode_weights: Mapping[str, float]) -> RepairTask:
        """Work out what putting an element right takes on average."""
        return self.repair_by(kind, kind.fix_shares(mode_weights) or {kind.fix: 1.0})

    def repair_by(self, kind: Kind, share: Mapping[Fix, float]) -> RepairTask:
        """Work out what the repairs that an element may need take on average."""
        wait = self.settings.costs.part_wait if kind.id in self.settings.away else 0.0
        opens_p: dict[str, float] = {}
        for fix, p in share.items():
            for name in self.job.needs_open(kind.access_of(fix)):
                opens_p[name] = min(opens_p.get(name, 0.0) + p, 1.0)
        own, rate = self.settings.part_prices, self.settings.exchange
        effort = Effort(
            wait + sum(p * fix.minutes for fix, p in share.items()),
            parts=sum(p * own.get(kind.id, rate * fix.price[1]) for fix, p in share.items()),
        )
        return RepairTask(effort, opens_p, known_fix(share) or kind.fix)

    def work(
        self, tasks: Sequence[Task], disturbs: Iterable[tuple[str, Handling]], *, now: bool = True
    ) -> WorkSum:
        """Put tasks that are done in one go together."""
        disturbed = tuple(disturbs)
        minutes, opens = self.reach(*(task.opens_p for task in tasks), now=now)
        effort = Effort(minutes, risk=self.damage(disturbed))
        return WorkSum(sum((task.effort for task in tasks), effort), disturbed, opens)

    def needless(self, effort: Effort) -> Effort:
        """Price what a repair costs more, beyond its effort, when it was not needed."""
        share = self.settings.costs.needless_part
        return Effort(risk=share * (self.per_minute * effort.minutes + effort.parts))

    def damage(self, handled: Iterable[tuple[str, Handling]]) -> float:
        """Price the faults that handling may induce."""
        harmful = ((element, one) for element, one in handled if one.mode and one.chance > 0.0)
        return sum((one.chance * self._repair_money(e, one.mode) for e, one in harmful), start=0.0)

    def _repair_money(self, element: str, mode: str) -> float:
        """Money for putting right what was broken, verified by a drive."""
        kind = self.job.engine.kinds[self.job.elements[element].home.kind]
        if (kind.id, mode) not in self._broken:
            tasks = [self.repair(kind, {mode: 1.0}), self.reading()]
            drive = Effort(drive_minutes=self.settings.costs.drive_minutes[0])
            money = self.money(self.work(tasks, (), now=False).effort + drive)
            self._broken[kind.id, mode] = money
        return self._broken[kind.id, mode]
