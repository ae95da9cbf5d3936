"""A job walked step by step: the next step, how it went, what that changed, and on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer
from msgspec import structs

from swapinfer.commands.app import command, complete_ro
from swapinfer.commands.causes import (
    Belief,
    believe,
    list_causes,
    plan_settings,
    spent_words,
    whole_way,
)
from swapinfer.commands.jobs import status_words
from swapinfer.commands.opening import receive
from swapinfer.commands.page import Page, percent
from swapinfer.commands.questions import Events, ask_closing, ask_other, ask_step
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.steps import (
    MineFacts,
    StepFacts,
    caution_lines,
    describe_step,
    mine_line,
    price_mine,
)
from swapinfer.commands.terminal import converse, page, say, say_paragraph
from swapinfer.commands.typed import Asking, Question, ask
from swapinfer.errors import JobError, SwapinferError
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job, carry_on
from swapinfer.ledger.words import element_label
from swapinfer.plan.actions import Action
from swapinfer.plan.next import PlannedStep, make_plan
from swapinfer.plan.outlook import Outlook
from swapinfer.plan.reason import explain
from swapinfer.plan.verifying import Proof, list_doubts, prove

CONTROLS = {
    "s": "skip it for now",
    "c": "can't do that here",
    "x": "something else happened",
    "b": "back",
    "?": "the step in full",
    "q": "leave",
}
"""What may be typed at any question."""

SHOW = "show me"
"""Answer to the question for one's own step that asks for the advice instead."""

SUSPECTS, MEANINGS = 6, 3
"""Causes offered when a job ends, and outcomes whose meaning is told beforehand."""

WORTH_NAMING = 0.1
"""A cause less likely than this after an outcome is not named with it."""


@command("guide", "guide RO-7")
def guide(
    shop: Shop,
    ro: Annotated[
        str,
        typer.Argument(help="Repair order; default the current job.", autocompletion=complete_ro),
    ] = "",
) -> None:
    """Walk a job step by step at the terminal; a new one is opened by asking."""
    try:
        shop.job_id(ro)
    except JobError:
        if not ro:
            raise
        say_paragraph(
            f"{ro} is new. Enter takes what stands in [brackets], b starts over, q leaves."
        )
        reception = receive(shop, ro)
        converse(reception)
        if not reception.is_finished:
            return
    sitting = Sitting(shop, ro)
    say_paragraph(", ".join(f"{key} {words}" for key, words in CONTROLS.items()))
    converse(sitting)
    if sitting.is_closed:
        say(sitting.standing(page()))
    else:
        say_paragraph(f"left; go on with: swapinfer guide {sitting.ro}")


