"""The same jobs from Python, without a store."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings, mode_weights
from swapinfer.plan.next import PlannedStep
from swapinfer.plan.next import next_steps as rank_steps
from swapinfer.plan.verifying import check_closing
from swapinfer.posterior import infer

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class JobCard:
    """A job as its events, the opening first, and the priors in force.

    It is immutable, so that "what if" is a new one.
    """

    pack: Pack
    events: tuple[Event, ...]

    @classmethod
    def open(cls, opening: ev.Opened, pack: Pack | None = None) -> JobCard:
        """Open a job, by default under the base priors.

        Raises
        ------
        InputError
            If the engine described cannot be.
        """
        opening.check()
        job = cls(pack or load_pack(), (opening,))
        job.replayed  # noqa: B018  refuses an impossible engine now
        return job

    def then(self, *events: Event, is_confirmed: bool = False) -> JobCard:
        """Return the job with more events.

        Parameters
        ----------
        *events : Event
            What happened next.
        is_confirmed : bool, optional
            Whether the job may be closed although something stands against its causes.

        Raises
        ------
        SwapinferError
            If one contradicts those before it, or closes the job on what is not on record.
        """
        job = self
        for event in events:
            event.check()
            job = JobCard(self.pack, (*job.events, event))
            job.replayed  # noqa: B018  refuses an impossible event now
            if isinstance(event, ev.Closed):
                evidence = gather_evidence(job.replayed)
                check_closing(evidence, infer(evidence.arrays), is_confirmed=is_confirmed)
        return job

    @cached_property
    def replayed(self) -> Job:
        """Where every part is and what has been found."""
        return replay(enumerate(self.events), self.pack)


def belief(job: JobCard) -> pd.DataFrame:
    """Return the probability of every element's states.

    Returns
    -------
    pandas.DataFrame
        One row for each element and mode: ``element``, ``kind``, ``place`` (empty on the bench),
        ``mode``, ``probability`` (of the mode) and ``fault`` (of the element), by falling
        ``fault`` and ``probability``.
    """
    import pandas as pd

    evidence = gather_evidence(job.replayed)
    posterior = infer(evidence.arrays)
    rows = []
    for e, element in enumerate(evidence.space.elements):
        place = job.replayed.place_of(element.id)
        of_element = {
            "element": element.id,
            "kind": element.home.kind,
            "place": place.id if place else "",
        }
        for mode, share in mode_weights(evidence.space, posterior, element.id).items():
            fault = float(posterior.fault_e[e])
            rows.append({**of_element, "mode": mode, "probability": share, "fault": fault})
    frame = pd.DataFrame(rows).sort_values(["fault", "probability"], ascending=False)
    return frame.reset_index(drop=True)


def next_steps(job: JobCard, settings: PlanSettings | None = None) -> tuple[PlannedStep, ...]:
    """Rank what to do next by expected cost to a verified repair.

    Parameters
    ----------
    job : JobCard
        Any job that is not closed.
    settings : PlanSettings, optional
        Costs and limits; default the pack's costs and none.

    Returns
    -------
    tuple of PlannedStep
        The one to take first, then the others, the cheapest way on first.
    """
    evidence = gather_evidence(job.replayed)
    chosen = settings or PlanSettings(costs=job.pack.costs)
    return rank_steps(evidence, infer(evidence.arrays), chosen).steps
