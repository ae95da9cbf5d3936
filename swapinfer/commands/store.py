"""Jobs leave a store and enter it, one or all; what is damaged is found and rescued."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar

import typer

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop
from swapinfer.ledger import exchange, rescue
from swapinfer.ledger.record import Record
from swapinfer.ledger.store import Store


class Written(Facts, frozen=True):
    """Files that were written, and for a write-up whether it is a draft, why, and what it masks."""

    shape: ClassVar[str] = "written/1"

    ro: str
    files: tuple[str, ...]
    is_draft: bool = False
    remarks: tuple[str, ...] = ()
    masked: tuple[str, ...] = ()


class StoreView(Facts, frozen=True):
    """What was counted in a store, what is wrong and what is odd."""

    shape: ClassVar[str] = "store/1"

    jobs: int
    records: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


NewFile = Annotated[Path, typer.Argument(help="New file.")]


@command("export", "export RO-7.json --job RO-7")
def export(shop: Shop, file: NewFile, ro: str = "") -> Written:
    """Export a job as one file that another store, or a reviewer, can read and check."""
    job_id = shop.job_id(ro)
    exchange.export_job(shop.store, job_id, file)
    return Written(shop.store.job(job_id).ro, (str(file),))


@command("import", "import RO-7.json")
def import_(shop: Shop, file: Annotated[Path, typer.Argument(help="Exported job.")]) -> Written:
    """Take over an exported job; one that is here already is left as it is."""
    with shop.founding() as store:
        found = exchange.import_job(store, file, _summary(shop))
        ro = store.job(found.job).ro
    return Written(ro, (str(file),), remarks=(f"{found.added} new events",))


def _summary(shop: Shop) -> Callable[[list[Record]], dict[str, Any]]:
    """Sum jobs up that come from elsewhere."""
    from swapinfer.commands.record import summarise_anew

    return partial(summarise_anew, shop)


@command("store check", "store check")
def check_store(shop: Shop) -> StoreView:
    """Verify everything in the store."""
    found = rescue.check(shop.store)
    return StoreView(found.jobs, found.records, found.faults, found.remarks)


@command("store rescue", "store rescue damaged.db --store fresh.db")
def rescue_store(
    shop: Shop, damaged: Annotated[Path, typer.Argument(help="Damaged store; it is not touched.")]
) -> StoreView:
    """Save what verifies of a damaged store into this one."""
    with shop.founding() as store:
        found = rescue.rescue(damaged, store)
    return StoreView(found.jobs, found.records, found.faults, ())


@command("store backup", "store backup copy.db")
def back_up(shop: Shop, file: NewFile) -> Written:
    """Copy the whole store while it is in use."""
    remarks = exchange.backup(shop.store, file)
    return Written("", (str(file),), remarks=tuple(remarks))


@command("store seal", "store seal seal.txt")
def seal(shop: Shop, file: NewFile) -> Written:
    """Write down the last digest of every job, for `claim verify --seal` later on."""
    digest = exchange.seal_store(shop.store, file)
    remark = f"give its digest away now, by mail or on paper: {digest}"
    return Written("", (str(file),), remarks=(remark,))


@command("store restore", "store restore copy.db --store fresh.db")
def restore_store(
    shop: Shop,
    file: Annotated[Path, typer.Argument(help="Made by store backup; it is not touched.")],
) -> StoreView:
    """Bring every job of a backup back, into a store that is empty."""
    with shop.founding() as store:
        found = exchange.restore(store, file, _summary(shop))
    return StoreView(found.jobs, found.records, (), ())


@command("store move", "store move postgresql://shop@db/jobs --job RO-7")
def move_job(
    shop: Shop,
    target: Annotated[str, typer.Argument(help="Other store: a file or a PostgreSQL address.")],
    ro: str = "",
) -> Written:
    """Move a job to another store, its chain intact."""
    job_id = shop.job_id(ro)
    with Store.founding(target) as other:
        exchange.move_job(shop.store, other, job_id)
    return Written(shop.store.job(job_id).ro, (target,))


@command("store tables", "store tables jobs.csv findings.csv")
def export_tables(
    shop: Shop,
    jobs: Annotated[Path, typer.Argument(help="Table of jobs to write.")],
    findings: Annotated[Path, typer.Argument(help="Table of findings to write.")],
) -> Written:
    """Export closed jobs and their findings as two CSV tables that a spreadsheet cannot run."""
    from swapinfer.commands.visits import list_visits, table_rows

    exchange.write_csv(dict(zip((jobs, findings), table_rows(list_visits(shop)), strict=True)))
    return Written("", (str(jobs), str(findings)))


@show.register
def _(facts: Written, page: Page) -> str:
    lines = page.each(facts.files, f"{facts.ro}: " if facts.ro else "")
    if facts.is_draft:
        lines += page.wrap(f"marked as a draft: {', '.join(facts.remarks)}")
    else:
        lines += page.each(facts.remarks, indent=2)
    counted = [f"\u201c{word}\u201d {number}x" for word, number in Counter(facts.masked).items()]
    lines += page.listed("left out", counted, indent=2)
    return "\n".join(lines)


@show.register
def _(facts: StoreView, page: Page) -> str:
    lines = [f"{facts.jobs} jobs, {facts.records} events verify"]
    lines += page.each(facts.faults, "FAULT: ", indent=2)
    return "\n".join([*lines, *page.each(facts.remarks, "note: ", indent=2)])
