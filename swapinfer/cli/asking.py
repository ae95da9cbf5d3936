"""Commands that answer questions and change nothing."""

from __future__ import annotations

from typing import Annotated

import typer

from swapinfer.cli.options import Job, Json, Store, Who, tell

EXAMPLE = "Example: swapinfer "


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


def jobs(
    status: Annotated[str, typer.Option(help="Only open, closed or verified ones.")] = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """List jobs at a glance."""
    from swapinfer.workflow.ask import list_jobs
    from swapinfer.workflow.shop import Shop

    with Shop(store, who) as shop:
        tell(list_jobs(shop, status), as_json=as_json)


def use(
    ro: Annotated[str, typer.Argument(help="Repair-order number.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Make a job the current one."""
    from swapinfer.workflow.ask import choose_job
    from swapinfer.workflow.shop import Shop

    with Shop(store, who) as shop:
        tell(choose_job(shop, ro), as_json=as_json)


def show(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Show a whole job."""
    from swapinfer.workflow.ask import show_job
    from swapinfer.workflow.shop import Shop

    with Shop(store, who) as shop:
        tell(show_job(shop, job), as_json=as_json)


def parts(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Show where every part is and the moves that put all back."""
    from swapinfer.workflow.ask import show_parts
    from swapinfer.workflow.shop import Shop

    with Shop(store, who) as shop:
        tell(show_parts(shop, job), as_json=as_json)


def belief(job: Job = "", as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Show the causes with their probabilities, and combinations of them."""
    from swapinfer.workflow.ask import show_belief
    from swapinfer.workflow.shop import Shop

    with Shop(store, who) as shop:
        tell(show_belief(shop, job), as_json=as_json)


COMMANDS = (
    ("jobs", jobs, "jobs --status open"),
    ("use", use, "use RO-7"),
    ("show", show, "show --job RO-7"),
    ("parts", parts, "parts"),
    ("belief", belief, "belief --json"),
)
