"""A job written up, and a write-up verified."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer

from swapinfer.commands.app import command
from swapinfer.commands.facts import Facts
from swapinfer.commands.page import Page, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.store import Written
from swapinfer.commands.terminal import watched
from swapinfer.errors import ClaimError, InputError
from swapinfer.ledger.replay import Job
from swapinfer.units import NORMAL_90

if TYPE_CHECKING:
    from swapinfer.claim.settings import Comparison
    from swapinfer.claim.write import Claim

NOT_SAME = 6
"""Exit code of a verification that found a difference."""

SEED = 1
"""Of the vehicles simulated for a write-up, so that the same job gives the same figures."""


class VerifiedView(Facts, frozen=True):
    """Whether a file still says what its ledger says, and under which priors.

    Attributes
    ----------
    priors : str
        Whether they are the published ones, in words.
    changes : tuple of str
        What of them is not, the weightiest first; a few.
    remarks : tuple of str
        What stands at the stamp of the write-up.
    sealed : str
        Which events a seal shows to have existed.
    """

    shape: ClassVar[str] = "verified/1"

    file: str
    is_same: bool
    difference: str
    compared: tuple[str, ...]
    head: str
    priors: str
    changes: tuple[str, ...]
    remarks: tuple[str, ...]
    sealed: str

    @property
    def exit_code(self) -> int:
        """A difference is told by an exit code of its own."""
        return 0 if self.is_same else NOT_SAME


Out = Annotated[Path | None, typer.Option(help="File to write.")]


@command("claim", "claim --pdf claim.pdf --html claim.html")
def claim(
    shop: Shop,
    html: Out = None,
    pdf: Out = None,
    markdown: Annotated[Path | None, typer.Option("--md", help="File to write.")] = None,
    to_json: Annotated[Path | None, typer.Option("--json-file", help="File to write.")] = None,
    redact: Annotated[
        bool, typer.Option("--redact", help="Leave out identification number and customer.")
    ] = False,
    compare: Annotated[
        int | None,
        typer.Option(
            "--compare",
            min=2,
            metavar="N",
            help="Simulate the customary order on N such vehicles, to set its cost beside this.",
        ),
    ] = None,
    ro: str = "",
) -> Written:
    """Write a job up into the files that are named."""
    named = {"html": html, "pdf": pdf, "md": markdown, "json": to_json}
    files = {form: path for form, path in named.items() if path is not None}
    if not files:
        raise InputError("name at least one file: --html, --pdf, --md or --json-file")
    return write_claim(shop, files, ro, redact=redact, compared=compare or 0)


def write_claim(
    shop: Shop, files: dict[str, Path], ro: str = "", *, redact: bool = False, compared: int = 0
) -> Written:
    """Write a job up.

    Parameters
    ----------
    shop : Shop
        Where.
    files : dict of str to Path
        Format to file.
    ro : str, optional
        Repair order; default the current job.
    redact : bool, optional
        Whether identification number and customer are left out.
    compared : int, optional
        Vehicles to simulate for the cost of the customary order, at least 2; 0 for none.

    Raises
    ------
    ClaimError
        If a file cannot be written; none of them is then.
    InputError
        If two forms are to go into one file.
    """
    from swapinfer.claim.settings import ESTABLISHED, ClaimSettings
    from swapinfer.claim.write import write_up

    if len(set(files.values())) < len(files):
        raise InputError("name a file of its own for each form of the write-up")
    loaded = shop.load(ro)
    own = shop.settings
    settings = ClaimSettings(
        shop=own.shop,
        distance=own.unit("distance"),
        pressure=own.unit("pressure"),
        temperature=own.unit("temperature"),
        currency=own.currency,
        exchange=own.money.factor(loaded.job.pack),
        rate_per_hour=own.rate_per_hour,
        part_prices=own.part_prices,
        paper=own.paper,
        decimal=own.decimal,
        dates=own.dates,
        established=ESTABLISHED if own.established is None else own.established,
        redact=redact,
        comparison=_compare(shop, loaded.job, compared) if compared else None,
        written_at=shop.now(),
    )
    text = shop.store.pack(loaded.records[0].pack)
    claim = write_up(loaded.job, loaded.records, settings=settings, pack_text=text)
    formats = _formats()
    _save({path: formats[form](claim) for form, path in files.items()})
    standing = claim.facts.standing
    names = tuple(map(str, files.values()))
    return Written(loaded.ro, names, bool(standing.draft), standing.draft)


def _formats() -> dict[str, Callable[[Claim], bytes]]:
    from swapinfer.claim.html import to_html
    from swapinfer.claim.markdown import to_markdown
    from swapinfer.claim.pdf import to_pdf
    from swapinfer.claim.write import to_json

    return {
        "html": lambda claim: to_html(claim.document).encode(),
        "pdf": lambda claim: to_pdf(claim.document, paper=claim.settings.paper),
        "md": lambda claim: to_markdown(claim.document).encode(),
        "json": lambda claim: to_json(claim).encode(),
    }


def _compare(shop: Shop, job: Job, count: int) -> Comparison:
    import numpy as np

    from swapinfer.claim.settings import Comparison
    from swapinfer.commands.planning import plan_settings
    from swapinfer.simulate.play import customary_results

    results = customary_results(job, plan_settings(shop, job), count, SEED)
    costs = np.array([result.cost for result in watched(results, "the customary order", count)])
    half = NORMAL_90 * float(costs.std(ddof=1)) / len(costs) ** 0.5
    mean = float(costs.mean())
    return Comparison(mean, mean - half, mean + half, len(costs))


def _save(contents: dict[Path, bytes]) -> None:
    from swapinfer.drafts import write_whole

    try:
        write_whole(contents)
    except OSError as error:
        raise ClaimError(f"{error.filename}: cannot be written ({error.strerror})") from error


@command("claim verify", "claim verify claim.json")
def verify_claim(
    file: Annotated[Path, typer.Argument(help="Write-up in JSON, or exported job.")],
    expect: Annotated[str, typer.Option(help="Digest of the ledger that is expected.")] = "",
    exported: Annotated[
        Path | None, typer.Option("--export", help="Exported job, for a redacted write-up.")
    ] = None,
    seal: Annotated[
        Path | None, typer.Option(help="Seal of the shop's store, made at an earlier time.")
    ] = None,
) -> VerifiedView:
    """Say whether a write-up or an exported job still says what its ledger says."""
    from swapinfer.claim.verify import verify_file

    found = verify_file(file, expect=expect, job=exported, seal=seal)
    head = found.facts.ledger.head if found.facts else ""
    return VerifiedView(
        str(file),
        found.same,
        found.difference,
        found.compared,
        head,
        found.priors,
        found.changes,
        found.remarks,
        found.sealed,
    )


@show.register
def _(facts: VerifiedView, page: Page) -> str:
    if facts.is_same:
        lines = page.wrap(f"{facts.file}: same ({', '.join(facts.compared)})")
    else:
        lines = page.wrap(f"{facts.file}: DIFFERS: {facts.difference}")
    if facts.head:
        lines += page.wrap(f"digest of the ledger: {facts.head}", indent=2)
    if facts.priors:
        lines += page.wrap(f"priors: {facts.priors}", indent=2)
    for change in facts.changes:
        lines += page.wrap(change, indent=4)
    if facts.sealed:
        lines += page.wrap(f"seal: {facts.sealed}", indent=2)
    for remark in facts.remarks:
        lines += page.wrap(f"note: {remark}", indent=2)
    return "\n".join(lines)
