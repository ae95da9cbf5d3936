"""Overlay files checked: each number before and after, and what it does to the shares of causes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command, complete_layout
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.pack.engine import require_offered
from swapinfer.pack.hazard import cause_shares
from swapinfer.pack.load import load_pack, read_files, thousands_written, where_written
from swapinfer.pack.model import Pack
from swapinfer.pack.money import kept_in_another_currency
from swapinfer.pack.provenance import (
    Revision,
    changed_numbers,
    provenance_of,
    slip_of,
    with_one,
)

SHOWN_CAUSES = 6
"""Causes whose shares are told, those that change most."""

SAME = 1e-4
"""Change of a share that is none."""

THOUSAND = "In TOML a point stands before decimals, and 1_000 is a thousand"

Shares = dict[str, float]


class ShareChange(Struct, frozen=True):
    """Share of a cause in all misfires of an engine, under the base and with what differs."""

    cause: str
    before: float
    after: float


class NumberChange(Struct, frozen=True):
    """A number that overlays change.

    Attributes
    ----------
    path : str
        Dotted keys as in the files.
    before, after : object
        A number or a list of them; None before where the base has none.
    where : str
        File and line.
    grade, source : str
        Where it comes from.
    share : ShareChange or None
        What this number alone does to the share of the cause that it changes most; None where it
        changes none.
    """

    path: str
    before: Any
    after: Any
    where: str
    grade: str
    source: str
    share: ShareChange | None


class OverlaysView(Facts, frozen=True):
    """What overlays change in the base, and what looks wrong.

    Attributes
    ----------
    name, version, digest : str
        Of the pack that comes of them.
    base : str
        Name and version of what they lie on.
    engine : str
        For which shares are told.
    numbers : tuple of NumberChange
        In the order of the pack.
    causes : tuple of ShareChange
        With all of them together; those that change most, most first.
    warnings : tuple of str
        What was probably meant otherwise.
    """

    shape: ClassVar[str] = "priors-check/1"

    name: str
    version: str
    digest: str
    base: str
    engine: str
    numbers: tuple[NumberChange, ...]
    causes: tuple[ShareChange, ...]
    warnings: tuple[str, ...]


@command("priors check", "priors check ours.toml")
def check_priors(
    overlays: Annotated[list[Path], typer.Argument(help="Overlays, in the order applied.")],
    layout: Annotated[
        str, typer.Option(help="Engine for the shares.", autocompletion=complete_layout)
    ] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
) -> OverlaysView:
    """Check overlay files, and show each number that they change and what that does.

    Parameters
    ----------
    overlays : list of Path
        In the order applied.
    layout, ignition, fuel : str, optional
        Engine for which the shares of causes are told.

    Raises
    ------
    InputError
        If the priors have no such engine.
    PackError
        If a file is at fault: where, and what would be accepted.
    """
    base, pack = load_pack(), load_pack(overlays)
    require_offered(base, "layout", layout, base.layouts)
    fitment = {"ignition": ignition, "fuel": fuel}
    for axis, kind in fitment.items():
        require_offered(base, f"{axis} kind", kind, base.fitments[axis])
    files = [file for path in overlays for file in read_files(path)]
    before = cause_shares(base, layout, fitment)
    numbers, warnings, written = [], [], thousands_written(files)
    for change in changed_numbers(base, pack):
        alone = with_one(base, pack, change.path)
        shares = cause_shares(alone, layout, fitment) if alone else before
        where = where_written(files, change.path.split("."))
        numbers.append(_number(pack, change, where, _changes(pack, before, shares)[:1]))
        if (meant := slip_of(change)) is not None:
            warnings.append(_slip_words(change, where, meant))
            written.pop(where, None)
    for where, number in written.items():
        warnings.append(f"{where}: {number} is {float(number):g}. {THOUSAND}")
    if stayed := kept_in_another_currency(base, pack):
        warnings.append(
            f"costs.currency is {pack.costs.currency}, and as they were in {base.costs.currency} "
            f"are prices that are not named, and {', '.join(stayed)}: leave the currency to "
            "swapinfer settings --set currency=... --set exchange=..., which counts all of them"
        )
    return OverlaysView(
        name=pack.name,
        version=pack.version,
        digest=pack.digest,
        base=f"{base.name} {base.version}",
        engine=f"{base.layouts[layout].title}, {ignition}, {fuel}",
        numbers=tuple(numbers),
        causes=_changes(pack, before, cause_shares(pack, layout, fitment))[:SHOWN_CAUSES],
        warnings=tuple(warnings),
    )


def _number(
    pack: Pack, change: Revision, where: str, shares: tuple[ShareChange, ...]
) -> NumberChange:
    source = provenance_of(pack, change.path)
    return NumberChange(
        change.path,
        change.before,
        change.after,
        where,
        source.grade,
        source.text,
        next(iter(shares), None),
    )


def _changes(pack: Pack, before: Shares, after: Shares) -> tuple[ShareChange, ...]:
    """List the causes whose shares differ, most first."""
    lines = [
        ShareChange(_title(pack, cause), before.get(cause, 0.0), share)
        for cause, share in after.items()
        if abs(share - before.get(cause, 0.0)) > SAME
    ]
    return tuple(sorted(lines, key=lambda one: -abs(one.after - one.before)))


def _title(pack: Pack, cause: str) -> str:
    kind, mode = cause.split(".")
    return f"{pack.kinds[kind].title}: {pack.kinds[kind].modes[mode].title}"


def _slip_words(change: Revision, where: str, meant: float) -> str:
    return (
        f"{where}: {change.path} is {_plain(change.after)} where the base has "
        f"{_plain(change.before)}; was {_plain(meant)} meant? {THOUSAND}"
    )


def _plain(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_plain, value))}]"
    return f"{value:,.10g}" if isinstance(value, int | float) else str(value)


@show.register
def _(facts: OverlaysView, page: Page) -> str:
    count = f"{len(facts.numbers)} number{'s' * (len(facts.numbers) != 1)}"
    differ = "differ" if len(facts.numbers) != 1 else "differs"
    lines = page.wrap(
        f"priors {facts.name} {facts.version}: {count} {differ} from "
        f"{facts.base}; shares are of all misfires, beforehand, in {facts.engine}"
    )
    source = ""
    for number in facts.numbers:
        was = "none" if number.before is None else _plain(number.before)
        lines += page.wrap(f"{number.path}: {was} -> {_plain(number.after)}", indent=2)
        if number.share:
            lines += page.wrap(f"alone: {_share_words(number.share)}", indent=6)
        is_known, source = number.source == source, number.source
        said = "as above" if is_known else f"{number.grade}: {source}"
        lines += page.wrap(f"{number.where}, {said}", indent=6)
    if facts.causes:
        lines += ["", "all together"]
        lines += page.table(
            [[percent(c.before), "->", percent(c.after), c.cause] for c in facts.causes],
            right=[0, 2],
        )
    for warning in facts.warnings:
        lines += page.wrap(f"note: {warning}", hang=6)
    return "\n".join(lines)


def _share_words(share: ShareChange) -> str:
    return f"{percent(share.before)} -> {percent(share.after)} {share.cause}"
