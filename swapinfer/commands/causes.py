"""From posterior arrays to causes with names, and to their words."""

from __future__ import annotations

from collections import defaultdict

from msgspec import Struct

from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, now_at
from swapinfer.posterior import Posterior, infer

WORTH_NAMING = 1e-4
"""Causes below this probability are not listed."""


GONE = " [gone since it was touched]"
"""After a cause that touching it has more likely ended than not."""


class ModeShare(Struct, frozen=True):
    """One way in which an element may have failed: title and probability."""

    mode: str
    title: str
    probability: float


class Cause(Struct, frozen=True):
    """An element that may be at fault.

    Attributes
    ----------
    element, label : str
        Id, and name as a person says it.
    place : str
        Where it sits now; empty on the bench.
    probability : float
        That it is, or until it was touched was, at fault.
    cured : float
        Part of that probability in which touching it has already ended the fault.
    modes : tuple of ModeShare
        The likeliest ways first.
    """

    element: str
    label: str
    place: str
    probability: float
    cured: float
    modes: tuple[ModeShare, ...]

    @property
    def is_gone(self) -> bool:
        """Whether touching it has more likely ended the fault than not."""
        return self.cured > 0.5 * self.probability


class Belief(Struct, frozen=True):
    """Evidence and the posterior that it leads to."""

    evidence: Evidence
    posterior: Posterior


def believe(job: Job) -> Belief:
    """Gather a job's evidence and infer."""
    evidence = gather_evidence(job)
    return Belief(evidence, infer(evidence.arrays))


def list_causes(belief: Belief, least: float = WORTH_NAMING) -> tuple[Cause, ...]:
    """Causes by falling probability.

    Parameters
    ----------
    belief : Belief
        From `believe`.
    least : float, optional
        Causes below it are left out.
    """
    fault_e = belief.posterior.fault_e
    order = sorted(range(len(fault_e)), key=lambda e: (-round(float(fault_e[e]), 9), e))
    return tuple(_cause(belief, e) for e in order if fault_e[e] >= least)


def _cause(belief: Belief, e: int) -> Cause:
    job, space = belief.evidence.job, belief.evidence.space
    marginal_s = belief.posterior.marginal_es[e]
    active_s = space.active_es(job.time)[e]
    element = space.elements[e]
    shares: dict[tuple[str, str], float] = defaultdict(float)
    cured = 0.0
    for s, state in enumerate(space.states[e]):
        if state.mode:
            shares[state.mode.id, state.mode.title] += float(marginal_s[s])
            cured += 0.0 if active_s[s] else float(marginal_s[s])
    modes = sorted(
        (ModeShare(mode, title, p) for (mode, title), p in shares.items()),
        key=lambda share: -share.probability,
    )
    place = job.place_of(element.id)
    label = element_label(job, element.id)
    where = now_at(job, element.id)
    return Cause(
        element=element.id,
        label=f"{label} ({where})" if where else label,
        place=place.id if place else "",
        probability=float(belief.posterior.fault_e[e]),
        cured=cured,
        modes=tuple(modes),
    )


def cause_words(cause: Cause) -> str:
    """Name a cause with its likeliest mode, and whether touching it has ended the fault."""
    words = cause.label
    if cause.modes:
        words += f": {cause.modes[0].title}"
    return words + (GONE if cause.is_gone else "")
