"""A job walked step by step: the next step, how it went, what that changed, and on."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import ClassVar

from swapinfer.errors import SwapinferError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import element_label
from swapinfer.plan.actions import Action
from swapinfer.plan.next import PlannedStep, next_steps
from swapinfer.workflow.ask import job_status
from swapinfer.workflow.causes import Belief, believe, list_causes
from swapinfer.workflow.facts import Facts, Recorded
from swapinfer.workflow.planning import StepFacts, describe_step, plan_settings
from swapinfer.workflow.questions import (
    Asking,
    Events,
    Question,
    ask_closing,
    ask_other,
    ask_step,
)
from swapinfer.workflow.record import record
from swapinfer.workflow.shop import Shop

CONTROLS = {
    "s": "skip it for now",
    "c": "can't do that here",
    "x": "something else happened",
    "b": "back",
    "?": "the step in full",
    "q": "leave",
}
"""What may be typed at any question."""

SUSPECTS = 6
"""Leading causes offered when a job ends."""


@dataclass(frozen=True, slots=True)
class GuideView(Facts):
    """Where a job stands in guided work.

    Attributes
    ----------
    status : str
        Open, closed or verified.
    step : StepFacts or None
        What to do; None when the job is closed. Cautions that were shown before in this sitting
        are left out.
    cautions_again : tuple of str
        Ids of those.
    away : tuple of str
        Parts that are not where they belong.
    """

    shape: ClassVar[str] = "guide/1"

    ro: str
    status: str
    step: StepFacts | None
    cautions_again: tuple[str, ...]
    away: tuple[str, ...]
    currency: str


class Sitting:
    """One technician's walk through a job; all that lasts is in the ledger.

    Parameters
    ----------
    shop : Shop
        Where.
    ro : str
        Repair order; the current job when empty.

    Attributes
    ----------
    question : Question
        To be put next.
    is_over : bool
        Whether the technician left, or the job is closed.
    """

    def __init__(self, shop: Shop, ro: str = "") -> None:
        self.shop = shop
        self.ro = shop.load(ro).ro
        shop.store.choose_job(shop.who, shop.job_id(self.ro))
        self.is_over = False
        self._has_news = True
        self._skipped: set[Action | str] = set()
        self._barred: set[tuple[str, frozenset[str]]] = set()
        self._recorded: list[range] = []
        self._cautioned: set[str] = set()
        self._look()

    def news(self) -> GuideView | None:
        """Return what is to be shown before the question, once after each change."""
        return self.view() if self._has_news else None

    def view(self) -> GuideView:
        """Return where the job stands; cautions count as shown from then on."""
        self._has_news = False
        job = self._belief.evidence.job
        step, again = self._describe()
        return GuideView(
            ro=self.ro,
            status=job_status(job),
            step=step,
            cautions_again=again,
            away=tuple(element_label(job, part) for part in job.away_from_home()),
            currency=self.shop.settings.costs(job.pack).currency,
        )

    @property
    def is_closed(self) -> bool:
        """Whether the job is closed."""
        return self._belief.evidence.job.closing is not None

    def answer(self, text: str) -> Recorded | None:
        """Take one line, and record what happened once it is fully told.

        Parameters
        ----------
        text : str
            An answer to `question`, or one of `CONTROLS`.

        Returns
        -------
        Recorded or None
            None when nothing was recorded by this answer.
        """
        word = text.strip().lower()
        if word not in CONTROLS:
            return self._take(text)
        match word:
            case "q":
                self.is_over = True
            case "b":
                return self._back()
            case "?":
                self._cautioned.clear()
                self._begin()
            case "x":
                self._start(
                    ask_other(self._belief.evidence.job, self._suspects(), self.shop.settings)
                )
                self._is_under_way = True
            case _:
                self._pass_over(for_good=word == "c")
        return None

    def _look(self) -> None:
        """Load the job as it is now, whoever changed it, and plan."""
        loaded = self.shop.load(self.ro)
        self._belief: Belief = believe(loaded.job)
        self._step: PlannedStep | None = None
        if loaded.job.closing:
            self.is_over = True
            return
        self._plan()
        self._begin()

    def _plan(self) -> None:
        job = self._belief.evidence.job
        barred = frozenset(test for test, kinds in self._barred if not kinds)
        settings = dataclasses.replace(plan_settings(self.shop, job), avoided=barred)
        plan = next_steps(self._belief.evidence, self._belief.posterior, settings)
        allowed = [step for step in plan.steps if self._may(step)] or [plan.best]
        drives = [step for step in allowed if step.action and step.action.kind == "drive"]
        self._step = drives[0] if drives and _is_drive_due(job) else allowed[0]

    def _may(self, step: PlannedStep) -> bool:
        if step.action is None:
            return step.id not in self._skipped
        kind, kinds = self._class_of(step.action)
        is_barred = any(kind == name and kinds >= those for name, those in self._barred)
        return not is_barred and _work(step.action) not in self._skipped

    def _class_of(self, action: Action) -> tuple[str, frozenset[str]]:
        """Say what "can't do that" is about: a test, or work on these kinds of part."""
        job = self._belief.evidence.job
        kinds = frozenset(job.engine.places[place].kind for place in action.handled)
        return action.test or action.kind, kinds

    def _pass_over(self, *, for_good: bool) -> None:
        step = self._step
        if step is None:
            return
        if for_good and step.action:
            self._barred.add(self._class_of(step.action))
        else:
            self._skipped.add(_work(step.action) if step.action else step.id)
        self._plan()
        self._begin()

    def _begin(self) -> None:
        job, step = self._belief.evidence.job, self._step
        if step is None:
            return
        self._has_news = True
        self._start(
            ask_step(job, step.action, self.shop.settings)
            if step.action
            else ask_closing(job, self._suspects())
        )

    def _start(self, asking: Asking[Events]) -> None:
        self._asking = asking
        self._is_under_way = False
        self.question: Question = next(asking)

    def _take(self, text: str) -> Recorded | None:
        try:
            self.question = self._asking.send(text)
        except StopIteration as told:
            return self._record(told.value)
        self._is_under_way |= not self.question.problem
        return None

    def _record(self, events: Events) -> Recorded | None:
        touched = [place for event in events for place in _touched(event)]
        if not events:
            self._begin()
            return None
        try:
            told = record(self.shop, lambda _job: events, self.ro, touched)
        except SwapinferError as error:
            self._look()
            self.question = dataclasses.replace(self.question, problem=str(error))
            return None
        self._recorded.append(range(told.seq - len(events) + 1, told.seq + 1))
        self._look()
        if isinstance(events[-1], ev.Closed):
            told = dataclasses.replace(told, warnings=())  # asked about before it was closed
        return dataclasses.replace(told, next=None)

    def _back(self) -> Recorded | None:
        """Start the step's questions again, or take back what was recorded last."""
        if self._is_under_way:
            self._begin()
            return None
        if not self._recorded:
            problem = "nothing was recorded in this sitting that could be taken back"
            self.question = dataclasses.replace(self.question, problem=problem)
            return None
        last = self._recorded.pop()
        told = record(self.shop, lambda _job: [ev.Undone(seq) for seq in reversed(last)], self.ro)
        self._look()
        return dataclasses.replace(told, next=None)

    def _suspects(self) -> list[str]:
        return [cause.element for cause in list_causes(self._belief)[:SUSPECTS]]

    def _describe(self) -> tuple[StepFacts | None, tuple[str, ...]]:
        step = self._step
        if step is None:
            return None, ()
        again = tuple(c for c in step.cautions if c in self._cautioned)
        first = tuple(c for c in step.cautions if c not in self._cautioned)
        self._cautioned.update(first)
        shown = dataclasses.replace(step, cautions=first)
        return describe_step(self._belief, shown), again


def _is_drive_due(job: Job) -> bool:
    """Whether work was done and the vehicle has not run since."""
    for _, event in reversed(job.standing):
        if isinstance(event, (ev.Swapped, ev.Replaced, ev.Reseated)):
            return True
        if isinstance(event, (ev.Ran, ev.Reopened)):
            return False
    return False


def _work(action: Action) -> Action:
    """Return what is done, whatever drive follows."""
    return dataclasses.replace(action, drive_minutes=0.0, conditions=())


def _touched(event: ev.Event) -> list[str]:
    if isinstance(event, ev.Swapped):
        return [place for pair in event.swaps for place in pair]
    return [event.place] if isinstance(event, ev.Replaced) else []
