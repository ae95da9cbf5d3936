"""The tests that can be made on a job's engine, and one of them in full."""

from __future__ import annotations

from typing import ClassVar

from msgspec import Struct

from swapinfer.commands.causes import believe
from swapinfer.commands.facts import Facts
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, near_match
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import expected_range
from swapinfer.pack.model import Test


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
    """Show one test in full.

    Raises
    ------
    InputError
        If the engine has no such test.
    """
    job = shop.load(ro).job
    word = "-".join(test_id.lower().split())
    if word not in job.engine.tests:
        raise InputError(f'no test "{test_id}" for this engine{near_match(word, job.engine.tests)}')
    test, pack = job.engine.tests[word], job.pack
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
    trial = believe(job).evidence
    level = trial.levels.reading(test, trial.arrays.level_q)
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
