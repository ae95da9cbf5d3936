"""Commands about priors; only learning loads PyMC."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from swapinfer.commands.options import Json, Overlays, Store, Who
from swapinfer.commands.terminal import tell
from swapinfer.commands.typed import decimal

EXAMPLE = "Example: swapinfer "
LAST_SEED = 2**32 - 1
"""Largest that every random generator in use takes."""

priors_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.add_typer(
        priors_app,
        name="priors",
        help="Show, check, learn and compare priors.",
        epilog=EXAMPLE + "priors show element.coil",
    )


@priors_app.command("show", epilog=EXAMPLE + "priors show element.coil.mode.breakdown")
def show(
    path: Annotated[str, typer.Argument(help="Dotted keys as in the files.")] = "running",
    priors: Overlays = None,
    as_json: Json = False,
) -> None:
    """Show numbers with their provenance."""
    from swapinfer.commands.priors import show_priors

    tell(show_priors(path, priors or []), as_json=as_json)


@priors_app.command("check", epilog=EXAMPLE + "priors check ours.toml")
def check(
    overlays: Annotated[list[Path], typer.Argument(help="Overlays, in the order applied.")],
    as_json: Json = False,
) -> None:
    """Check overlay files; errors name file and line."""
    from swapinfer.commands.priors import show_priors

    tell(show_priors("costs", overlays), as_json=as_json)


@priors_app.command("weight", epilog=EXAMPLE + "priors weight")
def weight(
    layout: Annotated[str, typer.Option(help="Engine of the jobs tried.")] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Say which numbers move decisions most; this takes some minutes."""
    from swapinfer.commands.influence import weigh_numbers
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        facts = weigh_numbers(shop, (layout, ignition, fuel), sys.stderr.isatty())
        tell(facts, as_json=as_json)


@priors_app.command("learn", epilog=EXAMPLE + "priors learn --out learned")
def learn(
    jobs: Annotated[Path | None, typer.Argument(help="Table of jobs; default our own.")] = None,
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("learned"),
    family: Annotated[str, typer.Option(help="Vehicle family; default the whole mix.")] = "",
    weight: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Weight of the base priors.")
    ] = 1.0,
    seed: Annotated[
        int, typer.Option(min=0, max=LAST_SEED, help="The same seed gives the same overlay.")
    ] = 1,
    cluster: Annotated[str, typer.Option(help="Address of a Dask scheduler.")] = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Learn an overlay from closed jobs; this loads PyMC and takes minutes."""
    from swapinfer.commands.priors import LearnOptions, learn_priors
    from swapinfer.commands.shop import Shop

    starting = partial(_say_sampling, "a minute or more")
    options = LearnOptions(seed, family, weight, cluster, sys.stderr.isatty(), starting)
    with Shop(store, who) as shop:
        tell(learn_priors(shop, jobs, findings, out, options), as_json=as_json)


@priors_app.command("lives", epilog=EXAMPLE + "priors lives fleet.csv --out lives")
def lives(
    table: Annotated[Path, typer.Argument(help="Table of a fleet's exposure.")],
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("lives"),
    seed: Annotated[
        int, typer.Option(min=0, max=LAST_SEED, help="The same seed gives the same overlay.")
    ] = 1,
    as_json: Json = False,
) -> None:
    """Learn an overlay of lives from a fleet's exposure; this loads PyMC."""
    from swapinfer.commands.lives import learn_fleet_lives
    from swapinfer.commands.priors import LearnOptions
    from swapinfer.commands.shop import Shop

    starting = partial(_say_sampling, "half a minute or more")
    options = LearnOptions(seed, is_showing=sys.stderr.isatty(), starting=starting)
    with Shop() as shop:
        tell(learn_fleet_lives(shop, table, out, options), as_json=as_json)


def _say_sampling(how_long: str) -> None:
    typer.echo(f"loading PyMC and sampling; this takes {how_long} ...", err=True)


@priors_app.command("compare", epilog=EXAMPLE + "priors compare base learned/overlay.toml")
def compare(
    before: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    after: Annotated[str, typer.Argument(help="Overlay, or the word base.")],
    layout: Annotated[str, typer.Option(help="Engine for the shares.")] = "inline-4",
    ignition: Annotated[str, typer.Option(help="Ignition kind.")] = "coil-on-plug",
    fuel: Annotated[str, typer.Option(help="Fuel kind.")] = "port",
    past: Annotated[
        int, typer.Option(min=0, help="Past jobs to work again under both; takes seconds each.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=0, max=LAST_SEED, help="The same seed draws the same luck.")
    ] = 1,
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Say what differs, for which open jobs, and what it would have cost on past ones."""
    from swapinfer.commands.priors import CompareOptions, compare_priors
    from swapinfer.commands.shop import Shop

    old, new = ([] if name == "base" else [Path(name)] for name in (before, after))
    options = CompareOptions((layout, ignition, fuel), past, seed, sys.stderr.isatty())
    with Shop(store, who) as shop:
        tell(compare_priors(shop, old, new, options), as_json=as_json)


@priors_app.command("strip", epilog=EXAMPLE + "priors strip jobs.csv findings.csv --out stripped")
def strip(
    jobs: Annotated[Path, typer.Argument(help="Table of jobs.")],
    findings: Annotated[Path | None, typer.Argument(help="Table of findings.")] = None,
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("stripped"),
    as_json: Json = False,
) -> None:
    """Copy history tables with running numbers for jobs and months for days."""
    from swapinfer.commands.priors import strip_tables

    tell(strip_tables(jobs, findings, out), as_json=as_json)
