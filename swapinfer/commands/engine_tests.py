"""The tests that can be made on a job's engine, and one of them in full."""

from __future__ import annotations

from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command, complete_test
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import expected_range
from swapinfer.pack.model import Test
from swapinfer.posterior import usual_reading


class TestLine(Struct, frozen=True):
    """A test in a list: minutes for a first target, with what must come off, and lacking tools."""

    id: str
    title: str
    form: str
    target: str
    minutes: float
    lacking: tuple[str, ...]


class TestList(Facts, frozen=True):
    """Tests of an engine, the least work first."""

    shape: ClassVar[str] = "tests/1"

    ro: str
    tests: tuple[TestLine, ...]


class TestView(Facts, frozen=True):
    """One test in full.

    Attributes
    ----------
    minutes, minutes_each : float
        With what must come off now, and for each further target.
    opens, tools, cautions, before, steps : tuple of str
        Titles and texts.
    outcomes : dict of str to str
        Word to be recorded, and what it means; empty for readings.
    expected : str
        What nine in ten good ones read on this engine; empty for inspections.
    targets : tuple of str
        On what it can be made.
    example : str
        Command that records it.
    """

    shape: ClassVar[str] = "test/1"

    id: str
    title: str
    form: str
    target: str
    minutes: float
    minutes_each: float
    opens: tuple[str, ...]
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    before: tuple[str, ...]
    steps: tuple[str, ...]
    outcomes: dict[str, str]
    expected: str
    targets: tuple[str, ...]
    example: str


@command("tests", "tests compression")
def engine_tests(
    shop: Shop,
    test: Annotated[str, typer.Argument(help="One in full.", autocompletion=complete_test)] = "",
    weights: Annotated[
        bool, typer.Option("--weights", help="What each outcome is worth, of all or of one.")
    ] = False,
    ro: str = "",
) -> Facts:
    """List the tests of an engine, or show one in full, or weigh what they find."""
    if weights:
        from swapinfer.commands.weights import weigh_tests

        return weigh_tests(shop.pack, test)
    return show_test(shop, test, ro) if test else list_tests(shop, ro)


def list_tests(shop: Shop, ro: str = "") -> TestList:
    """List the tests of a job's engine in order of ease, as the engine stands now."""
    loaded = shop.load(ro)
    lacking = shop.settings.missing_tools
    lines = [
        TestLine(
            id=test.id,
            title=test.title,
            form=test.form,
            target=test.target,
            minutes=_minutes(loaded.job, test),
            lacking=tuple(loaded.job.pack.tools[t] for t in test.tools if t in lacking),
        )
        for test in loaded.job.engine.tests.values()
    ]
    return TestList(loaded.ro, tuple(sorted(lines, key=lambda t: (bool(t.lacking), t.minutes))))


def show_test(shop: Shop, test_id: str, ro: str = "") -> TestView:
    """Show one test in full."""
    job = shop.load(ro).job
    test, pack = job.engine.find_test(test_id), job.pack
    return TestView(
        id=test.id,
        title=test.title,
        form=test.form,
        target=test.target,
        minutes=_minutes(job, test),
        minutes_each=test.minutes_each,
        opens=tuple(pack.access[name].title for name in _to_open(job, test)),
        tools=tuple(pack.tools[tool] for tool in test.tools),
        cautions=tuple(pack.cautions[caution].text for caution in test.cautions),
        before=test.before,
        steps=test.steps,
        outcomes=test.outcomes,
        expected=_expected(job, test),
        targets=job.engine.target_places(test.target),
        example=_example(job, test),
    )


def _to_open(job: Job, test: Test) -> list[str]:
    return [name for name in job.needs_open(test.access) if name not in job.open_access]


def _minutes(job: Job, test: Test) -> float:
    return test.minutes + sum(job.pack.access[name].open_minutes for name in _to_open(job, test))


def _expected(job: Job, test: Test) -> str:
    """Good range; relative tests are told in the test's own unit, about this engine's level."""
    if not test.level:
        return expected_range(test)
    level = usual_reading(gather_evidence(job), test)
    if level is not None:
        return expected_range(test, level)
    return "about what the other cylinders read"


def _example(job: Job, test: Test) -> str:
    target = job.engine.target_places(test.target)[0]
    if test.form == "inspection":
        return f"swapinfer inspect {test.id} {target} {next(iter(test.outcomes))}"
    beside = f" --against NUMBER{test.unit}" if test.reference else ""
    beside += f" --wanted NUMBER{test.unit}" if test.wanted else ""
    return f"swapinfer read {test.id} {target}=NUMBER{test.unit}{beside}"


@show.register
def _(facts: TestList, page: Page) -> str:
    rows = [[f"{test.minutes:.0f} min", test.id, _line(test)] for test in facts.tests]
    lines = page.wrap(f"{facts.ro}: tests of this engine, the least work first")
    lines += page.table(rows, right=[0])
    return "\n".join([*lines, *page.wrap("one in full: swapinfer tests TEST")])


def _line(test: TestLine) -> str:
    lacking = f" (not here: {', '.join(test.lacking)})" if test.lacking else ""
    return test.title + _each(test.target) + lacking


def _each(target: str) -> str:
    return "" if target == "engine" else f", each {target}"


@show.register
def _(facts: TestView, page: Page) -> str:
    lines = page.wrap(f"{page.strong(facts.id)}: {facts.title}{_each(facts.target)}")
    more = f", {facts.minutes_each:.0f} for each further {facts.target}"
    lines += page.wrap(f"{facts.minutes:.0f} min" + more * (len(facts.targets) > 1), indent=2)
    lines += page.listed("tools", facts.tools, indent=2)
    lines += page.listed("first", facts.opens, indent=2)
    for caution in facts.cautions:
        lines += page.wrap(f"CAUTION: {caution}", indent=2)
    lines += page.numbered([*(f"first: {item}" for item in facts.before), *facts.steps], indent=2)
    if facts.expected:
        lines += page.wrap(f"a good one reads {facts.expected}", indent=2)
    lines += page.table([[word, text] for word, text in facts.outcomes.items()])
    return "\n".join([*lines, *page.wrap(f"record it: {facts.example}", indent=2, hang=11)])
