"""Priors learned from what a fleet drove and what failed on the way: lives, and rates."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.learning import (
    SHOWN_CAUSES,
    Seed,
    pack_to_learn_on,
    sampling_of,
    say_files,
    say_rows,
)
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop
from swapinfer.drafts import whole_folder
from swapinfer.units import NORMAL_90

if TYPE_CHECKING:
    from swapinfer.learn.learn import LearnResult
    from swapinfer.learn.lives import LearnedLives


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


class RateLine(Struct, frozen=True):
    """How often a mode failed, how often the base pack expected, and the hazard ratio, 90 %."""

    cause: str
    title: str
    failures: int
    expected: float
    ratio: float
    low: float
    high: float


class RatesView(Facts, frozen=True):
    """What learning rates wrote, from how many rows."""

    shape: ClassVar[str] = "rates/1"

    overlay: str
    refused: str
    rows_used: int
    rows_refused: int
    rates: tuple[RateLine, ...]
    remarks: tuple[str, ...] = ()


@command("priors lives", "priors lives fleet.csv --out lives", has_store=False)
def learn_fleet_lives(
    shop: Shop,
    table: Annotated[Path, typer.Argument(help="Table of a fleet's exposure.")],
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("lives"),
    family: Annotated[str, typer.Option(help="Vehicle family; default the whole mix.")] = "",
    seed: Seed = 1,
) -> LivesView:
    """Learn an overlay of lives from a table of exposure, CSV or Parquet.

    Raises
    ------
    LearnError
        If the table cannot be read or the sampler does not become healthy; then nothing at all
        is written.
    """
    from swapinfer.learn.learn import learn_lives

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        result = learn_lives(
            table,
            pack,
            draft,
            sampling_of(seed, "half a minute or more"),
            family,
        )
    return view_lives(result, out, left_out)


def view_lives(
    result: LearnResult[LearnedLives], out: Path, remarks: tuple[str, ...] = ()
) -> LivesView:
    """Say what learning lives wrote, and that it lies in a folder now."""
    return LivesView(
        overlay=str(out / result.overlay.name),
        report=str(out / result.report.name),
        refused=str(out / result.refused.name),
        rows_used=result.learned.exposure.used,
        rows_refused=result.learned.exposure.refused.total(),
        element_km=result.learned.exposure.element_km,
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
            for one in result.learned.modes
        ),
        remarks=remarks,
    )


@command("priors rates", "priors rates fleet.csv --out rates", has_store=False)
def learn_fleet_rates(
    shop: Shop,
    tables: Annotated[list[Path], typer.Argument(help="Tables of failures and distances.")],
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("rates"),
    family: Annotated[str, typer.Option(help="Vehicle family; default the whole mix.")] = "",
) -> RatesView:
    """Learn an overlay from how often parts failed, and how far they were driven in all.

    Raises
    ------
    LearnError
        If a table cannot be read, or the family is not in them; then nothing at all is written.
    """
    from swapinfer.learn.learn import OVERLAY, REFUSED
    from swapinfer.learn.overlay import rates_overlay
    from swapinfer.learn.rates import learn_from_rates, read_rates

    pack, left_out = pack_to_learn_on(shop)
    with whole_folder(out) as draft:
        draft.mkdir(parents=True, exist_ok=True)
        rates = read_rates(tables, pack, refused_to=draft / REFUSED)
        learned = learn_from_rates(rates, pack, family)
        (draft / OVERLAY).write_text(rates_overlay(learned), encoding="utf-8")
    return RatesView(
        overlay=str(out / OVERLAY),
        refused=str(out / REFUSED),
        rows_used=rates.used,
        rows_refused=rates.refused.total(),
        rates=tuple(
            RateLine(
                cause=one.cause,
                title=learned.titles[one.cause],
                failures=one.events,
                expected=one.expected,
                ratio=one.median,
                low=one.median / one.spread**NORMAL_90,
                high=one.median * one.spread**NORMAL_90,
            )
            for one in learned.modes
        ),
        remarks=left_out,
    )


@show.register
def _(facts: RatesView, page: Page) -> str:
    lines = say_rows(facts.rows_used, facts.rows_refused, facts.remarks, page)
    rows = [["failed", "expected", "ratio", "90 %", "mode"]]
    for one in sorted(facts.rates, key=lambda rate: -rate.failures):
        between = f"{one.low:.2f} to {one.high:.2f}"
        rows.append(
            [str(one.failures), f"{one.expected:.1f}", f"{one.ratio:.2f}", between, one.title]
        )
    lines += page.table(rows, right=[0, 1, 2, 3])
    return "\n".join(lines + say_files(facts, page, f"open RO --priors {facts.overlay}"))


@show.register
def _(facts: LivesView, page: Page) -> str:
    lines = say_rows(facts.rows_used, facts.rows_refused, facts.remarks, page)
    rows = [["life before", "after", "90 %, 1000 km", "shape", "failed", "mode"]]
    for one in sorted(facts.lives, key=lambda life: -life.failures)[:SHOWN_CAUSES]:
        before, middle, low, high = (
            f"{km / 1000:,.0f}" for km in (one.life_before, one.life, one.life_low, one.life_high)
        )
        shape, failed = f"{one.shape:.2f}", str(one.failures)
        rows.append([before, middle, f"{low} to {high}", shape, failed, one.cause])
    lines += page.table(rows, right=[0, 1, 2, 3, 4])
    if len(facts.lives) > SHOWN_CAUSES:
        lines += page.wrap(f"{len(facts.lives) - SHOWN_CAUSES} more modes are in the report")
    return "\n".join(
        lines + say_files(facts, page, f"open RO --priors {facts.overlay}", facts.report)
    )