class Sitting:
    """One technician's walk through a job; all that lasts is in the ledger."""

    def __init__(self, shop: Shop, ro: str = "") -> None:
        self.shop = shop
        self.ro = shop.load(ro).ro
        shop.store.choose_job(shop.who, shop.job_id(self.ro))
        self.is_over = False
        self._has_news = True
        self._skipped: set[Action | str] = set()
        self._barred: set[tuple[str, frozenset[str]]] = set()
        self._recorded: list[range] = []
        self._is_full = False
        self._mine: MineFacts | None = None
        self._look()

    def news(self, page: Page) -> str:
        """Return what is to be shown before the question, once after each change."""
        return self.standing(page) if self._has_news else ""

    def standing(self, page: Page) -> str:
        """Say where the job stands: the step to do, or that nothing is left."""
        self._has_news = False
        is_full, self._is_full = self._is_full, False
        mine, self._mine = self._mine, None
        lines = ["", "-" * min(page.width, 60)]
        if self._step is None:
            lines += page.wrap(page.strong(f"{self.ro} is {status_words(self._job.status)}"))
            lines += page.wrap("nothing is left to do; if it comes back: swapinfer reopen")
            return "\n".join(lines)
        reason = explain(self._outlook, self._step, is_best=self._step is self._planned.best)
        step = describe_step(self._belief, self._step, reason)
        currency = self.shop.settings.costs(self._job.pack).currency
        if mine:
            lines += mine_line(mine, currency, page)
        lines += page.wrap(page.strong(f"{self.ro}: {step.title}"), hang=4)
        spent = spent_words(step.minutes, step.drive_minutes, step.money, currency)
        lines += page.wrap(f"{spent}; {whole_way(step.expected_total, currency)}", indent=2)
        lines += page.wrap(f"why: {step.reason}", indent=2, hang=5)
        if step.change:
            lines += page.wrap(step.change, indent=2, hang=5)
        if is_full and step.outcomes:
            lines += ["  it will tell", *page.table(_meanings(step), right=[0])]
        lines += page.listed("tools", step.tools, indent=2)
        lines += page.listed("first", step.opens, indent=2)
        new, known = caution_lines(step.cautions, structs.replace(page, is_full=is_full))
        lines += new + known
        lines += page.numbered(step.how, indent=2)
        away = [element_label(self._job, part) for part in self._job.away_from_home()]
        return "\n".join(lines + page.listed("not where they belong", away, indent=2))

    @property
    def _job(self) -> Job:
        return self._belief.evidence.job

    @property
    def is_closed(self) -> bool:
        """Whether the job is closed."""
        return self._job.closing is not None

    def answer(self, text: str) -> Recorded | None:
        """Take one line, and record what happened once it is fully told."""
        word = text.strip().lower()
        if self._is_guessing and word in ("s", "c", "?"):
            self._begin()
            return None
        if word not in CONTROLS:
            return self._take(text)
        match word:
            case "q":
                self.is_over = True
            case "b":
                return self._back()
            case "?":
                self._is_full = True
                self._begin()
            case "x":
                suspects, settings = self._suspects(), self.shop.settings
                self._start(ask_other(self._job, suspects, self._judge, settings))
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
        if self.shop.settings.guess_first == "yes":
            self._start(self._ask_mine())
            self._is_guessing, self._has_news = True, False
        else:
            self._begin()

    def _ask_mine(self) -> Asking[Events]:
        """Ask for the technician's own step, and price it; nothing is recorded by that."""

        def read(text: str) -> MineFacts | None:
            if text == SHOW:
                return None
            return price_mine(self._planned, text, self._outlook.settings.costs)

        asked = Question(f"{self.ro}: what would you do next? As in: swap coil", default=SHOW)
        self._mine = yield from ask(asked, read)
        return []

    def _plan(self) -> None:
        barred = frozenset(test for test, kinds in self._barred if not kinds)
        settings = structs.replace(plan_settings(self.shop, self._job), avoided=barred)
        self._outlook = Outlook(self._belief.evidence, self._belief.posterior, settings)
        self._planned = plan = make_plan(self._outlook, self._outlook.rank())
        allowed = [step for step in plan.steps if self._may(step)] or [plan.best]
        drives = [step for step in allowed if step.action and step.action.kind == "drive"]
        self._step = drives[0] if drives and _is_drive_due(self._job) else allowed[0]

    def _may(self, step: PlannedStep) -> bool:
        if step.action is None:
            return step.id not in self._skipped
        kind, kinds = self._class_of(step.action)
        is_barred = any(kind == name and kinds >= those for name, those in self._barred)
        return not is_barred and step.action.without_drive not in self._skipped

    def _class_of(self, action: Action) -> tuple[str, frozenset[str]]:
        """Say what "can't do that" is about: a test, or work on these kinds of part."""
        places = self._job.engine.places
        kinds = frozenset(places[place].kind for place in action.handled)
        return action.test or action.kind, kinds

    def _pass_over(self, *, for_good: bool) -> None:
        step = self._step
        if step is None:
            return
        if for_good and step.action:
            self._barred.add(self._class_of(step.action))
        else:
            self._skipped.add(step.action.without_drive if step.action else step.id)
        self._plan()
        self._begin()

    def _begin(self) -> None:
        step, settings = self._step, self.shop.settings
        if step is None:
            return
        self._has_news = True
        if step.action:
            self._start(ask_step(self._job, step.action, settings))
        else:
            self._start(ask_closing(self._job, self._suspects(), self._judge, settings.adapter))

    def _start(self, asking: Asking[Events]) -> None:
        self._asking = asking
        self._is_under_way = self._is_guessing = False
        self.question: Question = next(asking)

    def _take(self, text: str) -> Recorded | None:
        try:
            self.question = self._asking.send(text)
        except StopIteration as told:
            return self._record(told.value)
        self._is_under_way |= not self.question.problem
        return None

    def _record(self, events: Events) -> Recorded | None:
        touched = [place for event in events for place in event.places]
        if not events:
            self._begin()
            return None
        try:
            told = record(self.shop, lambda _job: events, self.ro, touched, is_confirmed=True)
        except SwapinferError as error:
            self._look()
            self.question = structs.replace(self.question, problem=str(error))
            return None
        self._recorded.append(range(told.seq - len(events) + 1, told.seq + 1))
        self._look()
        if isinstance(events[-1], ev.Closed):
            told = structs.replace(told, warnings=())  # asked about before it was closed
        return structs.replace(told, next=None)

    def _back(self) -> Recorded | None:
        """Start the step's questions again, or take back what was recorded last."""
        if self._is_under_way:
            self._begin()
            return None
        if not self._recorded:
            problem = "nothing was recorded in this sitting that could be taken back"
            self.question = structs.replace(self.question, problem=problem)
            return None
        last = self._recorded.pop()
        told = record(self.shop, lambda _job: [ev.Undone(seq) for seq in reversed(last)], self.ro)
        self._look()
        return structs.replace(told, next=None)

    def _judge(self, events: Events, causes: Sequence[str]) -> tuple[Proof, list[str]]:
        belief = believe(carry_on(self._job, *events)) if events else self._belief
        doubts = list_doubts(belief.evidence, belief.posterior, causes)
        return prove(belief.evidence, belief.posterior, causes), doubts

    def _suspects(self) -> list[str]:
        return [cause.element for cause in list_causes(self._belief)[:SUSPECTS]]


def _is_drive_due(job: Job) -> bool:
    """Whether work was done and the vehicle has not run since."""
    for _, event in reversed(job.standing):
        if event.is_work:
            return True
        if isinstance(event, (ev.Ran, ev.Reopened)):
            return False
    return False


def _meanings(step: StepFacts) -> list[list[str]]:
    rows = []
    for one in step.outcomes[:MEANINGS]:
        leading = f": {one.leading} {percent(one.leading_probability)}"
        is_named = one.leading_probability >= WORTH_NAMING
        rows.append([percent(one.probability), one.title + leading * is_named])
    return rows
