"""A job written up, and a write-up verified."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.store import Written
from swapinfer.commands.terminal import watched
from swapinfer.drafts import write_whole
from swapinfer.errors import ClaimError, IncompleteError, InputError, OwnPriorsError
from swapinfer.ledger.replay import Job
from swapinfer.units import NORMAL_90

if TYPE_CHECKING:
    from swapinfer.claim.settings import Comparison
    from swapinfer.claim.write import Claim

SEED = 1
"""Of the vehicles simulated for a write-up, so that the same job gives the same figures."""


class VerifiedView(Facts, frozen=True):
    """Whether a file still says what its ledger says, and under which priors.

    `changes` are a few of what in the priors is not as published, the weightiest first; `remarks`
    stand at the stamp of the write-up, `summary` is what one looks for on the paper beside it, and
    `sealed` says which events a seal shows to have existed.
    """

    shape: ClassVar[str] = "verified/1"

    file: str
    is_same: bool
    difference: str
    compared: tuple[str, ...]
    head: str
    has_published_priors: bool
    priors: str
    changes: tuple[str, ...]
    remarks: tuple[str, ...]
    sealed: str
    summary: dict[str, str]

    @property
    def exit_code(self) -> int:
        """A difference is told by an exit code of its own, and so are priors of the shop's own."""
        if not self.is_same:
            return ClaimError.exit_code
        return 0 if self.has_published_priors else OwnPriorsError.exit_code


class CheckedView(Facts, frozen=True):
    """What stands between a job and a write-up that is paid on.

    That is why it would be marked as a draft, what the template, if there is one, requires and
    nobody recorded, which of its limits are passed, and what else could have been recorded.
    """

    shape: ClassVar[str] = "claim-check/1"

    ro: str
    template: str
    draft: tuple[str, ...]
    missing: tuple[str, ...]
    exceeded: tuple[str, ...]
    unrecorded: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """What is missing or beyond limits is told by an exit code of its own."""
        return IncompleteError.exit_code if self.missing or self.exceeded else 0


Out = Annotated[Path | None, typer.Option(help="File to write.")]


@command("claim", "claim --pdf claim.pdf --html claim.html")
def claim(
    shop: Shop,
    html: Out = None,
    pdf: Out = None,
    markdown: Annotated[Path | None, typer.Option("--md", help="File to write.")] = None,
    to_json: Annotated[Path | None, typer.Option("--json-file", help="File to write.")] = None,
    redact: Annotated[
        bool,
        typer.Option(
            "--redact",
            help="Leave out identification number and customer, wherever a word of them stands.",
        ),
    ] = False,
    mask: Annotated[
        list[str] | None, typer.Option(help="Another word to leave out; may repeat.")
    ] = None,
    compare: Annotated[
        int | None,
        typer.Option(
            "--compare",
            min=2,
            metavar="N",
            help="Simulate the customary order on N such vehicles, to set its cost beside this.",
        ),
    ] = None,
    template: Annotated[
        Path | None, typer.Option(help="What it must hold (TOML); default from the settings.")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Only say what it lacks; nothing is written.")
    ] = False,
    ro: str = "",
) -> Written | CheckedView:
    """Write a job up into the files that are named, all or none, or say what that would lack."""
    named = {"html": html, "pdf": pdf, "md": markdown, "json": to_json}
    files = {form: path for form, path in named.items() if path is not None}
    if check:
        if files:
            raise InputError("--check writes nothing: name no file beside it")
        return check_claim(shop, ro, template)
    if not files:
        raise InputError("name at least one file: --html, --pdf, --md or --json-file")
    if len(set(files.values())) < len(files):
        raise InputError("name a file of its own for each form of the write-up")
    hidden = tuple(mask or ()) if redact or mask else None
    written = draft_claim(shop, ro, template, hidden=hidden, compared=compare or 0)
    formats = _formats()
    contents = {path: formats[form](written) for form, path in files.items()}
    try:
        write_whole(contents)
    except OSError as error:
        raise ClaimError(f"{error.filename}: cannot be written ({error.strerror})") from error
    facts, names = written.facts, tuple(map(str, files.values()))
    draft = facts.standing.draft
    return Written(facts.ro, names, bool(draft), draft, masked=written.masked)


