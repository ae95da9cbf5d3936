"""From a replayed job to the arrays of inference."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from swapinfer.evidence.codes import FaultCodes, sort_codes
from swapinfer.evidence.levels import level_nodes, worth_keeping
from swapinfer.evidence.problem import FloatArray, Problem
from swapinfer.evidence.running import (
    Drive,
    count_misfires,
    expected_episodes,
    feel,
    leak_chance,
    reach_ec,
    read_misfires,
    read_random_only,
    suspect,
)
from swapinfer.evidence.states import StateSpace, build_states
from swapinfer.evidence.terms import Factor, Term
from swapinfer.evidence.testing import (
    NO_LEVEL,
    Setting,
    View,
    inspection_likelihood,
    judge,
    look,
    reading_likelihood,
    reading_value,
    repeat_density,
    repeat_key,
)
from swapinfer.ledger.events import Inspected, Measured, Ran
from swapinfer.ledger.replay import Finding, Job
from swapinfer.pack.codes import read_codes

COMPLAINT = 0
"""Sequence number under which the complaint itself counts as the first finding."""

COMPLAINT_WORD = "complaint"
"""Feeling of the pack that the complaint itself is."""


@dataclass(frozen=True)
class Evidence:
    """A job as exact inference sees it.

    Attributes
    ----------
    job : Job
        As replayed.
    space : StateSpace
        Elements and their states.
    problem : Problem
        Arrays.
    seqs : tuple of int
        Position in the chain of each finding; the complaint is `COMPLAINT`.
    level_values : ndarray of float, shape (level,)
        Values of the shared level at the problem's nodes; a single 1 without one.
    """

    job: Job
    space: StateSpace
    problem: Problem
    seqs: tuple[int, ...]
    level_values: FloatArray


@dataclass
class _Nodes:
    """Nodes and weights of the level that readings share."""

    value_q: FloatArray = field(default_factory=lambda: NO_LEVEL)
    weight_q: FloatArray = field(default_factory=lambda: NO_LEVEL)


def gather_evidence(job: Job) -> Evidence:
    """Assemble everything found in a job.

    Parameters
    ----------
    job : Job
        As replayed.

    Returns
    -------
    Evidence

    Raises
    ------
    InputError
        If a recorded code cannot be one.
    """
    space = build_states(job)
    pieces: list[list[Term | Factor]] = [[_complaint(job, space)]]
    pieces += [[] for _ in job.findings]
    level = _take_tests(job, space, pieces)
    fault_codes = FaultCodes.of(job.pack, job.engine, space)
    for n, finding in enumerate(job.findings, start=1):
        pieces[n] += _take_run(job, space, fault_codes, finding)
    problem = _stack(space, pieces, level.weight_q)
    seqs = (COMPLAINT, *(finding.seq for finding in job.findings))
    return Evidence(job, space, problem, seqs, level.value_q)


def _complaint(job: Job, space: StateSpace) -> Term:
    """Someone noticed a misfire while driving with the fault."""
    running = job.pack.running
    driven = job.opening.driven_km
    minutes = running.complaint_minutes if driven is None else driven / running.km_per_min
    original = {place: place for place in job.engine.places}
    drive = Drive(minutes, (), original, time=0)
    mean_es = expected_episodes(job.engine, running, space, drive).sum(axis=0)
    return feel(mean_es, job.pack.feelings[COMPLAINT_WORD])


def _take_run(
    job: Job, space: StateSpace, fault_codes: FaultCodes, finding: Finding
) -> list[Term | Factor]:
    running, run = job.pack.running, finding.event
    if not isinstance(run, Ran):
        return []
    drive = Drive(run.minutes, run.conditions, finding.fitted, finding.time)
    expected_ces = expected_episodes(job.engine, running, space, drive)
    pieces: list[Term | Factor] = []
    for cylinder, count in run.counts.items():
        mean_es = expected_ces[cylinder - 1]
        pieces.append(count_misfires(space, mean_es, run.minutes, count, running))
    if run.codes is not None:
        codes = sort_codes(read_codes(job.pack, job.engine, run.codes))
        if not run.counts:
            pieces += (
                [read_random_only(expected_ces, run.minutes, running)]
                if codes.random_only
                else read_misfires(expected_ces, run.minutes, codes.misfired, running)
            )
        reached_ec = reach_ec(job.engine, space, finding.fitted)
        pieces += fault_codes.read(space, drive, reached_ec, codes.faults)
    elif run.suspected and not run.counts:
        leak = leak_chance(running, run.minutes)
        right = running.suspected_right
        pieces += [suspect(expected_ces[c - 1], right, leak) for c in run.suspected]
    elif run.felt and not run.counts:
        leak = leak_chance(running, run.minutes, len(expected_ces))
        pieces.append(feel(expected_ces.sum(axis=0), job.pack.feelings[run.felt], leak))
    return pieces


@dataclass
class _Taken:
    n: int
    event: Measured | Inspected
    view: View
    key: tuple[object, ...]


def _take_tests(job: Job, space: StateSpace, pieces: list[list[Term | Factor]]) -> _Nodes:
    taken = []
    for n, finding in enumerate(job.findings, start=1):
        event = finding.event
        if not isinstance(event, Ran):
            test = job.engine.tests[event.test]
            setting = Setting(test, event.target, finding.fitted, finding.time)
            view = look(job.engine, space, setting)
            taken.append(_Taken(n, event, view, repeat_key(job, space, setting, view)))
    level = _prepare_level(job, taken)
    latest: dict[tuple[object, ...], Measured | Inspected] = {}
    for one in taken:
        likelihood_qp = _likelihood(job, one, level.value_q)
        if one.key in latest:
            test = job.engine.tests[one.event.test]
            same = repeat_density(test, latest[one.key], one.event)
            likelihood_qp = test.fresh * likelihood_qp + (1.0 - test.fresh) * same
        latest[one.key] = one.event
        pieces[one.n].append(judge(one.view, likelihood_qp))
    return level


def _likelihood(job: Job, one: _Taken, level_q: FloatArray) -> FloatArray:
    test = job.engine.tests[one.event.test]
    if isinstance(one.event, Inspected):
        return inspection_likelihood(test, one.view.profiles, one.event.outcome)
    value = reading_value(test, one.event)
    return reading_likelihood(test, one.view.profiles, value, level_q)


def _prepare_level(job: Job, taken: list[_Taken]) -> _Nodes:
    tests = [job.engine.tests[one.event.test] for one in taken]
    levelled = [(one, test) for one, test in zip(taken, tests, strict=True) if test.level]
    if not levelled:
        return _Nodes()
    value_q, weight_q = level_nodes(levelled[0][1], job.opening, len(levelled))
    common_e = np.all([one.view.seen_e for one, _ in levelled], axis=0)
    readings = [
        (_likelihood(job, one, value_q), np.unique(one.view.profile_es[common_e]))
        for one, _ in levelled
    ]
    keep_q = worth_keeping(weight_q, readings)
    return _Nodes(value_q[keep_q], weight_q[keep_q])


def _stack(space: StateSpace, pieces: list[list[Term | Factor]], weight_q: FloatArray) -> Problem:
    shape = space.prior_es.shape
    log_factor_nes = np.zeros((len(pieces), *shape))
    terms: list[Term] = []
    finding_t: list[int] = []
    for n, some in enumerate(pieces):
        for piece in some:
            if isinstance(piece, Factor):
                log_factor_nes[n] += piece.log_es
                log_factor_nes[n, 0] += piece.log_constant
            else:
                terms.append(piece)
                finding_t.append(n)
    q = len(weight_q)
    return Problem(
        elements=tuple(element.id for element in space.elements),
        states=tuple(tuple(state.name for state in row) for row in space.states),
        prior_es=space.prior_es,
        log_factor_nes=log_factor_nes,
        finding_t=np.array(finding_t, dtype=np.int64),
        open_tes=np.stack([t.open_es for t in terms]),
        explained_tes=np.stack([t.explained_es for t in terms]),
        explain_qtes=np.stack([np.broadcast_to(t.explain_qes, (q, *shape)) for t in terms], axis=1),
        close_qt2=np.stack([np.broadcast_to(t.close_q2, (q, 2)) for t in terms], axis=1),
        level_q=weight_q,
    )
