"""What work costs a shop, and the order in which the trade usually goes about it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Costs:
    """What work and trouble cost a shop; every one may be overlaid.

    Attributes
    ----------
    rate_per_hour : float
        Labour, in `currency`.
    drive_minutes : tuple of float
        Lengths of drive that planning considers.
    drive_conditions : tuple of tuple of str
        Conditions of drive that planning considers, the plainest first: those that can be had
        without waiting for them.
    drive_cost_per_min : float
        Fuel and wear of driving, beside labour.
    comeback : float
        Cost of a customer returning with the same trouble.
    missing_tool, part_wait : float
        Minutes lost fetching a tool, or a part not in stock.
    diagnosis_cap : float
        Cost of giving the vehicle up to someone else.
    read_minutes : float
        Connecting, reading and clearing codes, once a drive.
    reseat_minutes, reseat_price : float
        Unplugging a contact, cleaning and refitting it; what is used up.
    needless_part : float
        What a repair that was not needed costs on top, as a share of its labour and parts: parts
        that cannot be returned, a claim that is struck, a customer who remembers.
    proof : float
        Probability from which a repair needs no further test; below it something that could still
        tell comes first.
    resolution : float
        Share of a plan's expected cost within which two plans count as equally good.
    foresight : float
        How far what planning expects lies above what its plans cost when played, see
        `swapinfer.plan.outlook.Outlook.honest`; from 0 to 3.
    verify_minutes : float
        Least drive without misfire after which a repair is called verified.
    hard_drive_minutes, hard_share : float
        Longest drive to be advised when a cylinder misses all the time, and the probability of
        that from which it is taken to.
    """

    currency: str
    rate_per_hour: float
    drive_minutes: tuple[float, ...]
    drive_cost_per_min: float
    comeback: float
    missing_tool: float
    part_wait: float
    diagnosis_cap: float
    read_minutes: float = 0.0
    reseat_minutes: float = 0.0
    reseat_price: float = 0.0
    needless_part: float = 0.0
    proof: float = 0.0
    resolution: float = 0.0
    foresight: float = 0.0
    verify_minutes: float = 0.0
    hard_drive_minutes: float = math.inf
    hard_share: float = 1.0
    drive_conditions: tuple[tuple[str, ...], ...] = ((),)


@dataclass(frozen=True, slots=True)
class Custom:
    """What is usual in the trade: the order of a misfire job, and how soon is too soon.

    Attributes
    ----------
    order : tuple of (what, name)
        ``"swap"`` and a kind of part, or ``"test"`` and a test; easiest first.
    sure : float
        Probability at which a cause is taken for found.
    drive_minutes : float
        Drive after any work.
    neighbours : int
        Further targets read where readings are relative to what healthy ones show.
    comeback_days : float
        A vehicle that returns with a misfire so soon after a repair came back.
    """

    order: tuple[tuple[str, str], ...] = ()
    sure: float = 0.8
    drive_minutes: float = 20.0
    neighbours: int = 1
    comeback_days: float = 30.0
