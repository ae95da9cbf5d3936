"""Lives learned from the exposure of a fleet that knows how far its vehicles were driven."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from swapinfer.workflow.facts import Facts
from swapinfer.workflow.priors import pack_to_learn_on
from swapinfer.workflow.shop import Shop

if TYPE_CHECKING:
    from swapinfer.learn.fleet import LivesResult


@dataclass(frozen=True, slots=True)
class LifeLine:
    """Life in km and shape of a mode, before and as learned, each with a 90 % interval."""

    cause: str
    failures: int
    life_before: float
    life: float
    life_low: float
    life_high: float
    shape_before: float
    shape: float
    shape_low: float
    shape_high: float


@dataclass(frozen=True, slots=True)
class LivesView(Facts):
    """What learning lives wrote, from how many rows."""

    shape: ClassVar[str] = "lives/1"

    overlay: str
    report: str
    refused: str
    rows_used: int
    rows_refused: int
    element_km: dict[str, float]
    lives: tuple[LifeLine, ...]
    remarks: tuple[str, ...] = ()


def learn_fleet_lives(
    shop: Shop, table: Path, out: Path, *, seed: int = 1, is_showing: bool = False
) -> LivesView:
    """Learn an overlay of lives from a table of exposure.

    Parameters
    ----------
    shop : Shop
        Whose pack is learned on.
    table : Path
        Exposure, CSV or Parquet.
    out : Path
        Folder to write to.
    seed : int
        The same seed gives the same overlay.
    is_showing : bool
        Whether progress is shown.

    Raises
    ------
    LearnError
        If the table cannot be read or the sampler does not become healthy.
    """
    from swapinfer.learn.fleet import learn_lives

    pack, left_out = pack_to_learn_on(shop)
    result = learn_lives(table, pack, seed=seed, out=out, progress=is_showing)
    return view_lives(result, left_out)


def view_lives(result: LivesResult, remarks: tuple[str, ...] = ()) -> LivesView:
    """Say what learning lives wrote."""
    return LivesView(
        overlay=str(result.overlay),
        report=str(result.report),
        refused=str(result.refused),
        rows_used=result.exposure.used,
        rows_refused=result.exposure.refused.total(),
        element_km=result.exposure.element_km,
        lives=tuple(
            LifeLine(
                cause=one.cause,
                failures=one.failures,
                life_before=one.base_life[1],
                life=one.life[1],
                life_low=one.life[0],
                life_high=one.life[2],
                shape_before=one.base_shape[1],
                shape=one.shape[1],
                shape_low=one.shape[0],
                shape_high=one.shape[2],
            )
            for one in result.lives
        ),
        remarks=remarks,
    )
