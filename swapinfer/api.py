"""The same jobs from Python, without a store."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job as Replayed
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan import next as planner
from swapinfer.plan.costing import PlanSettings, mode_weights
from swapinfer.plan.verifying import check_closing
from swapinfer.posterior import infer

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Job:
    """A job as a sequence of events; immutable, so that "what if" is a new job.

    Attributes
    ----------
    pack : Pack
        Priors in force.
    events : tuple of Event
        The opening first.
    """

    pack: Pack
    events: tuple[Event, ...]

    @classmethod
    def open(cls, opening: ev.Opened, pack: Pack | None = None) -> Job:
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

    def then(self, *events: Event, is_confirmed: bool = False) -> Job:
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
            job = Job(self.pack, (*job.events, event))
            job.replayed  # noqa: B018  refuses an impossible event now
            if isinstance(event, ev.Closed):
                evidence = gather_evidence(job.replayed)
                check_closing(evidence, infer(evidence.arrays), is_confirmed=is_confirmed)
        return job

    @cached_property
    def replayed(self) -> Replayed:
        """Where every part is and what has been found."""
        return replay(enumerate(self.events), self.pack)


def belief(job: Job) -> pd.DataFrame:
    """Return the probability of every element's states.

    Parameters
    ----------
    job : Job
        Any job.

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
        shares = mode_weights(evidence.space, posterior, element.id)
        for mode, share in shares.items():
            rows.append(
                {
                    "element": element.id,
                    "kind": element.home.kind,
                    "place": place.id if place else "",
                    "mode": mode,
                    "probability": share,
                    "fault": float(posterior.fault_e[e]),
                }
            )
    frame = pd.DataFrame(rows).sort_values(["fault", "probability"], ascending=False)
    return frame.reset_index(drop=True)


def next_steps(job: Job, settings: PlanSettings | None = None) -> tuple[planner.PlannedStep, ...]:
    """Rank what to do next by expected cost to a verified repair.

    Parameters
    ----------
    job : Job
        Any job that is not closed.
    settings : PlanSettings, optional
        Costs and limits; default the pack's costs and none.

    Returns
    -------
    tuple of PlannedStep
        The cheapest way on first.
    """
    evidence = gather_evidence(job.replayed)
    chosen = settings or PlanSettings(costs=job.pack.costs)
    return planner.next_steps(evidence, infer(evidence.arrays), chosen).steps
