"""Questions about jobs: which there are, where parts sit, what is believed."""

from __future__ import annotations

import math
from datetime import datetime

from swapinfer.errors import InputError, near_match
from swapinfer.evidence.states import draw_priors
from swapinfer.ledger.drawing import draw_engine
from swapinfer.ledger.events import read_event
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import Job
from swapinfer.ledger.rows import STATUSES
from swapinfer.ledger.words import element_label, job_status, say
from swapinfer.posterior import (
    NEGLIGIBLE,
    at_levels,
    draws_in_reach,
    fault_intervals,
    fault_sets,
    flip_points,
    level_weights,
)
from swapinfer.units import convert
from swapinfer.workflow.causes import Belief, believe, list_causes
from swapinfer.workflow.facts import (
    BeliefView,
    EventLine,
    Flip,
    Interval,
    JobLine,
    JobList,
    JobView,
    PartLine,
    PartsView,
    SetLine,
)
from swapinfer.workflow.shop import Shop

SHOWN_SETS = 6
SHOWN_RIVALS = 2
SEED = 1
"""Of the priors drawn for intervals, so that the same job shows the same interval."""

COVER = 0.999


def list_jobs(shop: Shop, status: str = "") -> JobList:
    """List jobs, the newest first, without replaying any."""
    if status and status not in STATUSES:
        raise InputError(f'no status "{status}"{near_match(status, STATUSES)}')
    current = shop.store.current_job(shop.who)
    rows = shop.store.jobs(status or None)
    now = shop.now()
    return JobList(
        tuple(
            JobLine(
                ro=row.ro,
                status=row.status,
                opened_at=row.opened_at,
                updated_at=row.updated_at,
                complaint=str(row.summary.get("complaint", "")),
                leading=str(row.summary.get("leading", "")),
                leading_probability=float(str(row.summary.get("leading_probability", 0.0))),
                next_step=str(row.summary.get("next_step", "")),
                away=tuple(map(str, row.summary.get("away", []) or [])),  # type: ignore[arg-type]
                is_current=row.job == current,
                age_days=_days(row.opened_at, now if row.status == "open" else row.updated_at),
            )
            for row in rows
        )
    )


def _days(start: str, end: str) -> int:
    return max((datetime.fromisoformat(end) - datetime.fromisoformat(start)).days, 0)


def choose_job(shop: Shop, ro: str) -> JobView:
    """Make a job the current one."""
    shop.store.choose_job(shop.who, shop.job_id(ro))
    return show_job(shop, ro)


def show_job(shop: Shop, ro: str = "") -> JobView:
    """Show a whole job."""
    loaded = shop.load(ro)
    job = loaded.job
    belief = believe(job)
    distance = shop.settings.unit("distance")
    return JobView(
        ro=loaded.ro,
        status=job_status(job),
        engine=engine_words(job),
        drawing=tuple(draw_engine(job)),
        complaint=job.opening.complaint,
        odometer=_distance(job.opening.odometer_km, distance),
        driven=_distance(job.opening.driven_km, distance),
        pack=f"{job.pack.name} {job.pack.version} ({job.pack.digest[:12]})",
        events=tuple(_event_line(record, job) for record in loaded.records),
        causes=list_causes(belief)[:8],
        away=tuple(job.away_from_home()),
        open_access=tuple(job.pack.access[name].title for name in sorted(job.open_access)),
    )


def _event_line(record: Record, job: Job) -> EventLine:
    event = read_event(record.type, record.payload)
    return EventLine(
        record.seq, record.at, record.who, record.type, say(event, job), record.seq in job.undone
    )


def engine_words(job: Job) -> str:
    """Layout and fitment in words."""
    fitted = (job.pack.fitments[axis][value] for axis, value in job.engine.fitment.items())
    return ", ".join([job.engine.layout.title, *fitted])


def _distance(km: float | None, unit: str) -> str:
    if km is None or math.isnan(km):
        return "not given"
    return f"{convert(km, 'km', unit):,.0f} {unit}"


def show_parts(shop: Shop, ro: str = "") -> PartsView:
    """Show where every movable part is and the exchanges that put all back."""
    loaded = shop.load(ro)
    job = loaded.job
    away = set(job.away_from_home())
    lines = []
    for element in job.elements.values():
        if job.engine.kinds[element.home.kind].movable:
            place = job.place_of(element.id)
            lines.append(
                PartLine(
                    part=element.id,
                    label=element_label(job, element.id),
                    home=element.home.id if place else "",
                    place=place.id if place else "",
                    is_new=element.is_new,
                    is_away=element.id in away,
                )
            )
    return PartsView(loaded.ro, tuple(lines), tuple(job.moves_home()))


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
    problem = belief.evidence.arrays
    kept_q = level_weights(problem) >= NEGLIGIBLE
    count = draws_in_reach(belief.posterior, float(kept_q.mean()))
    if not count:
        return ()
    priors = draw_priors(belief.evidence.job, belief.evidence.space, count, SEED)
    found = fault_intervals(at_levels(problem, kept_q), priors)
    at = [problem.elements.index(name) for name in elements]
    return tuple(
        Interval(name, float(found.low_e[e]), float(found.high_e[e]))
        for name, e in zip(elements, at, strict=True)
    )


def _flips(belief: Belief) -> tuple[Flip, ...]:
    problem = belief.evidence.arrays
    found = flip_points(problem, belief.posterior)
    rivals = zip(found.rival_r[:SHOWN_RIVALS], found.factor_r[:SHOWN_RIVALS], strict=True)
    return tuple(
        Flip(element_label(belief.evidence.job, problem.elements[e]), float(factor))
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
