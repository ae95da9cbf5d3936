"""How belief moved, finding by finding, and what that says of the causes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import cached_property, partial

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.claim.facts import (
    Against,
    BestRival,
    CauseLine,
    FindingLine,
    ModeLine,
    NearestRival,
    Otherwise,
    Rival,
)
from swapinfer.errors import SwapinferError
from swapinfer.evidence.arrays import BoolArray, FloatArray, for_order
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.states import draw_priors
from swapinfer.ledger.event import require_known
from swapinfer.ledger.events import Measured
from swapinfer.ledger.replay import Job, Numbered, replay
from swapinfer.ledger.words import element_label, now_at, origin, where_words
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import mode_weights
from swapinfer.posterior import (
    FaultIntervals,
    FindingChecks,
    FindingWeights,
    FlipPoints,
    Posterior,
    check_findings,
    flip_points,
    infer,
    intervals_in_reach,
    level_weights,
    usual_reading,
    weigh_findings,
)

SHOWN = 5  # causes whose course is shown
WORTH_SHOWING = 0.01  # causes that never reached this probability are no rivals
LIKELY = 0.5  # probability from which a cause of a job that is not closed is part of the conclusion
WORTH_SAYING = 1.0  # decibans from which a finding is said to have spoken against something
MOST_AGAINST = 3
TINY = np.finfo(float).tiny


class Reasoning(Struct, frozen=True, eq=False, dict=True):
    """Belief before the first finding, after each, and at the end of a job.

    Weights are those of each finding given those before it, the complaint first. Intervals over
    draws of the priors, and checks of each finding against all the others, are None where they
    would take too long. Flip points are those of the leading element against every other.
    """

    evidence: Evidence
    posterior: Posterior
    weights: FindingWeights
    intervals: FaultIntervals | None
    checks: FindingChecks | None
    flips: FlipPoints

    @property
    def job(self) -> Job:
        """Job as replayed."""
        return self.evidence.job

    @property
    def elements(self) -> Sequence[str]:
        """Ids of all elements, as they stand along the arrays."""
        return self.evidence.arrays.elements

    @property
    def leader(self) -> str:
        """Element that is most probably at fault."""
        return self.elements[self.flips.leader]

    @cached_property
    def likely(self) -> tuple[str, ...]:
        """The leader, and all that are more likely at fault than not."""
        fault_e = self.posterior.fault_e
        order = np.argsort(-for_order(fault_e), kind="stable")
        likely = [self.elements[e] for e in order if fault_e[e] >= LIKELY]
        return tuple(dict.fromkeys([self.leader, *likely]))

    @cached_property
    def subjects(self) -> tuple[str, ...]:
        """Elements that the conclusion is about: those named at closing, else the likely ones."""
        closing = self.job.closing
        return tuple(dict.fromkeys(closing.causes if closing else ())) or self.likely

    @cached_property
    def shown(self) -> tuple[str, ...]:
        """Elements whose course is shown: the subjects, then whatever led at any time."""
        peak_e = self.fault_ne[1:].max(axis=0)
        rivals = [
            element
            for e, element in enumerate(self.elements)
            if element not in self.subjects and peak_e[e] >= WORTH_SHOWING
        ]
        rank_e = -for_order(peak_e)
        rivals.sort(key=lambda element: (element != self.leader, rank_e[self.index(element)]))
        return (*self.subjects, *rivals[: max(0, SHOWN - len(self.subjects))])

    @cached_property
    def decibans_ne(self) -> FloatArray:
        """Weight of each finding for each element being at fault, shape (finding, element)."""
        weight_ne: FloatArray = np.nan_to_num(self.weights.fault_ne)
        return weight_ne

    @cached_property
    def fault_ne(self) -> FloatArray:
        """Fault probabilities after the first ``n`` findings, shape (findings so far, element)."""
        first = self.weights.prior_db_e[None]
        odds_db_ne = np.cumsum(np.concatenate([first, self.decibans_ne]), axis=0)
        fault_ne: FloatArray = 1.0 / (1.0 + 10.0 ** (-odds_db_ne / 10.0))
        return fault_ne

    @cached_property
    def rival(self) -> str:
        """The likeliest of the other shown causes in the end; empty where none is shown."""
        others = self.shown[len(self.subjects) :]
        fault_e = for_order(self.posterior.fault_e)
        return max(others, key=lambda element: fault_e[self.index(element)], default="")

    @cached_property
    def rival_db_nc(self) -> FloatArray:
        """How many decibans each subject is above the rival, shape (findings so far, subject).

        Ten times the common log of the ratio of the two fault probabilities; no columns where
        there is no rival.
        """
        if not self.rival:
            return np.zeros((len(self.fault_ne), 0))
        above = [self.index(element) for element in self.subjects]
        log_ne = 10.0 * np.log10(np.maximum(self.fault_ne, TINY))
        ratio_nc: FloatArray = log_ne[:, above] - log_ne[:, [self.index(self.rival)]]
        return ratio_nc

    @cached_property
    def times_likelier(self) -> dict[str, float]:
        """How much likelier beforehand each other element must be to draw level with the leader."""
        factors = zip(self.flips.rival_r, self.flips.factor_r, strict=True)
        return {self.elements[rival]: float(1.0 / max(f, TINY)) for rival, f in factors}

    @cached_property
    def levels(self) -> dict[str, float | None]:
        """What sound ones are expected to show in each test read, all considered, if known."""
        tests = self.job.engine.tests
        read = {e.test for e in (one.event for one in self.job.findings) if isinstance(e, Measured)}
        return {id_: usual_reading(self.evidence, tests[id_]) for id_ in read if tests[id_].level}

    def index(self, element: str) -> int:
        """Position of an element in the arrays."""
        return self.evidence.space.index[element]

    def label(self, element: str) -> str:
        """Name of an element by where it came from."""
        return element_label(self.job, element)

    def modes_of(self, element: str) -> dict[str, float]:
        """How an element failed: as the job was closed with, else the probability of each mode."""
        if mode := self.closed_as(element):
            return {mode: 1.0}
        return mode_weights(self.evidence.space, self.posterior, element)

    def closed_as(self, element: str) -> str:
        """Mode that the job was closed with; empty where none was named."""
        closing = self.job.closing
        named = dict(zip(closing.causes, closing.modes, strict=False)) if closing else {}
        return named.get(element, "")

    def residual_risk(self) -> float:
        """Probability that a fault which causes misfires is still active in the vehicle."""
        space, job = self.evidence.space, self.job
        fitted = {space.index[element] for element in job.fitted.values()}
        barred_es = space.active_es(job.time) & (space.rate_es > 0)
        barred_es[[e for e in range(len(space.elements)) if e not in fitted]] = False
        return 1.0 - _share_without(self.evidence, self.posterior, barred_es)


def follow_belief(job: Job) -> Reasoning:
    """Infer after every finding of a job, without each, and under other priors."""
    evidence = gather_evidence(job)
    arrays = evidence.arrays
    posterior = infer(arrays)
    draw = partial(draw_priors, evidence.space)
    intervals = intervals_in_reach(arrays, posterior, level_weights(arrays), draw)
    return Reasoning(
        evidence=evidence,
        posterior=posterior,
        weights=weigh_findings(arrays, evidence.keeping),
        intervals=intervals,
        checks=check_findings(arrays, posterior, evidence.keeping) if intervals else None,
        flips=flip_points(arrays, posterior),
    )


def all_faulty(evidence: Evidence, posterior: Posterior, elements: Iterable[str]) -> float:
    """Probability that every one of these elements is at fault."""
    indices = [evidence.space.index[element] for element in elements]
    if len(indices) == 1:
        return float(posterior.fault_e[indices[0]])
    barred_es = np.zeros_like(evidence.arrays.prior_es, dtype=bool)
    barred_es[indices, 0] = True
    return _share_without(evidence, posterior, barred_es)


def _share_without(evidence: Evidence, posterior: Posterior, barred_es: BoolArray) -> float:
    """Posterior probability that no element is in a barred state: a ratio of evidences."""
    arrays = evidence.arrays
    rest = infer(replace(arrays, prior_es=np.where(barred_es, 0.0, arrays.prior_es)))
    return min(1.0, float(np.exp(rest.log_evidence - posterior.log_evidence)))


def conclude(
    reasoning: Reasoning, pack: Pack, events: Iterable[Numbered] | None = None
) -> Otherwise:
    """Say what becomes of a job's causes under other priors, or from other events than stand."""
    try:
        job = replay(reasoning.job.standing if events is None else events, pack)
        for element in reasoning.subjects:
            require_known("element", element, job.elements)
        evidence = gather_evidence(job)
        posterior = infer(evidence.arrays)
    except SwapinferError as error:
        return Otherwise(None, why_not=str(error))
    return conclusion(evidence, posterior, reasoning.subjects)


