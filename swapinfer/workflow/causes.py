"""From posterior arrays to causes with names."""

from __future__ import annotations

from collections import defaultdict

from msgspec import Struct

from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label, now_at
from swapinfer.posterior import Posterior, infer
from swapinfer.workflow.facts import Cause, ModeShare

WORTH_NAMING = 1e-4
"""Causes below this probability are not listed."""


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
