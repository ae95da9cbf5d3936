"""Pictures, exchange, backup and the health of the store."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from swapinfer.commands.causes import believe
from swapinfer.commands.facts import Facts
from swapinfer.commands.planning import first_step
from swapinfer.commands.record import Recorded, record, summarise
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job

if TYPE_CHECKING:
    from swapinfer.commands.visits import Visit
    from swapinfer.ledger.record import Record


class Written(Facts, frozen=True):
    """Files that were written, and for a write-up whether it is a draft and why."""

    shape: ClassVar[str] = "written/1"

    ro: str
    files: tuple[str, ...]
    is_draft: bool = False
    remarks: tuple[str, ...] = ()


class StoreView(Facts, frozen=True):
    """What was counted in a store, what is wrong and what is odd."""

    shape: ClassVar[str] = "store/1"

    jobs: int
    records: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def attach(shop: Shop, path: Path, ro: str = "") -> Recorded:
    """Attach a picture, without its metadata.

    Raises
    ------
    InputError
        If it cannot be read or is no picture.
    """
    from swapinfer.claim.photos import clean_picture
    from swapinfer.ledger.record import digest_text

    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    picture = clean_picture(data)
    text = base64.b64encode(picture.data).decode()
    event = ev.Attached(path.name, digest_text(text), picture.media, text)
    return record(shop, lambda _job: [event], ro)


def export(shop: Shop, path: Path, ro: str = "") -> Written:
    """Export a job as one file that another store, or a reviewer, can read and check."""
    from swapinfer.ledger.exchange import export_job

    job_id = shop.job_id(ro)
    export_job(shop.store, job_id, path)
    return Written(shop.store.job(job_id).ro, (str(path),))


def import_(shop: Shop, path: Path) -> Written:
    """Take over an exported job; one that is here already is left as it is."""
    from swapinfer.ledger.exchange import import_job

    with shop.founding() as store:
        found = import_job(store, path, _summary(shop))
        ro = store.job(found.job).ro
    return Written(ro, (str(path),), remarks=(f"{found.added} new events",))


def _summary(shop: Shop) -> Any:  # noqa: ANN401  what the store takes to sum jobs up
    def summary(records: list[Record]) -> dict[str, Any]:
        job: Job = shop.replay(records)
        belief = believe(job)
        step = None if job.closing else first_step(shop, belief)
        return summarise(job, belief, step)

    return summary


def export_tables(shop: Shop, jobs: Path, findings: Path) -> Written:
    """Export closed jobs and their findings as two CSV tables that a spreadsheet cannot run."""
    from swapinfer.commands.visits import list_visits

    write_tables(list_visits(shop), jobs, findings)
    return Written("", (str(jobs), str(findings)))


def write_tables(visits: Sequence[Visit], jobs: Path, findings: Path) -> None:
    """Write the tables of visits."""
    from swapinfer.commands.tables import finding_rows, job_rows
    from swapinfer.ledger.exchange import write_csv

    write_csv({
        jobs: [line for visit in visits for line in job_rows(visit)],
        findings: [line for visit in visits for line in finding_rows(visit)],
    })  # fmt: skip


def back_up(shop: Shop, path: Path) -> Written:
    """Copy the whole store while it is in use."""
    from swapinfer.ledger.exchange import backup

    remarks = backup(shop.store, path)
    return Written("", (str(path),), remarks=tuple(remarks))


def restore_store(shop: Shop, path: Path) -> StoreView:
    """Bring every job of a backup back, into a store that is empty."""
    from swapinfer.ledger.exchange import restore

    with shop.founding() as store:
        found = restore(store, path, _summary(shop))
    return StoreView(found.jobs, found.records, (), ())


def check_store(shop: Shop) -> StoreView:
    """Verify everything in the store."""
    from swapinfer.ledger.rescue import check

    found = check(shop.store)
    return StoreView(found.jobs, found.records, found.faults, found.remarks)


def rescue_store(shop: Shop, damaged: Path) -> StoreView:
    """Save what verifies of a damaged store into this one."""
    from swapinfer.ledger.rescue import rescue

    with shop.founding() as store:
        found = rescue(damaged, store)
    return StoreView(found.jobs, found.records, found.losses, ())


def move_job(shop: Shop, target: str, ro: str = "") -> Written:
    """Move a job to another store, its chain intact."""
    from swapinfer.ledger import exchange
    from swapinfer.ledger.store import Store

    job_id = shop.job_id(ro)
    with Store.founding(target) as other:
        exchange.move_job(shop.store, other, job_id)
    return Written(shop.store.job(job_id).ro, (target,))
