"""From a replayed job to the arrays of inference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log1p

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from swapinfer.evidence.arrays import Arrays, BoolArray, Explain, Factor, FloatArray, Term
from swapinfer.evidence.counters import count_misfires
from swapinfer.evidence.levels import Levels, Nodes, level_name, tells_little
from swapinfer.evidence.looks import Look, look, observations
from swapinfer.evidence.monitor import (
    share_confirmed_at_once,
    share_that_blinks,
    share_that_sets,
)
from swapinfer.evidence.running import (
    CodedRun,
    Drive,
    FaultCodes,
    expected_episodes,
    feel,
    read_random_only,
    suspect,
)
from swapinfer.evidence.states import StateSpace, build_states, lot_factors
from swapinfer.ledger.event import Tested
from swapinfer.ledger.events import Ran, Reopened, Scanned
from swapinfer.ledger.replay import Finding, Job
from swapinfer.ledger.runs import (
    counted_minutes,
    is_too_early,
    is_unseen,
    named_cylinders,
    names_none,
    standing_out,
    weighed_counts,
)
from swapinfer.pack.engine import read_codes
from swapinfer.pack.model import CLEARED, COMPLAINT_WORD, UNKNOWN, Feeling, Test

COMPLAINT = 0
"""Sequence number under which the complaint itself counts as the first finding."""

SUPPOSED = Nodes(np.array([0.0, 1.0]), np.array([0.5, 0.5]))
"""Whether something that serves all cylinders upset them in a drive: no, or yes."""

MOST_WITH_LOTS = 6
"""Misfiring cylinders, added up over drives that differ, up to which lots are told apart: with
more of them every lot is taken as usual."""

MOST_SUPPOSED = 6
"""Kinds of drive for which that is asked, the first; in others it upsets cylinders one by one."""


class Evidence(Struct, frozen=True, eq=False):
    """A job as exact inference sees it."""

    job: Job
    # Elements and their states; factors and terms of all findings
    space: StateSpace
    arrays: Arrays
    seqs: tuple[int, ...]  # position in the chain of each finding; the complaint is `COMPLAINT`
    levels: Levels  # what readings share, at the nodes of the arrays
    findings: Findings  # what was found, for leaving some of it out

    def keeping(self, keep_n: BoolArray) -> Arrays:
        """Return the arrays as if only some of the findings had been made."""
        return _assemble(self.findings, keep_n)[0]

    def telling(self, test: Test) -> Evidence:
        """Return the same, with a test's level told apart even where it was read only once."""
        if level_name(test) not in self.levels.alone:
            return self
        every_n = np.ones(self.arrays.n_findings, dtype=np.bool_)
        arrays, levels = _assemble(self.findings, every_n, level_name(test))
        return replace(self, arrays=arrays, levels=levels)

    def usual(self, test: Test, weight_q: FloatArray) -> float | None:
        """Say what a sound one is expected to show, in the unit of a reading that is told apart.

        Given the posterior weights of the nodes; None where nothing tells it: sound ones differ
        widely beforehand, and no two were read.
        """
        tests, name = self.job.engine.tests, level_name(test)
        events = [finding.event for finding in self.job.findings]
        read = [tests[event.test] for event in events if isinstance(event, Tested)]
        compared = sum(level_name(other) == name for other in read)
        if compared < 2 and tells_little(test, self.job.opening):
            return None
        return self.levels.reading(test, weight_q)


def gather_evidence(job: Job) -> Evidence:
    """Assemble everything found in a job.

    Raises
    ------
    InputError
        If a recorded code cannot be one.
    """
    space = build_states(job)
    findings = Findings.of(space)
    arrays, levels = _assemble(findings, np.ones(len(job.findings) + 1, dtype=np.bool_))
    seqs = (COMPLAINT, *(finding.seq for finding in job.findings))
    return Evidence(job, space, arrays, seqs, levels, findings)


