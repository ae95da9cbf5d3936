"""What workflow functions return: plain facts with a versioned JSON shape."""

from __future__ import annotations

import math
from typing import Any, ClassVar

from msgspec import Struct, to_builtins


class Facts(Struct, frozen=True):
    """Base of everything a command can print; `shape` names its JSON."""

    shape: ClassVar[str]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON with the shape's name first; infinities become ``"OL"``."""
        return {"shape": f"swapinfer.{self.shape}", **_plain(to_builtins(self, enc_hook=_number))}


def _number(scalar: Any) -> object:  # noqa: ANN401  a scalar of numpy's
    return scalar.item()


def _plain(value: Any) -> Any:  # noqa: ANN401  JSON holds anything
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "OL"
    return value


class ModeShare(Struct, frozen=True):
    """One way in which an element may have failed: title and probability."""

    mode: str
    title: str
    probability: float


class Cause(Struct, frozen=True):
    """An element that may be at fault.

    Attributes
    ----------
    element, label : str
        Id, and name as a person says it.
    place : str
        Where it sits now; empty on the bench.
    probability : float
        That it is, or until it was touched was, at fault.
    cured : float
        Part of that probability in which touching it has already ended the fault.
    modes : tuple of ModeShare
        The likeliest ways first.
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


class StepLine(Struct, frozen=True):
    """A next step in one line: id, title, minutes, money, and expected total cost."""

    id: str
    title: str
    minutes: float
    money: float
    expected_total: float


class Recorded(Facts, frozen=True):
    """An event was recorded.

    Attributes
    ----------
    ro : str
        Repair order.
    seq : int
        Position in the chain.
    event : str
        Type of event.
    said : tuple of str
        What was recorded, in words, one an event.
    meaning : tuple of str
        What it means, in sentences.
    before, after : tuple of Cause
        Leading causes before and after.
    next : StepLine or None
        Cheapest way on; None for a closed job.
    warnings : tuple of str
        What to look out for.
    is_supposed : bool
        Whether nothing was recorded: the event was only supposed.
    exact : bool
        Whether every combination of faults was counted.
    off_by : float
        Furthest that a probability may be from the exact one; 0 when exact.
    """

    shape: ClassVar[str] = "recorded/1"

    ro: str
    seq: int
    event: str
    said: tuple[str, ...]
    meaning: tuple[str, ...]
    before: tuple[Cause, ...]
    after: tuple[Cause, ...]
    next: StepLine | None
    currency: str
    warnings: tuple[str, ...] = ()
    is_supposed: bool = False
    exact: bool = True
    off_by: float = 0.0


class JobLine(Struct, frozen=True):
    """A job in a list; its age is in whole days, to its closing if it is closed."""

    ro: str
    status: str
    opened_at: str
    updated_at: str
    complaint: str
    leading: str
    leading_probability: float
    next_step: str
    away: tuple[str, ...]
    is_current: bool
    age_days: int


class JobList(Facts, frozen=True):
    """Jobs, the newest first."""

    shape: ClassVar[str] = "jobs/1"

    jobs: tuple[JobLine, ...]


class EventLine(Struct, frozen=True):
    """An event of a job, in words."""

    seq: int
    at: str
    who: str
    event: str
    said: str
    undone: bool


class JobView(Facts, frozen=True):
    """A whole job: engine, events, causes."""

    shape: ClassVar[str] = "job/1"

    ro: str
    status: str
    engine: str
    drawing: tuple[str, ...]
    complaint: str
    odometer: str
    driven: str
    pack: str
    events: tuple[EventLine, ...]
    causes: tuple[Cause, ...]
    away: tuple[str, ...]
    open_access: tuple[str, ...]


class PartLine(Struct, frozen=True):
    """A movable part: where it belongs and where it is."""

    part: str
    label: str
    home: str
    place: str
    is_new: bool
    is_away: bool


class PartsView(Facts, frozen=True):
    """Every movable part, and the exchanges that put all back."""

    shape: ClassVar[str] = "parts/1"

    ro: str
    parts: tuple[PartLine, ...]
    moves_home: tuple[tuple[str, str], ...]


class SetLine(Struct, frozen=True):
    """A combination of faults and its probability; empty `faults` means nothing is wrong."""

    faults: tuple[str, ...]
    probability: float


class Interval(Struct, frozen=True):
    """An element's probability over draws of the uncertain priors."""

    element: str
    low: float
    high: float


class Flip(Struct, frozen=True):
    """How far the leader's prior odds would have to fall for a rival to draw level."""

    rival: str
    factor: float


class BeliefView(Facts, frozen=True):
    """Belief about a job.

    Attributes
    ----------
    causes : tuple of Cause
        All above a hundredth of a per cent, likeliest first.
    sets : tuple of SetLine
        Combinations that together cover `covered`; `left_out` is the rest.
    intervals : tuple of Interval
        90 % intervals over the priors' uncertainty, same order as `causes`.
    flips : tuple of Flip
        For the leader's rivals.
    exact : bool
        False when fault sets had to be enumerated instead.
    off_by : float
        Furthest that a probability may be from the exact one; 0 when exact.
    log10_evidence : float
        Of all findings.
    terms, digits, largest : int
        Size of the exact pass.
    milliseconds : float
        It took.
    """

    shape: ClassVar[str] = "belief/1"

    ro: str
    causes: tuple[Cause, ...]
    sets: tuple[SetLine, ...]
    left_out: float
    intervals: tuple[Interval, ...]
    flips: tuple[Flip, ...]
    exact: bool
    off_by: float
    log10_evidence: float
    terms: int
    digits: int
    largest: int
    milliseconds: float
