"""What is believed about a job, how firmly and why, and where on the engine's drawing."""

from __future__ import annotations

import math
from functools import partial
from typing import Annotated, ClassVar

import numpy as np
import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.causes import Belief, Cause, believe, cause_words, list_causes
from swapinfer.commands.page import Facts, Page, bar, exactness, interval, percent, show
from swapinfer.commands.shop import Shop
from swapinfer.errors import PlaceError, near_match, one_word
from swapinfer.evidence.assemble import COMPLAINT
from swapinfer.evidence.states import draw_priors
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import draw_engine, element_label, where_words
from swapinfer.posterior import (
    check_findings,
    describe_weight,
    fault_sets,
    flip_points,
    intervals_in_reach,
    level_weights,
    weigh_findings,
)

SHOWN_CAUSES = 10
SHOWN_SETS = 6
SHOWN_RIVALS = 2

COVER = 0.999
"""Of the probability, by the fault sets that are gone through."""

SHADES = 2
"""Marks of full suspicion in the drawing."""

SHARED = ("engine", "bank")
"""Patterns of places that belong to no cylinder of their own."""


class SetLine(Struct, frozen=True):
    """A combination of faults and its probability; empty `faults` means nothing is wrong."""

    faults: tuple[str, ...]
    probability: float


class Interval(Struct, frozen=True):
    """An element's probability over draws of the uncertain priors."""

    element: str
    low: float
    high: float


class Flip(Struct, frozen=True):
    """How far the leader's prior odds would have to fall for a rival to draw level."""

    rival: str
    factor: float


class BeliefView(Facts, frozen=True):
    """Belief about a job.

    Attributes
    ----------
    causes : tuple of Cause
        All above a hundredth of a per cent, likeliest first.
    sets : tuple of SetLine
        Combinations that together cover `covered`; `left_out` is the rest.
    intervals : tuple of Interval
        90 % intervals over the priors' uncertainty, same order as `causes`.
    flips : tuple of Flip
        For the leader's rivals.
    exact : bool
        False when fault sets had to be enumerated instead.
    off_by : float
        Furthest that a probability may be from the exact one; 0 when exact.
    log10_evidence : float
        Of all findings.
    terms, digits, largest : int
        Size of the exact pass.
    milliseconds : float
        It took.
    """

    shape: ClassVar[str] = "belief/1"

    ro: str
    causes: tuple[Cause, ...]
    sets: tuple[SetLine, ...]
    left_out: float
    intervals: tuple[Interval, ...]
    flips: tuple[Flip, ...]
    exact: bool
    off_by: float
    log10_evidence: float
    terms: int
    digits: int
    largest: int
    milliseconds: float


@command("belief", "belief --json")
def show_belief(shop: Shop, ro: str = "") -> BeliefView:
    """Show what is believed about a job, and how firmly."""
    loaded = shop.load(ro)
    belief = believe(loaded.job)
    causes = list_causes(belief)
    shown = _combinations(belief)
    stats = belief.posterior.stats
    return BeliefView(
        ro=loaded.ro,
        causes=causes,
        sets=shown,
        left_out=max(0.0, 1.0 - sum(line.probability for line in shown)),
        intervals=_intervals(belief, [cause.element for cause in causes]),
        flips=_flips(belief),
        exact=belief.posterior.exact,
        off_by=belief.posterior.left_out,
        log10_evidence=belief.posterior.log_evidence / math.log(10),
        terms=stats.terms,
        digits=stats.digits,
        largest=stats.largest,
        milliseconds=1000 * stats.seconds,
    )


def _intervals(belief: Belief, elements: list[str]) -> tuple[Interval, ...]:
    evidence = belief.evidence
    draw = partial(draw_priors, evidence.space)
    weight_q = level_weights(evidence.arrays)
    found = intervals_in_reach(evidence.arrays, belief.posterior, weight_q, draw)
    if found is None:
        return ()
    at = [evidence.space.index[name] for name in elements]
    return tuple(
        Interval(name, float(found.low_e[e]), float(found.high_e[e]))
        for name, e in zip(elements, at, strict=True)
    )


def _flips(belief: Belief) -> tuple[Flip, ...]:
    arrays = belief.evidence.arrays
    found = flip_points(arrays, belief.posterior)
    rivals = zip(found.rival_r[:SHOWN_RIVALS], found.factor_r[:SHOWN_RIVALS], strict=True)
    return tuple(
        Flip(element_label(belief.evidence.job, arrays.elements[e]), float(factor))
        for e, factor in rivals
    )


