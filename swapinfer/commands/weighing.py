"""What a job's findings say about each cause, by exact inference, for learning from own jobs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from swapinfer.commands.visits import Visit
from swapinfer.errors import SwapinferError
from swapinfer.evidence.arrays import Arrays, FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.states import BEFORE
from swapinfer.ledger.events import read_events
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer

LEAST = 1e-20
"""Smallest ratio of expected faults after the findings to before; keeps logs finite."""


def weigh_visits(
    visits: Iterable[Visit], causes: Sequence[str], pack: Pack
) -> dict[str, FloatArray]:
    """Weigh the findings of visits that established no cause with its mode.

    Parameters
    ----------
    visits : iterable of Visit
        All of a shop's, in order of time.
    causes : sequence of str
        ``"kind.mode"`` each.
    pack : Pack
        That is learned on.

    Returns
    -------
    dict of str to ndarray of float, shape (cause,)
        Visit to log-likelihoods. Left out are comebacks, visits that came back, and jobs that
        this pack cannot replay.
    """
    weighed: dict[str, FloatArray] = {}
    for visit in visits:
        # Visits come in order of time: what came back is only known later.
        weighed.pop(visit.comeback_of, None)
        if visit.comeback_of or _is_established(visit):
            continue
        try:
            weighed[visit.name] = weigh_causes(replay(read_events(visit.records), pack), causes)
        except SwapinferError:
            continue
    return weighed


def _is_established(visit: Visit) -> bool:
    closing = visit.closing
    return closing is not None and closing.verified and any(closing.modes)


def weigh_causes(job: Job, causes: Sequence[str]) -> FloatArray:
    r"""Log-likelihood of a job's findings under each cause, up to a constant.

    Parameters
    ----------
    job : Job
        As replayed. If it was closed as verified, other elements than those that it names are
        ruled out: the element is established then, if not how it failed.
    causes : sequence of str
        ``"kind.mode"`` each.

    Returns
    -------
    ndarray of float, shape (cause,)

    Notes
    -----
    By Bayes' rule the findings D are as likely under cause c as
    :math:`E[n_c \mid D, \text{complaint}] / E[n_c \mid \text{complaint}]`, where :math:`n_c`
    counts the elements of that kind that have that mode since before the job; all other faults
    keep the pack's chances. Causes that the engine cannot have get the least of the others.
    """
    evidence = gather_evidence(job)
    named = set(job.closing.causes) if job.closing and job.closing.verified else set()
    only_complaint = np.arange(evidence.arrays.n_findings) == 0
    before_c = _expected(evidence, evidence.keeping(only_complaint), causes, set())
    after_c = _expected(evidence, evidence.arrays, causes, named)
    has = before_c > 0
    out_c = np.zeros(len(causes))
    out_c[has] = np.log(np.maximum(after_c[has] / before_c[has], LEAST))
    out_c[~has] = out_c[has].min()
    return out_c


def _expected(
    evidence: Evidence, arrays: Arrays, causes: Sequence[str], named: set[str]
) -> FloatArray:
    """Count the original faults expected of each cause after some findings."""
    space = evidence.space
    marginal_es = infer(arrays).marginal_es
    asked_e = [not e.is_new and (not named or e.id in named) for e in space.elements]
    original_es = (space.onset_es == BEFORE) & np.array(asked_e)[:, None]
    total_m = np.bincount(
        space.mode_es.ravel(), (marginal_es * original_es).ravel(), len(space.modes) + 1
    )
    at = {f"{kind}.{mode}": m for m, (kind, mode) in enumerate(space.modes, start=1)}
    return np.array([total_m[at[cause]] if cause in at else 0.0 for cause in causes])