def check_claim(shop: Shop, ro: str = "", template: Path | None = None) -> CheckedView:
    """Say what a write-up of a job lacks."""
    from swapinfer.claim.words import Numbers, tell_draft, tell_exceeded, tell_unrecorded

    claim = draft_claim(shop, ro, template)
    facts, numbers = claim.facts, Numbers(claim.settings)
    beyond = (tell_exceeded(one, facts, numbers) for one in facts.exceeded)
    return CheckedView(
        facts.ro,
        claim.settings.template.name,
        tell_draft(facts, numbers),
        tuple(tell_unrecorded(one) for one in facts.unrecorded if one.is_required),
        tuple(beyond),
        tuple(tell_unrecorded(one) for one in facts.unrecorded if not one.is_required),
    )


def draft_claim(
    shop: Shop,
    ro: str = "",
    template: Path | None = None,
    *,
    hidden: Sequence[str] | None = None,
    compared: int = 0,
) -> Claim:
    """Make a write-up of a job, in no format yet.

    The template is by default that of the settings. Words to be hidden are left out beside
    identification number and customer, by default nothing is; `compared` is the number of vehicles
    simulated for the cost of the customary order, at least 2, or 0 for none.
    """
    from swapinfer.claim.settings import ESTABLISHED, ClaimSettings, Template, read_template
    from swapinfer.claim.write import write_up

    own = shop.settings
    held = template or (Path(own.template) if own.template else None)
    loaded = shop.load(ro)
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
        template=read_template(held) if held else Template(),
        redact=hidden is not None,
        comparison=_compare(shop, loaded.job, compared) if compared else None,
        written_at=shop.now(),
    )
    text = shop.store.pack(loaded.records[0].pack)
    return write_up(
        loaded.job, loaded.records, settings=settings, pack_text=text, words=hidden or ()
    )


def _formats() -> dict[str, Callable[[Claim], bytes]]:
    from swapinfer.claim.document import to_html, to_markdown, to_pdf
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
    from swapinfer.commands.causes import plan_settings
    from swapinfer.simulate.play import customary_results

    results = customary_results(job, plan_settings(shop, job), count, SEED)
    costs = np.array([result.cost for result in watched(results, "the customary order", count)])
    mean = float(costs.mean())
    # Of the mean's logarithm, since no cost is below nothing however few the vehicles.
    half = NORMAL_90 * float(costs.std(ddof=1)) / len(costs) ** 0.5 / mean
    return Comparison(mean, mean * math.exp(-half), mean * math.exp(half), len(costs))


@command("claim verify", "claim verify claim.pdf --job claim.json")
def verify_claim(
    file: Annotated[Path, typer.Argument(help="Write-up in JSON or PDF, or exported job.")],
    written: Annotated[
        Path | None, typer.Option("--job", help="For a PDF: the write-up in JSON made with it.")
    ] = None,
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

    found = verify_file(file, expect=expect, written=written, job=exported, seal=seal)
    return VerifiedView(
        file=str(file),
        is_same=found.same,
        difference=found.difference,
        compared=found.compared,
        head=found.facts.ledger.head if found.facts else "",
        has_published_priors=bool(found.facts and found.facts.published.is_same),
        priors=found.priors,
        changes=found.changes,
        remarks=found.remarks,
        sealed=found.sealed,
        summary=dict(found.summary),
    )


@show.register
def _(facts: CheckedView, page: Page) -> str:
    against = facts.template or "no template: nothing is required"
    lines = page.wrap(f"{facts.ro}, held against {against}")
    for title, items in (
        ("draft", facts.draft),
        ("MISSING", facts.missing),
        ("BEYOND LIMITS", facts.exceeded),
        ("not on record", facts.unrecorded),
    ):
        lines += page.each(items, f"{title}: ", indent=2)
    return "\n".join(lines if len(lines) > 1 else [*lines, "  nothing is missing"])


@show.register
def _(facts: VerifiedView, page: Page) -> str:
    if facts.is_same:
        lines = page.wrap(f"{facts.file}: same ({', '.join(facts.compared)})")
    else:
        lines = page.wrap(f"{facts.file}: DIFFERS: {facts.difference}")
    lines += page.table(list(facts.summary.items()))
    if facts.head:
        lines += page.wrap(f"digest of the ledger: {facts.head}", indent=2)
    if facts.priors:
        lines += page.wrap(f"priors: {facts.priors}", indent=2)
    lines += page.each(facts.changes, indent=4)
    if facts.sealed:
        lines += page.wrap(f"seal: {facts.sealed}", indent=2)
    lines += page.each(facts.remarks, "note: ", indent=2)
    return "\n".join(lines)
