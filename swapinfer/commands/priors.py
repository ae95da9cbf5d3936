"""Priors: a number with its source."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import Overlays, command
from swapinfer.commands.page import Facts, Page, show
from swapinfer.pack.load import load_pack
from swapinfer.pack.provenance import numbers_by_grade, numbers_under


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
    """Show numbers with their provenance.

    Parameters
    ----------
    path : str, optional
        Dotted keys as in the files; empty for the whole pack.
    priors : list of Path, optional
        Overlays on the base pack.

    Raises
    ------
    InputError
        If there is no number at the path.
    PackError
        If a file is at fault: where, and what would be accepted.
    """
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
