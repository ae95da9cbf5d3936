"""Why a cause is believed: what every finding weighs, which one decides, which conflict."""

from __future__ import annotations

from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.causes import Belief, believe
from swapinfer.commands.page import Facts, Page, exactness, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.errors import PlaceError, near_match, one_word
from swapinfer.evidence.assemble import COMPLAINT
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.posterior import check_findings, describe_weight, weigh_findings


class FindingWeight(Struct, frozen=True):
    """What one finding weighs.

    Attributes
    ----------
    seq : int
        Position in the chain; 0 is the complaint.
    said : str
        In words.
    decibans : float
        Change of the log odds of "at fault" against "not", given the findings before.
    against_rival : float
        The same for the cause against its best rival.
    words : str
        Strength on a published scale.
    decides : bool
        Whether without this finding another cause would lead.
    check_again : bool
        Whether it is wildly unlikely under everything that the others leave plausible.
    """

    seq: int
    said: str
    decibans: float
    against_rival: float
    words: str
    decides: bool
    check_again: bool


class WhyView(Facts, frozen=True):
    """Why a cause is believed.

    Attributes
    ----------
    cause, rival : str
        Labels.
    probability : float
        Of the cause.
    prior_decibans, total_decibans : float
        Log odds before any finding and after all; the findings' weights add up to the difference.
    findings : tuple of FindingWeight
        In order of time.
    exact : bool
        Whether every combination of faults was counted.
    off_by : float
        Furthest that the probability may be from the exact one; 0 when exact.
    """

    shape: ClassVar[str] = "why/1"

    ro: str
    cause: str
    rival: str
    probability: float
    prior_decibans: float
    total_decibans: float
    findings: tuple[FindingWeight, ...]
    exact: bool
    off_by: float


@command("why", "why coil3")
def show_why(
    shop: Shop,
    cause: Annotated[str, typer.Argument(help="Part or place; default the leading cause.")] = "",
    ro: str = "",
) -> WhyView:
    """Weigh every finding for or against a cause."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    e = _element(belief, cause)
    arrays = belief.evidence.arrays
    keeping = belief.evidence.keeping
    weights = weigh_findings(arrays, keeping)
    checks = check_findings(arrays, belief.posterior, keeping)
    findings = tuple(
        FindingWeight(
            seq=seq,
            said=_said(loaded.job, seq),
            decibans=float(weights.fault_ne[n, e]),
            against_rival=float(weights.against_rival_ne[n, e]),
            words=describe_weight(float(weights.fault_ne[n, e])),
            decides=bool(checks.decides_n[n]),
            check_again=bool(checks.check_again_n[n]),
        )
        for n, seq in enumerate(belief.evidence.seqs)
    )
    return WhyView(
        ro=loaded.ro,
        cause=element_label(loaded.job, arrays.elements[e]),
        rival=element_label(loaded.job, arrays.elements[int(weights.rival_e[e])]),
        probability=float(belief.posterior.fault_e[e]),
        prior_decibans=float(weights.prior_db_e[e]),
        total_decibans=float(weights.prior_db_e[e] + weights.fault_ne[:, e].sum()),
        findings=findings,
        exact=belief.posterior.exact,
        off_by=belief.posterior.left_out,
    )


def _element(belief: Belief, cause: str) -> int:
    if not cause:
        return int(belief.posterior.fault_e.argmax())
    names = belief.evidence.arrays.elements
    word = one_word(cause)
    if word not in names:
        raise PlaceError(f'this job has no element "{cause}"{near_match(word, names)}')
    return names.index(word)


def _said(job: Job, seq: int) -> str:
    if seq == COMPLAINT:
        return f"complaint: {job.opening.complaint or 'misfire'}"
    return dict(job.standing)[seq].say(job)


@show.register
def _(facts: WhyView, page: Page) -> str:
    sure = exactness(facts.off_by, is_exact=facts.exact)
    lines = page.wrap(
        page.strong(f"{facts.ro}: {facts.cause}, {percent(facts.probability)}{sure}")
        + "; weights in decibans (10 = ten times the odds), each given those before it",
        hang=4,
    )
    rows = [["", "vs rival", "finding"]]
    rows.append([f"{facts.prior_decibans:+.1f}", "", "before any finding"])
    rows += [
        [f"{f.decibans:+.1f}", f"{f.against_rival:+.1f}", finding_words(f)] for f in facts.findings
    ]
    rows.append([f"{facts.total_decibans:+.1f}", "", f"in all; best rival: {facts.rival}"])
    return "\n".join(lines + page.table(rows, right=[0, 1]))


def finding_words(finding: FindingWeight) -> str:
    """Say what was found, how strong it is, and what is to be minded about it."""
    marks = []
    if finding.decides:
        marks.append("without it another cause would lead")
    if finding.check_again:
        marks.append("does not fit the rest: check it again")
    tail = f" [{'; '.join(marks)}]" if marks else ""
    return f"{finding.said}: {finding.words}{tail}"