class Findings(Struct, frozen=True, eq=False):
    """What was found, before it is decided which of it counts."""

    space: StateSpace
    # Of each finding, the complaint first, what stands whatever else counts
    pieces: Sequence[Sequence[Term | Factor]]
    coded: Mapping[int, CodedRun]  # codes of drives, by index of the finding, to be read together
    looks: Sequence[Look]  # readings and inspections, to be summed up where they repeat one another
    # Findings of one misfire that was stored when the vehicle came in, to the complaint that it
    # came with: it is the one complained of, which then says no more
    arrivals: Mapping[int, int]

    @classmethod
    def of(cls, space: StateSpace) -> Findings:
        """Take in a job's complaint and all that was found since."""
        job = space.job
        driven = job.opening.driven_km
        original = {place: place for place in job.engine.places}
        pieces: list[list[Term | Factor]] = [[_complaint(space, driven, original, 0)]]
        fault_codes = FaultCodes.of(space)
        coded, looks, arrivals = {}, [], dict[int, int]()
        complaints = {0: COMPLAINT}
        for n, finding in enumerate(job.findings, start=1):
            taken, run = _take(space, fault_codes, finding)
            pieces.append(taken)
            if run is not None:
                coded[n] = run
            event = finding.event
            if isinstance(event, Reopened):
                complaints[finding.time] = n
            if isinstance(event, Scanned) and _is_complaint(job, event):
                arrivals[n] = complaints[finding.time]
            if isinstance(event, Tested):
                view = look(space, event.test, event.target, finding)
                looks.append(Look(n, event, view))
        return cls(space, pieces, coded, looks, arrivals)


def _assemble(findings: Findings, keep_n: BoolArray, told: str = "") -> tuple[Arrays, Levels]:
    seen = observations([one for one in findings.looks if keep_n[one.n]])
    coded = {n: run for n, run in findings.coded.items() if keep_n[n]}
    alike = _alike_runs(findings.space.job, coded)
    together = {f"drives {runs}": SUPPOSED for runs in alike}
    levels = Levels.of_job(findings.space.job, seen, together, told)
    pieces = [list(some) if keep_n[n] else [] for n, some in enumerate(findings.pieces)]
    for n, complaint in findings.arrivals.items():
        if keep_n[n]:
            pieces[complaint] = []
    for one in seen:
        pieces[one.n].append(levels.term(one))
    named = {n: f"drives {runs}" for runs in alike for n in runs}
    first = {runs[0] for runs in alike}
    for n, run in coded.items():
        supposed_q = levels.values.get(named.get(n, ""))
        pieces[n] += run.read(supposed_q, 2.0 if n in first else 1.0)
    lots = _suspected_twice(findings, coded)
    return _stack(findings.space, pieces, levels.weight_q, lots), levels


def _suspected_twice(findings: Findings, coded: Mapping[int, CodedRun]) -> list[str]:
    """Kinds of part made in lots of which two or more served a cylinder that misfired."""
    job, served = findings.space.job, dict[str, set[str]]()
    different = {_likeness(job, n, run): len(run.misfired) for n, run in coded.items()}
    if sum(different.values()) > MOST_WITH_LOTS:
        return []
    for n, run in coded.items():
        for place, element in job.findings[n - 1].fitted.items():
            kind = job.engine.kind_of(place)
            is_original = not job.elements[element].is_new
            misfired = run.misfired & set(job.engine.places[place].cylinders)
            if kind.lot_spread > 1.0 and is_original and misfired:
                served.setdefault(kind.id, set()).add(element)
    return [kind for kind, elements in served.items() if len(elements) > 1]


