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
from swapinfer.commands.page import (
    Facts,
    Page,
    bar,
    exactness,
    interval,
    percent,
    same_fields,
    show,
)
from swapinfer.commands.shop import Shop
from swapinfer.errors import PlaceError, near_match, one_word
from swapinfer.evidence.assemble import COMPLAINT
from swapinfer.evidence.states import draw_priors
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

SHOWN_CAUSES, SHOWN_SETS, SHOWN_RIVALS = 10, 6, 2

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
    """What is believed about a job, and how firmly.

    Causes and their 90 % intervals over the priors' uncertainty stand in one order, all above a
    hundredth of a per cent; sets are faults together, and leave `left_out`; flips are of the
    leader's rivals. `off_by` is the furthest that a probability may be from the exact one; `terms`,
    `digits` and `largest` are the size of the exact pass.
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
    arrays, posterior = belief.evidence.arrays, belief.posterior
    causes, shown, flips = (
        list_causes(belief),
        _combinations(belief),
        flip_points(arrays, posterior),
    )
    rivals = zip(flips.rival_r[:SHOWN_RIVALS], flips.factor_r[:SHOWN_RIVALS], strict=True)
    return BeliefView(
        ro=loaded.ro,
        causes=causes,
        sets=shown,
        left_out=max(0.0, 1.0 - sum(line.probability for line in shown)),
        intervals=_intervals(belief, [cause.element for cause in causes]),
        flips=tuple(
            Flip(element_label(loaded.job, arrays.elements[e]), float(factor))
            for e, factor in rivals
        ),
        exact=posterior.exact,
        off_by=posterior.left_out,
        log10_evidence=posterior.log_evidence / math.log(10),
        milliseconds=1000 * posterior.stats.seconds,
        **same_fields(BeliefView, posterior.stats),
    )


def _intervals(belief: Belief, elements: list[str]) -> tuple[Interval, ...]:
    arrays, space = belief.evidence.arrays, belief.evidence.space
    draw = partial(draw_priors, space)
    found = intervals_in_reach(arrays, belief.posterior, level_weights(arrays), draw)
    if found is None:
        return ()
    at = {name: space.index[name] for name in elements}
    return tuple(
        Interval(name, float(found.low_e[e]), float(found.high_e[e])) for name, e in at.items()
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
    rows = [
        [percent(one.probability), " with ".join(one.faults) or "nothing wrong that shows"]
        for one in facts.sets
    ]
    lines += page.table(rows, right=[0])
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


class FindingWeight(Struct, frozen=True):
    """What one finding weighs: the change of a cause's log odds, given the findings before.

    `seq` 0 is the complaint, and `words` name the strength on a published scale. Without one that
    `decides`, another cause would lead; one to `check_again` hardly fits what the others leave.
    """

    seq: int
    said: str
    decibans: float
    against_rival: float
    words: str
    decides: bool
    check_again: bool


class WhyView(Facts, frozen=True):
    """Why a cause is believed: its log odds before any finding and after all, and each finding.

    `off_by` is the furthest that the probability may be from the exact one.
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
    evidence, posterior = belief.evidence, belief.posterior
    names = evidence.arrays.elements
    word = one_word(cause) if cause else names[int(posterior.fault_e.argmax())]
    if word not in names:
        raise PlaceError(f'this job has no element "{cause}"{near_match(word, names)}')
    e = names.index(word)
    weights = weigh_findings(evidence.arrays, evidence.keeping)
    checks = check_findings(evidence.arrays, posterior, evidence.keeping)
    events = dict(loaded.job.standing)
    said = {seq: event.say(loaded.job) for seq, event in events.items() if seq in evidence.seqs}
    said[COMPLAINT] = f"complaint: {loaded.job.opening.complaint or 'misfire'}"
    findings = tuple(
        FindingWeight(
            seq=seq,
            said=said[seq],
            decibans=float(weights.fault_ne[n, e]),
            against_rival=float(weights.against_rival_ne[n, e]),
            words=describe_weight(float(weights.fault_ne[n, e])),
            decides=bool(checks.decides_n[n]),
            check_again=bool(checks.check_again_n[n]),
        )
        for n, seq in enumerate(evidence.seqs)
    )
    return WhyView(
        ro=loaded.ro,
        cause=element_label(loaded.job, names[e]),
        rival=element_label(loaded.job, names[int(weights.rival_e[e])]),
        probability=float(posterior.fault_e[e]),
        prior_decibans=float(weights.prior_db_e[e]),
        total_decibans=float(weights.prior_db_e[e] + weights.fault_ne[:, e].sum()),
        findings=findings,
        exact=posterior.exact,
        off_by=posterior.left_out,
    )


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
    marks = ["without it another cause would lead"] * finding.decides
    marks += ["does not fit the rest: check it again"] * finding.check_again
    tail = f" [{'; '.join(marks)}]" if marks else ""
    return f"{finding.said}: {finding.words}{tail}"


class PictureView(Facts, frozen=True):
    """Suspicion on the engine's drawing: on each cylinder's own things, and on what is shared.

    `away` says where those parts sit that are not at home.
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
    job = loaded.job
    cylinders, shared = _suspicion(believe(job))
    drawing = draw_engine(job, {number: _mark(p) for number, p in cylinders.items()})
    places = {part: job.place_of(part) for part in job.away_from_home()}
    away = {element_label(job, one): where_words(place) for one, place in places.items() if place}
    return PictureView(loaded.ro, tuple(drawing), cylinders, shared, away)


def _suspicion(belief: Belief) -> tuple[dict[int, float], float]:
    """Probability that each cylinder has a fault of its own, and that a shared thing has one.

    A cylinder's own is what now serves it alone, or it and its neighbour or pair. Fault sets are
    enumerated until they cover `COVER`; each figure is short by the rest at most.
    """
    job = belief.evidence.job
    sets = fault_sets(belief.evidence.arrays, belief.posterior, cover=COVER)
    placed = [
        (e, place)
        for e, name in enumerate(belief.evidence.arrays.elements)
        if (place := job.place_of(name))
    ]

    def chance(elements: list[int]) -> float:
        has_h = np.isin(sets.element_hk, elements).any(axis=1)
        return float(sets.belief_h[has_h].sum())

    own = [(e, place) for e, place in placed if place.pattern not in SHARED]
    cylinders = {
        cylinder: chance([e for e, place in own if cylinder in place.cylinders])
        for cylinder in job.engine.layout.cylinders
    }
    return cylinders, chance([e for e, place in placed if place.pattern in SHARED])


def _mark(p: float) -> str:
    figure = "<1%" if p < 0.01 else f"{min(p, 0.99):.0%}"
    return ("#" * round(p * SHADES)).ljust(SHADES, ".") + figure


@show.register
def _(facts: PictureView, page: Page) -> str:
    lines = page.wrap(f"{facts.ro}: chance that something of a cylinder's own is at fault")
    lines += ["", *facts.drawing[:-1]]
    lines += page.wrap(facts.drawing[-1])
    lines += page.wrap(f"what serves a bank or the whole engine: {percent(facts.shared)}")
    for part, where in facts.away.items():
        lines += page.wrap(f"on {where} now: {part}")
    return "\n".join(lines)
