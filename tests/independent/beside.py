"""The package's answer to the same plain events, to lay beside."""

from __future__ import annotations

from collections.abc import Sequence

from independent.jobs import Event

from swapinfer import JobCard
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.ledger.events import read_event
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer

Marginals = dict[str, dict[str, float]]


def gathered(pack: Pack, events: Sequence[Event]) -> Evidence:
    """Let the package gather the evidence of a job."""
    payloads = [{k: v for k, v in event.items() if k != "type"} for event in events]
    told = [read_event(e["type"], p) for e, p in zip(events, payloads, strict=True)]
    return gather_evidence(JobCard(pack, tuple(told)).replayed)


def by_package(pack: Pack, events: Sequence[Event]) -> tuple[float, Marginals]:
    """Log evidence, and every state of every element."""
    arrays = gathered(pack, events).arrays
    posterior = infer(arrays)
    rows = zip(arrays.states, posterior.marginal_es.tolist(), strict=True)
    marginals = [dict(zip(names, row, strict=False)) for names, row in rows]
    return posterior.log_evidence, dict(zip(arrays.elements, marginals, strict=True))