def conclusion(evidence: Evidence, posterior: Posterior, subjects: Iterable[str]) -> Otherwise:
    """Say how likely causes are, and what is likeliest."""
    leader = int(np.argmax(for_order(posterior.fault_e)))
    return Otherwise(
        joint=all_faulty(evidence, posterior, subjects),
        leader=element_label(evidence.job, evidence.arrays.elements[leader]),
        leader_probability=float(posterior.fault_e[leader]),
    )


def describe_cause(reasoning: Reasoning, element: str) -> CauseLine:
    """Say how likely an element is at fault, and in which way."""
    e, job, intervals = reasoning.index(element), reasoning.job, reasoning.intervals
    kind = job.engine.kinds[job.elements[element].home.kind]
    weights = mode_weights(reasoning.evidence.space, reasoning.posterior, element)
    modes = [ModeLine(kind.modes[mode].title, p) for mode, p in weights.items()]
    label, closed_as = reasoning.label(element), ""
    headline = label
    if mode := reasoning.closed_as(element):
        closed_as = kind.modes[mode].title
        headline = f"{label} ({closed_as})"
        if not kind.movable:
            named = filter(None, [closed_as, where_words(origin(job, element))])
            headline = f"{', '.join(named)} ({kind.title})"
    return CauseLine(
        element=element,
        label=label,
        now=now_at(job, element),
        probability=float(reasoning.posterior.fault_e[e]),
        low=float(intervals.low_e[e]) if intervals else None,
        high=float(intervals.high_e[e]) if intervals else None,
        before=float(reasoning.fault_ne[0, e]),
        modes=tuple(sorted(modes, key=lambda mode: (-mode.probability, mode.title))),
        named=bool(job.closing and element in job.closing.causes),
        closed_as=closed_as,
        headline=headline,
    )