def _combinations(belief: Belief) -> tuple[SetLine, ...]:
    """Sum the likeliest fault sets over modes and severities: which elements, together."""
    sets = fault_sets(belief.evidence.arrays, belief.posterior, cover=COVER)
    together: dict[tuple[int, ...], float] = {}
    for element_k, probability in zip(sets.element_hk, sets.belief_h, strict=True):
        named = tuple(sorted(int(e) for e in element_k if e >= 0))
        together[named] = together.get(named, 0.0) + float(probability)
    names, job = belief.evidence.arrays.elements, belief.evidence.job
    ranked = sorted(together.items(), key=lambda item: -item[1])[:SHOWN_SETS]
    return tuple(SetLine(tuple(element_label(job, names[e]) for e in es), p) for es, p in ranked)


@show.register
def _(facts: BeliefView, page: Page) -> str:
    lines = [page.strong(facts.ro)]
    between = {one.element: interval(one.low, one.high) for one in facts.intervals}
    rows = [
        [bar(c.probability), percent(c.probability), between.get(c.element, ""), cause_words(c)]
        for c in facts.causes[:SHOWN_CAUSES]
    ]
    lines += page.table(rows, right=[1, 2])
    lines += page.heading("combinations")
    lines += page.table([[percent(s.probability), _set(s)] for s in facts.sets], right=[0])
    lines.append(f"  {percent(facts.left_out)} in combinations not listed")
    for flip in facts.flips:
        lines += page.wrap(
            f"{facts.causes[0].label} stays ahead of {flip.rival} unless its prior odds were "
            f"{flip.factor:.3g} times what they are",
            hang=4,
        )
    if not facts.exact:
        sure = exactness(facts.off_by, is_exact=False).strip(" ()")
        lines += page.wrap(
            f"{sure}: too entangled to count every combination of faults, so only the most "
            "probable were"
        )
    return "\n".join(lines)


def _set(line: SetLine) -> str:
    return " with ".join(line.faults) if line.faults else "nothing wrong that shows"


class PictureView(Facts, frozen=True):
    """Suspicion on the engine's drawing.

    Attributes
    ----------
    drawing : tuple of str
        Banks, numbers, and under each number shade and figure.
    cylinders : dict of int to float
        Probability that something of the cylinder's own is at fault, at home or moved there.
    shared : float
        Probability that something is that serves the whole engine or a bank.
    away : dict of str to str
        Part to where it sits, for parts that are not at home.
    """

    shape: ClassVar[str] = "picture/1"

    ro: str
    drawing: tuple[str, ...]
    cylinders: dict[int, float]
    shared: float
    away: dict[str, str]


@command("picture", "picture")
def show_picture(shop: Shop, ro: str = "") -> PictureView:
    """Draw a job's engine with the suspicion on each cylinder."""
    loaded = shop.load(ro)
    cylinders, shared = suspicion(believe(loaded.job))
    marks = {cylinder: _mark(p) for cylinder, p in cylinders.items()}
    drawing = draw_engine(loaded.job, marks)
    return PictureView(loaded.ro, tuple(drawing), cylinders, shared, _away(loaded.job))


def suspicion(belief: Belief) -> tuple[dict[int, float], float]:
    """Probability that each cylinder has a fault of its own, and that a shared thing has one."""
    job = belief.evidence.job
    sets = fault_sets(belief.evidence.arrays, belief.posterior, cover=COVER)
    places = [job.place_of(name) for name in belief.evidence.arrays.elements]

    def chance(elements: list[int]) -> float:
        has_h = np.isin(sets.element_hk, elements).any(axis=1)
        return float(sets.belief_h[has_h].sum())

    own = {
        cylinder: [
            e
            for e, place in enumerate(places)
            if place and place.pattern not in SHARED and cylinder in place.cylinders
        ]
        for cylinder in job.engine.layout.cylinders
    }
    shared = [e for e, place in enumerate(places) if place and place.pattern in SHARED]
    return {cylinder: chance(elements) for cylinder, elements in own.items()}, chance(shared)


def _mark(p: float) -> str:
    shade = "#" * round(p * SHADES)
    figure = "<1%" if p < 0.01 else f"{min(p, 0.99):.0%}"
    return shade.ljust(SHADES, ".") + figure


def _away(job: Job) -> dict[str, str]:
    places = {part: job.place_of(part) for part in job.away_from_home()}
    return {element_label(job, part): where_words(place) for part, place in places.items() if place}


@show.register
def _(facts: PictureView, page: Page) -> str:
    lines = page.wrap(f"{facts.ro}: chance that something of a cylinder's own is at fault")
    lines += ["", *facts.drawing[:-1]]
    lines += page.wrap(facts.drawing[-1])
    lines += page.wrap(f"what serves a bank or the whole engine: {percent(facts.shared)}")
    for part, where in facts.away.items():
        lines += page.wrap(f"on {where} now: {part}")
    return "\n".join(lines)


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
