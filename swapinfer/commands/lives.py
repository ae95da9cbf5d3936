"""Lives learned from the exposure of a fleet that knows how far its vehicles were driven."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from msgspec import Struct

from swapinfer.commands.facts import Facts
from swapinfer.commands.priors import LearnOptions, pack_to_learn_on
from swapinfer.commands.shop import Shop
from swapinfer.drafts import whole_folder

if TYPE_CHECKING:
    from swapinfer.learn.fleet import LivesResult


class LifeLine(Struct, frozen=True):
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


class LivesView(Facts, frozen=True):
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


def learn_fleet_lives(shop: Shop, table: Path, out: Path, options: LearnOptions) -> LivesView:
    """Learn an overlay of lives from a table of exposure.

    Parameters
    ----------
    shop : Shop
        Whose pack is learned on.
    table : Path
        Exposure, CSV or Parquet.
    out : Path
        Folder to write to.
    options : LearnOptions
        Of these its seed and what is shown.

    Raises
    ------
    LearnError
        If the table cannot be read or the sampler does not become healthy; then nothing at all
        is written.
    """
    from swapinfer.learn.fleet import learn_lives

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        result = learn_lives(
            table,
            pack,
            seed=options.seed,
            out=draft,
            progress=options.is_showing,
            starting=options.starting,
        )
    return view_lives(result, out, left_out)


def view_lives(result: LivesResult, out: Path, remarks: tuple[str, ...] = ()) -> LivesView:
    """Say what learning lives wrote, and that it lies in a folder now."""
    return LivesView(
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
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