def _alike_runs(job: Job, coded: Mapping[int, CodedRun]) -> list[tuple[int, ...]]:
    """Group drives in which the same cylinders, several, misfired in one arrangement.

    Either each of a group had an episode of what serves all cylinders, or none had.
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    for n, run in coded.items():
        if len(run.misfired) > 1:
            alike.setdefault(_likeness(job, n, run), []).append(n)
    return [tuple(some) for some in alike.values()][:MOST_SUPPOSED]


def _likeness(job: Job, n: int, run: CodedRun) -> tuple[object, ...]:
    return tuple(sorted(job.findings[n - 1].fitted.items())), run.cylinders, run.misfired


def _complaint(
    space: StateSpace, driven_km: float | None, fitted: Mapping[str, str], time: int
) -> Term:
    """Someone noticed a misfire while driving so far."""
    job = space.job
    running = job.pack.running
    minutes = running.complaint_minutes if driven_km is None else driven_km / running.km_per_min
    episodes = expected_episodes(space, Drive(minutes, (), fitted, time))
    return feel(episodes.in_any(job.engine.layout.cylinders), job.pack.feelings[COMPLAINT_WORD])


def _take(
    space: StateSpace, fault_codes: FaultCodes, finding: Finding
) -> tuple[list[Term | Factor], CodedRun | None]:
    """Terms and factors of what no test found, and the codes that are still to be read."""
    match finding.event:
        case Ran() as run:
            return _take_run(space, fault_codes, finding, run)
        case Scanned() as scanned:
            return _take_stored(space, fault_codes, finding, scanned)
        case Reopened():
            driven_km = space.job.returns[finding.time]
            return [_complaint(space, driven_km, finding.fitted, finding.time)], None
        case _:
            return [], None


def _take_run(
    space: StateSpace, fault_codes: FaultCodes, finding: Finding, run: Ran
) -> tuple[list[Term | Factor], CodedRun | None]:
    """Take in a run."""
    job, running = space.job, space.job.pack.running
    drive = Drive(run.minutes, run.conditions, finding.fitted, finding.time)
    episodes = expected_episodes(space, drive)
    every = job.engine.layout.cylinders
    pieces: list[Term | Factor] = []
    for cylinder, count in run.counts.items():
        mean_es = episodes.in_cylinder(cylinder)
        pieces.append(count_misfires(space, mean_es, run.minutes, count))
    if run.is_read:
        share = share_confirmed_at_once if is_too_early(job, run) else share_that_sets
        share_es = space.share_es(share, run.conditions, run.minutes)
        setting = expected_episodes(space, drive, share_es)
        codes = read_codes(job.engine, run.present)
        faults = {c.text for c in codes if c.role == "fault"}
        pieces += fault_codes.read(space, drive, faults)
        misfired = frozenset(c.cylinder for c in codes if c.role == "misfire" and c.cylinder)
        names_none = not misfired and any(c.role == "random" for c in codes)
        uncounted = tuple(c for c in every if c not in run.counts)
        if is_unseen(job, run):
            pieces.append(_felt(space, drive, run, running.unseen))
        elif uncounted and names_none:
            pieces.append(read_random_only(setting, uncounted, running.unnamed))
        elif uncounted:
            return pieces, CodedRun(setting, uncounted, misfired & set(uncounted))
    elif run.suspected and not run.counts:
        leak, right = episodes.leak_chance(), running.suspected_right
        pieces += [suspect(episodes.in_cylinder(c), right, leak) for c in run.suspected]
    elif run.felt and not run.counts:
        pieces.append(_felt(space, drive, run))
    return pieces, None


def _felt(space: StateSpace, drive: Drive, run: Ran, silent: float = 1.0) -> Term:
    """Take in how a drive felt; `silent` is the chance of no code where a misfire was felt."""
    job, every = space.job, space.job.engine.layout.cylinders
    word = job.pack.feelings[run.felt]
    blink_es = space.share_es(share_that_blinks, run.conditions, run.minutes)
    episodes = expected_episodes(space, drive, blink_es if word.hard else 1.0)
    word = replace(word, with_misfire=word.with_misfire * silent)
    return feel(episodes.in_any(every), word, episodes.leak_chance(len(every)))


def _is_complaint(job: Job, scanned: Scanned) -> bool:
    """Whether a misfire that was stored is the one complained of, since there is no other."""
    named = named_cylinders(job, scanned)
    return len(named) == 1 or names_none(job, scanned)


def _take_stored(
    space: StateSpace, fault_codes: FaultCodes, finding: Finding, scanned: Scanned
) -> tuple[list[Term | Factor], CodedRun | None]:
    """Take in what was stored when the vehicle came in.

    Whoever erases codes erases all: where a misfire is stored, the other cylinders had none in the
    time of which the memory speaks; where none is, there was none, or the memory was emptied.
    """
    job = space.job
    has_outlasted = scanned.permanent and not scanned.present
    memory = job.pack.memories[scanned.memory or (CLEARED if has_outlasted else UNKNOWN)]
    drive = Drive(memory.minutes, scanned.frame, finding.fitted, finding.time)
    episodes = expected_episodes(space, drive, space.share_es(share_that_sets, scanned.frame))
    every = job.engine.layout.cylinders
    leak = episodes.leak_chance(len(every))
    codes = read_codes(job.engine, scanned.present)
    faults = {code.text for code in codes if code.role == "fault"}
    pieces: list[Term | Factor] = []
    minutes = counted_minutes(job, scanned)
    counted = expected_episodes(space, Drive(minutes, (), finding.fitted, finding.time))
    for cylinder, count in weighed_counts(job, scanned).items():
        pieces.append(count_misfires(space, counted.in_cylinder(cylinder), minutes, count))
    if scanned.is_read:
        pieces += fault_codes.read(space, drive, faults, kept=1.0 - memory.missed)
    named = named_cylinders(job, scanned)
    if named or names_none(job, scanned):
        stale, word = memory.stale, job.pack.feelings[COMPLAINT_WORD]
        if _is_complaint(job, scanned):
            # Were the code old, what was complained of would be nothing.
            stale *= word.without / word.with_misfire
        old = replace(episodes, leak=episodes.leak - log1p(-stale))
        if named:
            out = standing_out(job, scanned)
            return pieces, CodedRun(old, tuple(c for c in every if c not in out), named - out)
        return [*pieces, read_random_only(old, every, job.pack.running.unnamed)], None
    if scanned.is_read:
        quiet = Feeling("", "", memory.missed, 1.0)
        pieces.append(feel(episodes.in_any(every), quiet, leak))
    for code in read_codes(job.engine, scanned.permanent or ()):
        if code.role == "misfire" and code.cylinder and code.text not in scanned.present:
            mean_es = episodes.in_cylinder(code.cylinder)
            pieces.append(suspect(mean_es, job.pack.running.suspected_right, leak))
    return pieces, None


def _stack(
    space: StateSpace,
    pieces: Sequence[Sequence[Term | Factor]],
    weight_q: FloatArray,
    lots: Sequence[str],
) -> Arrays:
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
    q, t = len(weight_q), len(terms)
    open_tes = np.array([term.open_es for term in terms]).reshape(t, *shape)
    own_tes = np.array([term.explain_es for term in terms]).reshape(t, *shape)
    explained_tes = np.array([term.explained_es for term in terms]).reshape(t, *shape)
    shown_tes, close_qt2 = np.zeros((t, *shape), dtype=np.int64), np.empty((q, t, 2))
    chance_qtp = np.ones((q, t, max((term.chance_qp.shape[1] for term in terms), default=1)))
    for at, term in enumerate(terms):
        close_qt2[:, at] = term.close_q2
        if term.shown_es is not None:
            shown_tes[at] = term.shown_es
            chance_qtp[:, at, : term.chance_qp.shape[1]] = term.chance_qp
    lot_z, lot_zes = lot_factors(space, lots)
    return Arrays(
        elements=tuple(element.id for element in space.elements),
        states=tuple(tuple(state.name for state in row) for row in space.states),
        prior_es=space.prior_es,
        log_factor_nes=log_factor_nes,
        finding_t=np.array(finding_t, dtype=np.int64),
        open_tes=open_tes,
        explained_tes=explained_tes,
        explain=Explain.of(own_tes, shown_tes, chance_qtp),
        close_qt2=close_qt2,
        level_q=weight_q,
        lot_z=lot_z,
        lot_zes=lot_zes,
    )
