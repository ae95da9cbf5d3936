"""Write-ups, pictures, exchange, backup and the health of the store."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from msgspec import Struct

from swapinfer.commands.causes import believe
from swapinfer.commands.facts import Facts
from swapinfer.commands.planning import first_step
from swapinfer.commands.record import Recorded, record, summarise
from swapinfer.commands.shop import Shop
from swapinfer.errors import ClaimError, InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job

if TYPE_CHECKING:
    from swapinfer.claim.settings import Comparison
    from swapinfer.commands.visits import Visit
    from swapinfer.ledger.record import Record

SEED = 1
"""Of the vehicles simulated for a write-up, so that the same job gives the same figures."""

NORMAL_95 = 1.6449
"""Standard normal quantile that leaves 5 % above."""


class Written(Facts, frozen=True):
    """Files that were written, and for a write-up whether it is a draft and why."""

    shape: ClassVar[str] = "written/1"

    ro: str
    files: tuple[str, ...]
    is_draft: bool = False
    remarks: tuple[str, ...] = ()


class VerifiedView(Facts, frozen=True):
    """Whether a file still says what its ledger says."""

    shape: ClassVar[str] = "verified/1"

    file: str
    is_same: bool
    difference: str
    compared: tuple[str, ...]
    head: str


class StoreView(Facts, frozen=True):
    """What was counted in a store, what is wrong and what is odd."""

    shape: ClassVar[str] = "store/1"

    jobs: int
    records: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


class ClaimOptions(Struct, frozen=True):
    """How a write-up is asked for.

    Attributes
    ----------
    redact : bool
        Whether identification number and customer are left out.
    compared : int
        Vehicles to simulate for the cost of the customary order, at least 2; 0 for none.
    is_showing : bool
        Whether progress is shown.
    """

    redact: bool = False
    compared: int = 0
    is_showing: bool = False


def write_claim(
    shop: Shop, files: dict[str, Path], ro: str = "", options: ClaimOptions | None = None
) -> Written:
    """Write a job up.

    Parameters
    ----------
    shop : Shop
        Where.
    files : dict of str to Path
        Format, one of `swapinfer.claim.write.FORMATS`, to file.
    ro : str, optional
        Repair order; default the current job.
    options : ClaimOptions, optional
        Nothing left out and nothing compared by default.

    Raises
    ------
    ClaimError
        If a file cannot be written; none of them is then.
    InputError
        If two forms are to go into one file.
    """
    from swapinfer.claim.settings import ESTABLISHED, ClaimSettings
    from swapinfer.claim.write import FORMATS, write_up

    if len(set(files.values())) < len(files):
        raise InputError("name a file of its own for each form of the write-up")
    loaded = shop.load(ro)
    own = shop.settings
    options = options or ClaimOptions()
    settings = ClaimSettings(
        shop=own.shop,
        distance=own.unit("distance"),
        pressure=own.unit("pressure"),
        temperature=own.unit("temperature"),
        currency=own.currency,
        rate_per_hour=own.rate_per_hour,
        paper=own.paper,
        decimal=own.decimal,
        dates=own.dates,
        established=ESTABLISHED if own.established is None else own.established,
        redact=options.redact,
        comparison=_compare(shop, loaded.job, options) if options.compared else None,
    )
    text = shop.store.pack(loaded.records[0].pack)
    claim = write_up(loaded.job, loaded.records, settings=settings, pack_text=text)
    _save({path: FORMATS[form](claim) for form, path in files.items()})
    standing = claim.facts.standing
    names = tuple(map(str, files.values()))
    return Written(loaded.ro, names, bool(standing.draft), standing.draft)


def _compare(shop: Shop, job: Job, options: ClaimOptions) -> Comparison:
    import numpy as np
    from rich.console import Console
    from rich.progress import track

    from swapinfer.claim.settings import Comparison
    from swapinfer.commands.planning import plan_settings
    from swapinfer.simulate.customary import customary_results

    results = track(
        customary_results(job, plan_settings(shop, job), options.compared, SEED),
        "the customary order",
        total=options.compared,
        console=Console(stderr=True),
        disable=not options.is_showing,
        transient=True,
    )
    costs = np.array([result.cost for result in results])
    half = NORMAL_95 * float(costs.std(ddof=1)) / len(costs) ** 0.5
    mean = float(costs.mean())
    return Comparison(mean, mean - half, mean + half, len(costs))


def _save(contents: dict[Path, bytes]) -> None:
    from swapinfer.drafts import write_whole

    try:
        write_whole(contents)
    except OSError as error:
        raise ClaimError(f"{error.filename}: cannot be written ({error.strerror})") from error


def verify_claim(path: Path, expect: str = "", job: Path | None = None) -> VerifiedView:
    """Say whether a write-up or an exported job still says what its ledger says."""
    from swapinfer.claim.verify import verify_file

    found = verify_file(path, expect=expect, job=job)
    head = found.facts.ledger.head if found.facts else ""
    return VerifiedView(str(path), found.same, found.difference, found.compared, head)


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