def list_rivals(
    reasoning: Reasoning, causes: Sequence[CauseLine], findings: Sequence[FindingLine]
) -> tuple[Rival, ...]:
    """Say of every shown cause that is not a subject why it was put aside."""
    rivals = []
    for c, rival in enumerate(causes):
        spoke = [Against(found.seq, found.decibans_c[c]) for found in findings]
        against = sorted(
            (one for one in spoke if one.decibans <= -WORTH_SAYING), key=lambda one: one.decibans
        )
        factor = reasoning.times_likelier.get(rival.element)
        most = tuple(against[:MOST_AGAINST])
        rivals.append(Rival(rival.element, rival.label, rival.probability, factor, most))
    return tuple(rivals[len(reasoning.subjects) :])


def best_rival(reasoning: Reasoning) -> BestRival | None:
    """Name the rival that weights are held against, and how it stood before any finding."""
    rival = reasoning.rival
    if not rival:
        return None
    probability = float(reasoning.posterior.fault_e[reasoning.index(rival)])
    before_c = tuple(map(float, reasoning.rival_db_nc[0]))
    return BestRival(rival, reasoning.label(rival), probability, before_c)


def flip_of(reasoning: Reasoning) -> NearestRival | None:
    """Find the rival of the likeliest cause that is nearest to drawing level."""
    leader, subjects = reasoning.leader, reasoning.subjects
    rivals = {name: f for name, f in reasoning.times_likelier.items() if name not in subjects}
    if not rivals or leader not in subjects:
        return None
    nearest = min(
        rivals, key=lambda name: (round(math.log(rivals[name]), 6), reasoning.index(name))
    )
    return NearestRival(reasoning.label(leader), reasoning.label(nearest), rivals[nearest])
