"""Commands that answer questions and change nothing."""

from __future__ import annotations

from typing import Annotated

import typer

from swapinfer.commands.options import Job, Json, Store, Who
from swapinfer.commands.terminal import tell
from swapinfer.commands.typed import decimal, quantity, words

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def belief(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Show the causes with their probabilities, and combinations of them."""
    from swapinfer.commands.belief import show_belief
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_belief(shop, job), as_json=as_json)


def why(
    cause: Annotated[str, typer.Argument(help="Part or place; default the leading cause.")] = "",
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Say what every finding weighs for or against a cause."""
    from swapinfer.commands.reasons import show_why
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_why(shop, cause, job), as_json=as_json)


def next_(
    lacking: Annotated[str, typer.Option("--without", help="Tools not at hand, by commas.")] = "",
    minutes: Annotated[str, typer.Option(help="Only steps that take no longer.")] = "",
    cap: Annotated[
        float | None,
        typer.Option(parser=decimal, metavar="<number>", help="Only steps that cost no more."),
    ] = None,
    cheapest: Annotated[str, typer.Option(help="In money, minutes or driving.")] = "money",
    depth: Annotated[int, typer.Option(min=1, max=3, help="Steps looked ahead.")] = 2,
    count: Annotated[int, typer.Option(min=1, help="Steps to weigh up.")] = 5,
    mine: Annotated[str, typer.Option(help="Your own step, to be priced: 'swap coil'.")] = "",
    full: Annotated[bool, typer.Option("--full", help="Outcomes, other steps, forecast.")] = False,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Rank what to do next by expected cost to a verified repair."""
    from swapinfer.commands.planning import Limits, show_next
    from swapinfer.commands.shop import Shop

    limits = Limits(words(lacking), quantity(minutes, "min"), cap, cheapest, depth)
    with Shop(store, who) as shop:
        tell(show_next(shop, limits, job, count, mine), as_json=as_json, is_full=full)


def why_not(
    step: Annotated[str, typer.Argument(help="A step's id, or how it begins.")],
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Say why a step is not the next one, term by term."""
    from swapinfer.commands.planning import show_why_not
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_why_not(shop, step, job), as_json=as_json)


def clean(
    risk: Annotated[
        float, typer.Option(parser=decimal, metavar="<number>", help="Risk that may remain.")
    ] = 0.05,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Say how long a clean drive must be before calling it fixed."""
    from swapinfer.commands.planning import show_clean_drive
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_clean_drive(shop, risk, job), as_json=as_json)


def plan(
    depth: Annotated[int, typer.Option(min=1, max=4, help="Steps along every branch.")] = 2,
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Unfold the plan: what to do, and after each outcome what then."""
    from swapinfer.commands.planning import show_plan_tree
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(show_plan_tree(shop, depth, job), as_json=as_json)


COMMANDS = (
    ("belief", belief, "belief --json"),
    ("why", why, "why coil3"),
    ("next", next_, "next --mine 'swap coil'"),
    ("why-not", why_not, "why-not compression"),
    ("clean", clean, "clean --risk 0.02"),
    ("plan", plan, "plan --depth 2"),
)
