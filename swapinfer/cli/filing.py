"""Commands for exchange, and the store's health."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swapinfer.commands.options import Job, Json, Store, Who
from swapinfer.commands.terminal import tell

EXAMPLE = "Example: swapinfer "

store_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    app.add_typer(
        store_app,
        name="store",
        help="Check, rescue, back up and move what is stored.",
        epilog=EXAMPLE + "store check",
    )
    for name, command, example in COMMANDS:
        app.command(name, epilog=EXAMPLE + example)(command)


@store_app.command("check", epilog=EXAMPLE + "store check")
def check(as_json: Json = False, store: Store = "", who: Who = "") -> None:
    """Verify every chain in the store."""
    from swapinfer.commands.filing import check_store
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(check_store(shop), as_json=as_json)


@store_app.command("rescue", epilog=EXAMPLE + "store rescue damaged.db --store fresh.db")
def rescue(
    damaged: Annotated[Path, typer.Argument(help="Damaged store; it is not touched.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Save what verifies of a damaged store into this one."""
    from swapinfer.commands.filing import rescue_store
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(rescue_store(shop, damaged), as_json=as_json)


@store_app.command("backup", epilog=EXAMPLE + "store backup copy.db")
def backup(
    file: Annotated[Path, typer.Argument(help="New file.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Copy the store while it is in use."""
    from swapinfer.commands.filing import back_up
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(back_up(shop, file), as_json=as_json)


@store_app.command("restore", epilog=EXAMPLE + "store restore copy.db --store fresh.db")
def restore(
    file: Annotated[Path, typer.Argument(help="Made by store backup; it is not touched.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Bring every job of a backup back, into a store that is empty."""
    from swapinfer.commands.filing import restore_store
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(restore_store(shop, file), as_json=as_json)


@store_app.command("move", epilog=EXAMPLE + "store move postgresql://shop@db/jobs --job RO-7")
def move(
    target: Annotated[str, typer.Argument(help="Other store: a file or a PostgreSQL address.")],
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Move a job to another store, its chain intact."""
    from swapinfer.commands.filing import move_job
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(move_job(shop, target, job), as_json=as_json)


@store_app.command("tables", epilog=EXAMPLE + "store tables jobs.csv findings.csv")
def tables(
    jobs: Annotated[Path, typer.Argument(help="Table of jobs to write.")],
    findings: Annotated[Path, typer.Argument(help="Table of findings to write.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Export jobs and findings as CSV, without anything personal; `priors strip` takes out more."""
    from swapinfer.commands.filing import export_tables
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(export_tables(shop, jobs, findings), as_json=as_json)


def attach(
    file: Annotated[Path, typer.Argument(help="JPEG or PNG.")],
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Attach a picture to a job, without its metadata."""
    from swapinfer.commands import filing
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(filing.attach(shop, file, job), as_json=as_json)


def export(
    file: Annotated[Path, typer.Argument(help="New file.")],
    job: Job = "",
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Export a job as one file that anyone can verify."""
    from swapinfer.commands import filing
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(filing.export(shop, file, job), as_json=as_json)


def import_(
    file: Annotated[Path, typer.Argument(help="Exported job.")],
    as_json: Json = False,
    store: Store = "",
    who: Who = "",
) -> None:
    """Take over an exported job."""
    from swapinfer.commands import filing
    from swapinfer.commands.shop import Shop

    with Shop(store, who) as shop:
        tell(filing.import_(shop, file), as_json=as_json)


COMMANDS = (
    ("attach", attach, "attach plug3.jpg"),
    ("export", export, "export RO-7.json --job RO-7"),
    ("import", import_, "import RO-7.json"),
)
