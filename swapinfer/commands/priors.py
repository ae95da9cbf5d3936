"""Priors shown and checked: numbers with their sources, and what overlays change of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import Fuel, Ignition, Overlays, command, complete_layout
from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.pack.engine import require_engine
from swapinfer.pack.load import load_pack, read_files, thousands_written, where_written
from swapinfer.pack.model import Pack
from swapinfer.pack.money import kept_in_another_currency
from swapinfer.pack.provenance import (
    changed_numbers,
    numbers_by_grade,
    numbers_under,
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


class NumberLine(Struct, frozen=True):
    """A number of the priors, where it stands and where it comes from."""

    path: str
    value: Any
    grade: str
    source: str


class PriorsView(Facts, frozen=True):
    """Numbers at or below a path, and how many there are of each provenance in all."""

    shape: ClassVar[str] = "priors/1"

    name: str
    version: str
    digest: str
    numbers: tuple[NumberLine, ...]
    grades: dict[str, int]


@command("priors show", "priors show element.coil.mode.breakdown")
def show_priors(
    path: Annotated[str, typer.Argument(help="Dotted keys as in the files.")] = "running",
    priors: Overlays = None,
) -> PriorsView:
    """Show numbers with their provenance; an empty path is the whole pack."""
    pack = load_pack(priors or ())
    numbers = tuple(
        NumberLine(name, value, source.grade, source.text)
        for name, (value, source) in numbers_under(pack, path).items()
    )
    return PriorsView(pack.name, pack.version, pack.digest, numbers, numbers_by_grade(pack))


@show.register
def _(facts: PriorsView, page: Page) -> str:
    lines = page.wrap(f"priors {facts.name} {facts.version} ({facts.digest[:12]})")
    counts = ", ".join(f"{count} {grade}" for grade, count in facts.grades.items())
    lines += page.wrap(f"numbers by provenance: {counts}", indent=2)
    for number in facts.numbers:
        lines += page.wrap(f"{number.path} = {number.value}", indent=2)
        lines += page.wrap(f"{number.grade}: {number.source}", indent=6)
    return "\n".join(lines)


class ShareChange(Struct, frozen=True):
    """Share of a cause in all misfires of an engine, under the base and with what differs."""

    cause: str
    before: float
    after: float


class NumberChange(Struct, frozen=True):
    """A number that overlays change, by dotted keys as in the files, with its file and line.

    `before` is None where the base has none; `share` is what this number alone does to the share of
    the cause that it changes most, if it changes any.
    """

    path: str
    before: Any
    after: Any
    where: str
    grade: str
    source: str
    share: ShareChange | None


class OverlaysView(Facts, frozen=True):
    """What overlays change in a base, and what was probably meant otherwise.

    Numbers stand in the order of the pack; `causes` are those that all numbers together change
    most, by their shares of all misfires of the engine.
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
    ignition: Ignition = "coil-on-plug",
    fuel: Fuel = "port",
) -> OverlaysView:
    """Check overlay files, and show each number that they change and what that does."""
    from swapinfer.pack.hazard import cause_shares

    base, pack = load_pack(), load_pack(overlays)
    fitment = {"ignition": ignition, "fuel": fuel}
    require_engine(base, layout, fitment)
    files = [file for path in overlays for file in read_files(path)]
    before = cause_shares(base, layout, fitment)
    numbers, warnings, written = [], [], thousands_written(files)
    for change in changed_numbers(base, pack):
        alone = with_one(base, pack, change.path)
        shares = cause_shares(alone, layout, fitment) if alone else before
        where = where_written(files, change.path.split("."))
        source = provenance_of(pack, change.path)
        share = next(iter(_changes(pack, before, shares)), None)
        numbers.append(
            NumberChange(
                change.path, change.before, change.after, where, source.grade, source.text, share
            )
        )
        if (meant := slip_of(change)) is not None:
            warnings.append(
                f"{where}: {change.path} is {_plain(change.after)} where the base has "
                f"{_plain(change.before)}; was {_plain(meant)} meant? {THOUSAND}"
            )
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


def _changes(pack: Pack, before: Shares, after: Shares) -> tuple[ShareChange, ...]:
    """List the causes whose shares differ, most first."""
    lines = []
    for cause, share in after.items():
        was = before.get(cause, 0.0)
        if abs(share - was) > SAME:
            kind, mode = cause.split(".")
            title = f"{pack.kinds[kind].title}: {pack.kinds[kind].modes[mode].title}"
            lines.append(ShareChange(title, was, share))
    return tuple(sorted(lines, key=lambda one: -abs(one.after - one.before)))


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
            shares = f"{percent(number.share.before)} -> {percent(number.share.after)}"
            lines += page.wrap(f"alone: {shares} {number.share.cause}", indent=6)
        is_known, source = number.source == source, number.source
        said = "as above" if is_known else f"{number.grade}: {source}"
        lines += page.wrap(f"{number.where}, {said}", indent=6)
    if facts.causes:
        lines += ["", "all together"]
        lines += page.table(
            [[percent(c.before), "->", percent(c.after), c.cause] for c in facts.causes],
            right=[0, 2],
        )
    return "\n".join([*lines, *page.each(facts.warnings, "note: ", hang=6)])
